"""``tonelab check --captures`` on real files."""

from __future__ import annotations

import json
from fractions import Fraction

import jsonschema
import pytest
from two_captures import SDR, clip, sharpened

from tonelab.cli import main
from tonelab.media import write_clip
from tonelab.views.documents.differences import difference_schema


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    folder = tmp_path_factory.mktemp("captures")
    for name, options in {"a": {}, "b": {"change": sharpened}}.items():
        made = clip(name, **options)
        write_clip(
            folder / f"{name}.mkv", (frame.planes for frame in made.frames()), width=made.width,
            height=made.height, rate=Fraction(24), subsampling="422", bits=10, codec="ffv1",
            signal=SDR,
        )  # fmt: skip
    return str(folder / "a.mkv"), str(folder / "b.mkv")


@pytest.mark.long
def test_two_captures_are_held_against_each_other(files, tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    kept = tmp_path / "held.json"
    words = ["check", *files, "--captures", "--source", files[0], "-o", str(kept)]
    assert main([*words, "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document == json.loads(kept.read_text("utf-8"))
    jsonschema.validate(document, difference_schema())
    assert document["schema"] == "tonelab.difference"
    assert document["kind"] == "sharpness or scaling"
    assert {near["nearer"] for near in document["nearness"]} == {"first", "no difference shown"}


def test_the_sentence_comes_first_and_fits(files, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    assert main(["check", *files, "--captures", "--workers", "2"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("Only sharpness or scaling: B is sharper")
    assert max(map(len, lines)) <= 80


@pytest.mark.parametrize(
    ("words", "why"),
    [(["--source", "c.mkv"], "--source goes with --captures"),
     (["--captures", "--loopback", "c.mkv"], "do not go with --captures")],
)  # fmt: skip
def test_options_that_do_not_go_together_are_refused(words, why, capsys):
    assert main(["check", "a.mkv", "b.mkv", *words]) == 2
    assert why in capsys.readouterr().err
