"""Speed and memory, each figure against another way to do the same in the same run.

Run as ``python tests/benchmarks/run.py [FOLDER]``; the folder takes 2 GB of clips, which are kept
when it is named and can be used again.
"""

from __future__ import annotations

import os
import platform
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING

import av
import numpy as np
from clips import make_clips
from rivals import unpack, with_colour_science, with_tables

from tonelab.chart import Layout
from tonelab.measure import measure
from tonelab.media import open_clip, v210
from tonelab.pairing import pair
from tonelab.tallies.run import plan, run, tally

if TYPE_CHECKING:
    from collections.abc import Callable

    from tonelab.media import Clip
    from tonelab.pairing import Pair

HERE = Path(__file__).parent
CODES = (1024, 1024)


def versus(ours: Callable[[], object], theirs: Callable[[], object], times: int = 3) -> Row:
    """Least processor and wall seconds of two functions that take turns."""
    least = np.full((2, 2), np.inf)
    for _ in range(times):
        for which, function in enumerate((ours, theirs)):
            wall, processor = time.perf_counter(), time.process_time()
            function()
            taken = time.process_time() - processor, time.perf_counter() - wall
            least[which] = np.minimum(least[which], taken)
    return least


Row = np.ndarray


def say(row: str, what: str, ours: str, theirs: str, ratio: float) -> None:
    print(f"| {row} | {what} | {ours} | {theirs} | {ratio:.2f} |", flush=True)


def read(clip: Clip, frames: range) -> None:
    for _, strips in clip.strips(frames):
        for _ in strips:
            pass


def decode(path: Path, count: int) -> None:
    """Decode with the library alone, by threads across frames as tonelab does."""
    with av.open(str(path)) as container:
        container.streams.video[0].thread_type = "FRAME"
        for index, _ in enumerate(container.decode(video=0), 1):
            if index == count:
                break


def read_bytes(*paths: Path) -> None:
    block = bytearray(1 << 19)
    for path in paths:
        with path.open("rb", buffering=0) as file:
            while file.readinto(block):
                pass


def whole_pair(folder: Path, source: str, frames: int) -> Pair:
    """All frames matched, as those of a longer clip would be."""
    paired = pair(open_clip(folder / source), open_clip(folder / "capture.mov"))
    return replace(paired, matches=np.stack([np.arange(frames)] * 2, axis=1))


def reading(folder: Path, frames: int) -> None:
    for name in ("capture.mov", "source.mp4", "source.mkv"):
        path = folder / name
        clip = open_clip(path)
        (ours, _), (theirs, _) = versus(
            lambda c=clip: read(c, range(frames)), lambda p=path: decode(p, frames)
        )
        say(
            "a",
            f"reading {clip.codec} {clip.width}x{clip.height}, processor ms a frame; bare decoder",
            f"{1e3 * ours / frames:.1f}",
            f"{1e3 * theirs / frames:.1f}",
            theirs / ours,
        )


def tallying(folder: Path, frames: int) -> None:
    for name in ("source.mov", "source.mp4"):
        paired, paths = whole_pair(folder, name, frames), (folder / name, folder / "capture.mov")
        (cpu, ours), (cpu_both, both) = versus(
            lambda p=paired: tally(p, workers=2), lambda w=paths: decode_both(w, frames)
        )
        say(
            "b",
            f"tallying {name} and v210 in full with 2 workers, pairs/s; decoding both side by side",
            f"{frames / ours:.1f}",
            f"{frames / both:.1f}",
            both / ours,
        )
        say(
            "b",
            "the same in processor ms a pair, which others on the machine do not change",
            f"{1e3 * cpu / frames:.1f}",
            f"{1e3 * cpu_both / frames:.1f}",
            cpu_both / cpu,
        )
    paired = whole_pair(folder, "source.mov", frames)
    paths = (folder / "source.mov", folder / "capture.mov")
    (cpu, _), (bytes_cpu, _) = versus(lambda: tally(paired, workers=1), lambda: read_bytes(*paths))
    say(
        "b",
        "tallying a v210 pair, processor ms a pair; copying its bytes from the system's cache",
        f"{1e3 * cpu / frames:.1f}",
        f"{1e3 * bytes_cpu / frames:.1f}",
        bytes_cpu / cpu,
    )
    if hasattr(os, "posix_fadvise"):
        (_, ours), (_, theirs) = versus(
            lambda: (forget(*paths), tally(paired, workers=2)),
            lambda: (forget(*paths), read_bytes(*paths)),
        )
        say(
            "b",
            "tallying a v210 pair that no cache holds with 2 workers, pairs/s; reading its bytes",
            f"{frames / ours:.1f}",
            f"{frames / theirs:.1f}",
            theirs / ours,
        )


def forget(*paths: Path) -> None:
    """Drop files from the system's cache."""
    for path in paths:
        with path.open("rb") as file:
            os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)


def decode_both(paths: tuple[Path, Path], frames: int) -> None:
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(2) as threads:
        list(threads.map(lambda path: decode(path, frames), paths))


