"""Readers of clips: which is asked first, and one of a third party."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from plugged import run_with_package

from tonelab.media import READERS
from tonelab.media.readers import Asked, reader_of

if TYPE_CHECKING:
    from pathlib import Path

# An invented format: a line of text "DOTS width height", then one byte for each grey pixel.
DOTS = """
from fractions import Fraction

import numpy as np

from tonelab.media import READERS, Clip, ClipFormat, Frame
from tonelab.signal.description import Signal


class Dots(Clip):
    def __init__(self, path):
        head, self.samples = path.read_bytes().split(b"\\n", 1)
        width, height = map(int, head.split()[1:])
        format_ = ClipFormat("dots", "dots", width, height, Fraction(1), "444", 8)
        super().__init__(path, format_, 1, Signal(matrix="rgb", range="full", bits=8))

    def frames(self, start=0, stop=None):
        grey = np.frombuffer(self.samples, np.uint8).reshape(self.height, self.width)
        if start == 0:
            yield Frame(0, (grey.astype(np.uint16),) * 3)


@READERS.register(
    "dots",
    label="dots",
    source="an example",
    takes=lambda asked: asked.suffix == ".dots",
)
def read_dots(asked):
    return Dots(asked.path)
"""

LOOK = """
import contextlib, io
from tonelab.__main__ import run
from tonelab.media import open_clip

with open_clip({path!r}) as clip:
    (frame,) = clip.frames()
    assert frame.planes[1].tolist() == [[10, 20, 30], [40, 50, 60]], frame.planes
    assert (clip.codec, clip.width, clip.height) == ("dots", 3, 2)
shown = io.StringIO()
with contextlib.redirect_stdout(shown), contextlib.suppress(SystemExit):
    sys.argv = ["tonelab", "inspect", {path!r}]
    run()
assert "dots" in shown.getvalue() and "3 × 2" in shown.getvalue(), shown.getvalue()
"""


def test_a_third_party_opens_an_invented_format_through_an_entry_point(tmp_path: Path) -> None:
    path = tmp_path / "picture.dots"
    path.write_bytes(b"DOTS 3 2\n" + bytes([10, 20, 30, 40, 50, 60]))
    result = run_with_package(tmp_path, DOTS, LOOK.format(path=str(path)), ("readers",))
    assert result.returncode == 0, result.stderr


def test_without_that_package_the_format_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "picture.dots"
    path.write_bytes(b"DOTS 3 2\n" + bytes([10, 20, 30, 40, 50, 60]))
    use = """
    from tonelab.errors import ClipError
    from tonelab.media import open_clip
    try:
        open_clip({path!r})
    except ClipError as error:
        print(error)
    """.replace("{path!r}", repr(str(path)))
    result = run_with_package(tmp_path, "", use, ())
    assert "is not a video that can be read" in result.stdout, result.stderr


@pytest.mark.parametrize(
    ("name", "reader"),
    [
        ("still.PNG", "pictures"),
        ("shot.####.dpx", "pictures"),
        ("bare.v210", "bare-v210"),
        ("planes.YUV", "planar"),
        ("planes.raw", "planar"),
    ],
)
def test_names_choose_the_reader_before_any_file_is_opened(
    tmp_path: Path, name: str, reader: str
) -> None:
    if "#" in name:
        (tmp_path / "shot.0001.dpx").write_bytes(b"x")
    with Asked(tmp_path / name, {}) as asked:
        assert reader_of(asked).name == reader


def test_readers_that_look_into_the_file_come_after_those_that_go_by_its_name() -> None:
    turns = {name: reader.turn for name, reader in READERS.items()}
    assert max(turns["pictures"], turns["bare-v210"], turns["planar"]) < turns["v210"]
    assert turns["v210"] < turns["decoded"] == max(turns.values())
