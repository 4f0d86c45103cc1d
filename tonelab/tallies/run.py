"""Running the kernels over a pair, frame by frame, in any number of chunks."""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from tonelab.chart import sample_windows
from tonelab.results.tallies import Tallies
from tonelab.tallies.content import ContentJob, plan_content, run_content
from tonelab.tallies.frames import Census, cuts
from tonelab.tallies.kernels import add_windows
from tonelab.tallies.workers import carry_out, default_workers

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from tonelab.chart import Geometry, Layout
    from tonelab.media import Clip
    from tonelab.media.clip import Strip
    from tonelab.pairing import Pair
    from tonelab.results.progress import Progress
    from tonelab.signal.arrays import IntArray
    from tonelab.tallies.workers import Workers

CHUNK_FRAMES = 48


@dataclass(frozen=True, slots=True)
class Job:
    """Frames of one clip to tally; small, picklable, and independent of every other job.

    A clip holds no file open, so that it travels to a worker as it is. ``frames`` and ``pages``
    have equal length; ``windows`` holds for each page the patch rows and their luma and chroma
    windows in the picture.
    """

    side: str
    clip: Clip
    layout: int
    patches: int
    frames: IntArray
    pages: IntArray
    windows: Mapping[int, tuple[IntArray, NDArray[np.int32], NDArray[np.int32]]]


def tally(
    pair: Pair,
    *,
    workers: Workers | None = None,
    progress: Progress | None = None,
) -> Tallies:
    """Reduce a pair to its tallies.

    Parameters
    ----------
    pair
        Registered source and capture.
    workers
        A number of threads (reading, decoding and counting release the lock); or any executor, or
        a function that makes one, see `tonelab.tallies.workers.carry_out`. By default a thread for
        each core.
    progress
        Called with (frames done, frames in all).

    Returns
    -------
    Tallies
        The same bits for every executor, number of workers and split of the frames.

    Raises
    ------
    ClipError
        When a clip cannot be decoded to its end.
    WorkerError
        When workers keep dying.
    """
    codes = 2**pair.source.bits, 2**pair.capture.bits
    jobs: Sequence[Job | ContentJob]
    if pair.layout is None:
        jobs = list(plan_content(pair))
        merged = Tallies.empty_content(codes)
    else:
        jobs = plan(pair)
        merged = Tallies.empty(pair.layout.descriptor, len(pair.layout.patches.page), codes)
    total = sum(len(job.frames) for job in jobs)
    done = 0
    parts = carry_out(partial(run, codes=codes), jobs, workers or default_workers())
    with closing(parts):  # an interruption ends the work at once
        for job, part in parts:
            merged += part
            done += len(job.frames)
            if progress is not None:
                progress(done, total)
    return merged


def plan(pair: Pair, chunk_frames: int = CHUNK_FRAMES) -> list[Job]:
    """Split the usable frames of both clips of a chart into jobs.

    Those of the two clips alternate, so that all files are read from beginning to end.
    """
    matches, layout = pair.matches, pair.layout
    assert layout is not None
    page_of = np.array([layout.page_of(int(frame)) for frame in matches[:, 1]], np.int64)
    source_frames, first = np.unique(matches[:, 1], return_index=True)
    sides = (
        ("source", pair.source, pair.geometry_source, source_frames, page_of[first]),
        ("capture", pair.capture, pair.geometry_capture, matches[:, 0], page_of),
    )
    jobs: list[tuple[float, Job]] = []
    for side, clip, geometry, frames, pages in sides:
        windows = _windows_by_page(layout, clip, geometry)
        for low, high in pairwise(cuts(clip, frames, chunk_frames)):
            job = Job(
                side=side,
                clip=clip,
                layout=layout.descriptor,
                patches=len(layout.patches.page),
                frames=frames[low:high],
                pages=pages[low:high],
                windows={int(page): windows[int(page)] for page in np.unique(pages[low:high])},
            )
            jobs.append((low / len(frames), job))
    return [job for _, job in sorted(jobs, key=lambda item: item[0])]


def run(job: Job | ContentJob, codes: tuple[int, int]) -> Tallies:
    """Carry out one job; the only function a worker needs."""
    if isinstance(job, ContentJob):
        return run_content(job, codes)
    tables = Tallies.empty(job.layout, job.patches, codes).tables
    census = Census(job.clip, tables[f"{job.side}_histogram"], tables[f"frame_digest_{job.side}"])
    for (index, strips), page in zip(job.clip.strips(job.frames), job.pages, strict=True):
        _add_frame(job, strips, int(page), census, tables)
        census.end(index)
    return Tallies(job.layout, tables)


def _add_frame(
    job: Job, strips: Iterator[Strip], page: int, census: Census, tables: Mapping[str, IntArray]
) -> None:
    rows, luma, chroma = job.windows[page]
    windows, side = (luma, chroma, chroma), job.side
    sums, squares = np.zeros((2, 3, len(rows)), np.int64)
    for strip in strips:
        census.add(strip.planes, strip.tops)
        for channel, (plane, top) in enumerate(zip(strip.planes, strip.tops, strict=True)):
            add_windows(plane, top, windows[channel], sums[channel], squares[channel])
    for channel, (x0, y0, x1, y1) in enumerate(w.T for w in windows):
        tables[f"patch_count_{side}"][rows, channel] += (x1 - x0) * (y1 - y0)
        tables[f"patch_sum_{side}"][rows, channel] += sums[channel]
        tables[f"patch_square_{side}"][rows, channel] += squares[channel]
        if side == "capture":
            tables["patch_frame_square_capture"][rows, channel] += sums[channel] ** 2
    if side == "capture":
        tables["patch_frames"][rows] += 1


def planes_hash(tallies: Tallies, side: str) -> str:
    """Return one hash of all decoded planes used of a side, whatever the order of the frames."""
    return tallies.tables[f"frame_digest_{side}"].astype(">i8").tobytes().hex()


def _windows_by_page(
    layout: Layout, clip: Clip, geometry: Geometry
) -> dict[int, tuple[IntArray, NDArray[np.int32], NDArray[np.int32]]]:
    luma, chroma = sample_windows(layout, geometry, clip.subsampling)
    pages = layout.patches.page
    rows = {page: np.flatnonzero(pages == page) for page in range(len(layout.pages))}
    return {page: (index, luma[index], chroma[index]) for page, index in rows.items()}
