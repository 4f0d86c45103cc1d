"""Running the kernels over a pair, frame by frame, in any number of chunks."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Executor, ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from tonelab.chart import sample_windows
from tonelab.tallies.content import ContentJob, plan_content, run_content
from tonelab.tallies.frames import digest, wanted
from tonelab.tallies.kernels import add_histogram, add_windows
from tonelab.tallies.tallies import Tallies

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tonelab.chart import Geometry, Layout
    from tonelab.media import Clip, Frame
    from tonelab.pairing import Pair
    from tonelab.tallies.tallies import IntArray

Progress = Callable[[int, int], None]

CHUNK_FRAMES = 96


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
    frames: NDArray[np.int64]
    pages: NDArray[np.int64]
    windows: Mapping[int, tuple[NDArray[np.int64], NDArray[np.int32], NDArray[np.int32]]]


def tally(
    pair: Pair,
    *,
    executor: Executor | None = None,
    workers: int = 2,
    progress: Progress | None = None,
) -> Tallies:
    """Reduce a pair to its tallies.

    Parameters
    ----------
    pair
        Registered source and capture.
    executor
        Where to run; by default threads on this machine (decoder and kernels release the lock).
    workers
        Number of threads when no executor is given.
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
    """
    codes = 2**pair.source.bits, 2**pair.capture.bits
    if pair.layout is None:
        jobs: list[Job | ContentJob] = list(plan_content(pair))
        merged = Tallies.empty_content(codes)
    else:
        jobs = list(plan(pair))
        merged = Tallies.empty(pair.layout.descriptor, len(pair.layout.patches.page), codes)
    total = sum(len(job.frames) for job in jobs)
    own = ThreadPoolExecutor(workers) if executor is None else None
    pool = own or executor
    assert pool is not None
    futures = {pool.submit(run, job, codes): job for job in jobs}
    done = 0
    try:
        for future in as_completed(list(futures)):
            # A result is let go as soon as it is merged, so that memory does not grow.
            job = futures.pop(future)
            merged += future.result()
            done += len(job.frames)
            if progress is not None:
                progress(done, total)
    except BaseException:
        for future in futures:
            future.cancel()
        raise
    finally:
        if own is not None:
            own.shutdown(cancel_futures=True)
    return merged


def plan(pair: Pair, chunk_frames: int = CHUNK_FRAMES) -> Iterator[Job]:
    """Split the usable frames of both clips of a chart into jobs."""
    matches, layout = pair.matches, pair.layout
    assert layout is not None
    page_of = np.array([layout.page_of(int(frame)) for frame in matches[:, 1]], np.int64)
    source_frames, first = np.unique(matches[:, 1], return_index=True)
    sides = (
        ("source", pair.source, pair.geometry_source, source_frames, page_of[first]),
        ("capture", pair.capture, pair.geometry_capture, matches[:, 0], page_of),
    )
    for side, clip, geometry, frames, pages in sides:
        windows = _windows_by_page(layout, clip, geometry)
        edges = [*range(0, len(frames), chunk_frames), len(frames)]
        for low, high in pairwise(edges):
            yield Job(
                side=side,
                clip=clip,
                layout=layout.descriptor,
                patches=len(layout.patches.page),
                frames=frames[low:high],
                pages=pages[low:high],
                windows={int(page): windows[int(page)] for page in np.unique(pages[low:high])},
            )


def run(job: Job | ContentJob, codes: tuple[int, int]) -> Tallies:
    """Carry out one job; the only function a worker needs."""
    if isinstance(job, ContentJob):
        return run_content(job, codes)
    tables = Tallies.empty(job.layout, job.patches, codes).tables
    for frame, page in zip(wanted(job.clip, job.frames), job.pages, strict=True):
        _add_frame(job, frame, int(page), tables)
    return Tallies(job.layout, tables)


def _add_frame(job: Job, frame: Frame, page: int, tables: Mapping[str, IntArray]) -> None:
    rows, luma, chroma = job.windows[page]
    side = job.side
    tables[f"frame_digest_{side}"] += digest(frame)
    if side == "capture":
        tables["patch_frames"][rows] += 1
    for channel, plane in enumerate(frame.planes):
        add_histogram(plane, tables[f"{side}_histogram"][channel])
        windows = luma if plane.shape == frame.planes[0].shape else chroma
        sums, squares, frame_squares = np.zeros((3, len(rows)), np.int64)
        add_windows(plane, windows, sums, squares, frame_squares)
        areas = (windows[:, 2] - windows[:, 0]) * (windows[:, 3] - windows[:, 1])
        tables[f"patch_count_{side}"][rows, channel] += areas
        tables[f"patch_sum_{side}"][rows, channel] += sums
        tables[f"patch_square_{side}"][rows, channel] += squares
        if side == "capture":
            tables["patch_frame_square_capture"][rows, channel] += frame_squares


def planes_hash(tallies: Tallies, side: str) -> str:
    """Return one hash of all decoded planes used of a side, whatever the order of the frames."""
    return tallies.tables[f"frame_digest_{side}"].astype(">i8").tobytes().hex()


def _windows_by_page(
    layout: Layout, clip: Clip, geometry: Geometry
) -> dict[int, tuple[NDArray[np.int64], NDArray[np.int32], NDArray[np.int32]]]:
    luma, chroma = sample_windows(layout, geometry, clip.subsampling)
    pages = layout.patches.page
    rows = {page: np.flatnonzero(pages == page) for page in range(len(layout.pages))}
    return {page: (index, luma[index], chroma[index]) for page, index in rows.items()}
