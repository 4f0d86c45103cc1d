"""Speed and memory of a check of 20 s in 1080p against decoding the same two clips.

Run as ``python tests/benchmarks/checks.py``; it prints rows of the same table as ``run.py``. The
folder for its clips takes 3 GB for a while. ``python tests/benchmarks/checks.py minutes 10`` holds
the memory for pictures of so many minutes against that for one (10 GB, and half an hour).
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

from clips import RATE, as_422, grainy, write_hevc
from memory import peak

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "making"))

import natural

from tonelab.chart import Layout, chart_signal
from tonelab.checks import check
from tonelab.media import open_clip, write_clip
from tonelab.signal.description import Signal

if TYPE_CHECKING:
    from collections.abc import Callable

SECONDS = (5, 20)
PICTURES = Signal("bt2020", "narrow", "pq", "bt2020", siting="topleft")


def layout_of(seconds: int) -> Layout:
    plain = Layout.create("quick", 1920, 1080, "pq", 1000, hold=4)
    hold = max(4, round(seconds * RATE / (plain.frame_count / 4)))
    return Layout.create("quick", 1920, 1080, "pq", 1000, hold=hold)


def make(folder: Path, seconds: int) -> None:
    folder.mkdir()
    layout = layout_of(seconds)
    write_hevc(folder / "source.mp4", layout)
    write_clip(
        folder / "capture.mov",
        map(as_422, grainy(layout)),
        width=1920,
        height=1080,
        rate=RATE,
        subsampling="422",
        bits=10,
        codec="v210",
        signal=chart_signal(layout),
    )


def make_pictures(folder: Path, minutes: float) -> None:
    """Moving pictures without a chart, at a quarter of 1080p each way."""
    folder.mkdir()
    width, height = natural.SIZE
    for name, as_sent in (("source.mkv", tuple), ("capture.mov", as_422)):
        write_clip(
            folder / name,
            (as_sent(natural.planes(1, n)) for n in range(round(60 * minutes * RATE))),
            width=width,
            height=height,
            rate=RATE,
            subsampling="420" if name == "source.mkv" else "422",
            bits=10,
            codec="ffv1" if name == "source.mkv" else "v210",
            signal=PICTURES,
        )


def decode(folder: Path) -> int:
    """Decode both clips, and hash them as a check does."""
    count = 0
    for path in sorted(folder.iterdir()):
        with open_clip(path) as clip:
            clip.sha256()
            count = sum(1 for _ in clip.frames())
    return count


def timed(function: Callable[[], object]) -> tuple[float, float]:
    wall, processor = time.perf_counter(), time.process_time()
    function()
    return time.perf_counter() - wall, time.process_time() - processor


def measured(folder: Path) -> None:
    """Print frames, wall and processor seconds of a check and of decoding, and the peak memory."""
    capture, source = sorted(folder.iterdir())
    checked = timed(
        lambda: check(source, capture, source_signal={"transfer": "pq", "matrix": "bt2020"})
    )
    most = peak()
    print(decode(folder), *checked, *timed(lambda: decode(folder)), most)


def in_minutes(minutes: float) -> None:
    """Print a row of the memory that pictures of so many minutes take, and of one minute."""
    rows = []
    with tempfile.TemporaryDirectory() as name:
        for number, length in enumerate((1.0, minutes)):
            folder = Path(name) / str(number)
            make_pictures(folder, length)
            words = [sys.executable, __file__, str(folder)]
            out = subprocess.run(words, check=True, stdout=subprocess.PIPE, text=True).stdout
            frames, *_, most = map(float, out.split())
            rows.append((int(frames), most / 1e6))
    (few, less), (many, more) = rows
    print(
        f"| h | peak memory of a check of pictures, MB at {many} and at {few} frames | "
        f"{more:.0f} | {less:.0f} | {more / less:.2f} |"
    )


def main() -> None:
    memory = []
    with tempfile.TemporaryDirectory() as name:
        for seconds in SECONDS:
            folder = Path(name) / str(seconds)
            make(folder, seconds)
            words = [sys.executable, __file__, str(folder)]
            out = subprocess.run(words, check=True, stdout=subprocess.PIPE, text=True).stdout
            frames, *figures, most = map(float, out.split())
            memory.append((int(frames), most / 1e6))
    wall, processor, decode_wall, decode_processor = figures
    print(
        f"| h | check of {frames:.0f} frames of 1080p, HEVC and v210; decoding and hashing both, "
        f"wall s (processor s) | {wall:.1f} ({processor:.1f}) | {decode_wall:.1f} "
        f"({decode_processor:.1f}) | {wall / decode_wall:.2f} |"
    )
    (few, less), (many, more) = memory
    print(
        f"| h | peak memory of a check, MB at {many} and at {few} frames | {more:.0f} | "
        f"{less:.0f} | {more / less:.2f} |"
    )


if __name__ == "__main__":
    if sys.argv[1:2] == ["minutes"]:
        in_minutes(float(sys.argv[2]))
    elif len(sys.argv) > 1:
        measured(Path(sys.argv[1]))
    else:
        main()
