"""Renders of a plan: made, kept, made anew when the clip changes, and refused in one sentence."""

from __future__ import annotations

import json
from fractions import Fraction

import numpy as np
import pytest

from tonelab.bench.reading import read_plan
from tonelab.bench.run import run
from tonelab.errors import PlanError
from tonelab.media import open_clip, write_clip
from tonelab.signal.description import Signal

PQ = Signal(matrix="bt2020", transfer="pq", primaries="bt2020")


def write_film(path, level):
    planes = tuple(
        np.full((8, width), c, np.uint16) for width, c in ((16, level), (8, 512), (8, 512))
    )
    write_clip(
        path, [planes], width=16, height=8, rate=Fraction(24), subsampling="422", bits=10,
        codec="ffv1", signal=PQ, overwrite=True,
    )  # fmt: skip


def write_plan(folder, renders):
    write_film(folder / "film.mkv", 400)
    write_film(folder / "other.mkv", 500)
    path = folder / "bench.toml"
    path.write_text(
        "[output]\nfigures = []\npage = false\n[sources.film]\nfile = 'film.mkv'\n"
        "[[captures]]\nfile = 'other.mkv'\nrole = 'loopback'\n" + renders
    )
    return path


def outcomes(path):
    results = run(read_plan(path))
    return results, [(one.name, one.state) for one in results.outcomes if one.step == "apply"]


@pytest.mark.long
def test_clips_are_rendered_and_kept_until_they_change(tmp_path):
    path = write_plan(
        tmp_path,
        "[[renders]]\nof = 'bt2446a'\nformat = 'mkv'\n"
        "[[renders]]\nof = 'bt2446a'\nfile = 'other.mkv'\nformat = 'tif'\nname = 'still'\n",
    )
    results, made = outcomes(path)
    assert made == [("film on bt2446a", "done"), ("still", "done")]
    with open_clip(results.folder / "renders" / "film on bt2446a.mkv") as clip:
        assert clip.signal.transfer == "bt1886"
    told = json.loads((results.folder / "renders" / "still.json").read_text(encoding="utf-8"))
    assert told["nodes"] is None
    assert [state for _, state in outcomes(path)[1]] == ["kept", "kept"]
    write_film(tmp_path / "film.mkv", 450)
    assert [state for _, state in outcomes(path)[1]] == ["done", "kept"]
    (results.folder / "renders" / "still.tif").write_bytes(b"cut")
    assert [state for _, state in outcomes(path)[1]] == ["kept", "done"]


@pytest.mark.parametrize(
    ("renders", "sentence"),
    [
        ("[[renders]]\nof = 'bt2446'\n", "there is no 'bt2446'"),
        ("[[renders]]\nof = 'bt2446a'\nsource = 'none'\n", "there is no source 'none'"),
        ("[[renders]]\nof = 'bt2446a'\nfile = 'gone.mkv'\n", "there is no file"),
        ("[[renders]]\nof = 'bt2446a'\nfile = 'other.mkv'\nsource = 'film'\n", "leave one of them"),
        ("[[renders]]\nof = 'bt2446a'\n" * 2, "state a name"),
        ("[[renders]]\nof = 'bt2446a'\ncodec = 'raw'\n", "codec"),
    ],
)
def test_mistakes_are_said_where_they_stand(renders, sentence, tmp_path):
    with pytest.raises(PlanError) as fault:
        read_plan(write_plan(tmp_path, renders))
    assert sentence in str(fault.value)
    assert "renders" in str(fault.value)