def rivals(folder: Path) -> None:
    paired = pair(open_clip(folder / "source.mov"), open_clip(folder / "capture.mov"))
    job = next(job for job in plan(paired) if job.side == "capture")
    few = slice(2, 6)
    job = replace(job, frames=job.frames[few], pages=job.pages[few])
    frame, page = int(job.frames[0]), int(job.pages[0])
    clip = paired.capture
    [picture] = clip.frames(frame, frame + 1)
    _, luma, chroma = job.windows[page]
    windows = luma, chroma, chroma
    stride = v210.stride_of(clip.width)
    words = np.zeros((clip.height, stride // 4), np.uint32)
    v210.pack(*picture.planes, words)
    one = replace(job, frames=job.frames[:1], pages=job.pages[:1])
    sums = with_tables(unpack(words, clip.width), windows)
    tables = run(one, CODES).tables
    rows = job.windows[page][0]
    assert np.array_equal(tables["patch_sum_capture"][rows].T, sums[0])
    count = len(job.frames)
    (ours, _), (theirs, _) = versus(
        lambda: run(job, CODES), lambda: with_tables(unpack(words, clip.width), windows)
    )
    say(
        "c",
        "one UHD v210 frame to exact tallies, processor ms; plain numpy tables (same sums)",
        f"{1e3 * ours / count:.1f}",
        f"{1e3 * theirs:.0f}",
        theirs / ours * count,
    )
    (ours, _), (theirs, _) = versus(
        lambda: run(job, CODES), lambda: with_colour_science(picture.planes, windows), 2
    )
    say(
        "c",
        "the same; colour-science and numpy histograms, unpacking not counted",
        f"{1e3 * ours / count:.1f}",
        f"{1e3 * theirs:.0f}",
        theirs / ours * count,
    )


def growth(folder: Path, frames: int) -> None:
    paired = whole_pair(folder, "source.mov", frames)
    half = replace(paired, matches=paired.matches[: frames // 2])
    (whole, _), (part, _) = versus(lambda: tally(paired, workers=1), lambda: tally(half, workers=1))
    say("d", "twice the frames, processor s", f"{whole:.2f}", f"{part:.2f}", whole / part)
    (_, two), (_, one) = versus(lambda: tally(paired, workers=2), lambda: tally(paired, workers=1))
    say("d", "2 threads; 1 thread, wall s", f"{two:.2f}", f"{one:.2f}", one / two)
    try:
        from distributed import LocalCluster

        from tonelab.tallies.cluster import cluster_executor
    except ImportError:
        return
    # A longer clip, so that four workers have something to share.
    long = replace(paired, matches=np.tile(paired.matches, (8, 1)))
    walls = {}
    for workers in (4, 1):
        with (
            LocalCluster(
                n_workers=workers, threads_per_worker=1, dashboard_address=":0"
            ) as cluster,
            cluster_executor(cluster.scheduler_address) as executor,
        ):
            tally(long, workers=executor)  # each worker loads its kernels
            begun = time.perf_counter()
            tally(long, workers=executor)
            walls[workers] = time.perf_counter() - begun
    say(
        "d",
        f"4 Dask workers; 1 Dask worker, wall s on {os.cpu_count()} cores",
        f"{walls[4]:.2f}",
        f"{walls[1]:.2f}",
        walls[1] / walls[4],
    )


def memory(folder: Path) -> None:
    for name in ("source.mov", "source.mp4"):
        for workers in (1, 2):
            found = []
            for times in (1, 6) if name == "source.mov" else (1,):
                words = [str(folder / name), str(folder / "capture.mov"), str(workers), str(times)]
                printed = subprocess.run(
                    [sys.executable, HERE / "memory.py", *words], check=True, stdout=-1, text=True
                ).stdout.split()
                found.append((int(printed[0]), int(printed[1]) / 1e6))
            say(
                "e",
                f"peak memory, {name}, workers: {workers}; MB at {found[-1][0]} and at "
                f"{found[0][0]} frames",
                f"{found[-1][1]:.0f}",
                f"{found[0][1]:.0f}",
                found[-1][1] / found[0][1],
            )


def starting(folder: Path) -> None:
    def command(*words: str) -> None:
        subprocess.run([sys.executable, *words], check=True, stdout=subprocess.DEVNULL)

    (_, ours), (_, bare) = versus(
        lambda: command("-m", "tonelab", "--help"), lambda: command("-c", "pass"), 5
    )
    say("g", "tonelab --help; bare interpreter, wall s", f"{ours:.2f}", f"{bare:.2f}", ours / bare)
    begun = time.perf_counter()
    measure(folder / "source.mov", folder / "capture.mov", device="bench")
    taken = time.perf_counter() - begun
    hashed = time.perf_counter()
    open_clip(folder / "capture.mov").sha256()
    hashed = time.perf_counter() - hashed
    say(
        "g",
        "measure of the UHD v210 pair in all, wall s; SHA-256 of one of its files",
        f"{taken:.1f}",
        f"{hashed:.1f}",
        taken / hashed,
    )


def facts() -> None:
    names = ("tonelab", "numpy", "numba", "av", "colour-science", "dask", "distributed")
    found = []
    for name in names:
        try:
            found.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            continue
    print(f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC; {os.cpu_count()} cores, {processor()};")
    print(f"Python {platform.python_version()}, {', '.join(found)}\n")


def processor() -> str:
    path = Path("/proc/cpuinfo")
    if path.is_file():
        for line in path.read_text().splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    return platform.processor() or platform.machine()


def main() -> None:
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(sys.argv[1] if len(sys.argv) > 1 else temporary)
        layout = Layout.create("quick", 3840, 2160, "pq", 1000, hold=4)
        if not (folder / "source.mp4").exists():
            make_clips(folder, layout)
        facts()
        print("| row | what | tonelab | the other | ratio |\n| --- | --- | --- | --- | --- |")
        reading(folder, layout.frame_count)
        rivals(folder)
        tallying(folder, layout.frame_count)
        growth(folder, layout.frame_count)
        memory(folder)
        starting(folder)


if __name__ == "__main__":
    main()
