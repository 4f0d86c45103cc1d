"""Tallying a pair without a chart: flat places of the source, by luma code and by colour."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from tonelab.media.clip import CHROMA_FACTORS
from tonelab.pairing.result import BLOCK
from tonelab.results.tallies import (
    CELL_BITS,
    CELLS,
    LEVEL_BITS,
    SCENES,
    TONE_BITS,
    Tallies,
)
from tonelab.tallies.frames import Census, cuts
from tonelab.tallies.kernels import add_samples, keep_flat, reduce_cells

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from numpy.typing import NDArray

    from tonelab.chart import Geometry
    from tonelab.media import Clip, Frame
    from tonelab.pairing import Pair
    from tonelab.signal.arrays import IntArray, Mask

    Sample: TypeAlias = NDArray[np.uint16]
    Where: TypeAlias = tuple[NDArray[np.intp], NDArray[np.intp]]

CHUNK_FRAMES = 192
HALF_FRAMES = 48  # source frames that are tallied, and held out, together

# 10-bit codes of luma and chroma between which a flat place stays. Where source and capture share
# their pixels, grain does no harm; where they do not, each pixel stands for its neighbours.
_FLAT = (20, 10)
_FLAT_RESAMPLED = (8, 8)
_SHARED = 0.1  # pixels by which places of shared pixels may differ
_NEUTRAL = 1  # 10-bit codes by which a neutral place may differ from grey; drives part beyond
_REACH = 3  # pixels of the coarser picture: no scaler or chroma filter in use reaches further


@dataclass(frozen=True, slots=True)
class ContentJob:
    """Matched frames to tally; small, picklable, and independent of every other job.

    Attributes
    ----------
    source, capture
        The clips; they hold no file open.
    matches
        Shape (N, 2): capture frames and source frames.
    fresh
        Shape (N,): whether the source frame is matched for the first time in the pair.
    geometry
        Of the capture, in pixels of the source.
    usable
        Blocks of the source that may be used.
    scenes
        Shape (N,): row of each match in the tables of scenes.
    """

    source: Clip
    capture: Clip
    matches: IntArray
    fresh: Mask
    geometry: Geometry
    usable: Mask
    scenes: IntArray

    @property
    def frames(self) -> IntArray:
        """Capture frames (N,) of the job, ascending."""
        return self.matches[:, 0]


@dataclass(frozen=True, slots=True)
class Places:
    """Where a capture shows the chroma cells of its source.

    Attributes
    ----------
    inside
        Shape (h, w) of the source's chroma planes: cells that both pictures hold.
    luma, chroma
        Rows (h,) and columns (w,) of the capture's planes that show each cell.
    reach
        Cells around a cell that must be as flat.
    limits
        10-bit codes between which luma and chroma of a flat place stay.
    """

    inside: Mask
    luma: tuple[IntArray, IntArray]
    chroma: tuple[IntArray, IntArray]
    reach: int
    limits: tuple[int, int]


def plan_content(pair: Pair, chunk_frames: int = CHUNK_FRAMES) -> Iterator[ContentJob]:
    """Split the matched frames into jobs."""
    assert pair.usable is not None
    assert pair.shots is not None
    scenes = (np.searchsorted(pair.shots, pair.matches[:, 1], side="right") - 1) % SCENES
    fresh = np.zeros(len(pair.matches), bool)
    fresh[np.unique(pair.matches[:, 1], return_index=True)[1]] = True
    for low, high in pairwise(cuts(pair.source, pair.matches[:, 1], chunk_frames)):
        yield ContentJob(
            pair.source,
            pair.capture,
            pair.matches[low:high],
            fresh[low:high],
            pair.geometry_capture,
            pair.usable,
            scenes[low:high],
        )


def run_content(job: ContentJob, codes: tuple[int, int]) -> Tallies:
    """Carry out one job."""
    tallies = Tallies.empty_content(codes)
    seen_census, shown_census = (
        Census(clip, tallies.tables[f"{side}_histogram"], tallies.tables[f"frame_digest_{side}"])
        for side, clip in (("capture", job.capture), ("source", job.source))
    )
    places = find_places(job)
    index, cells = -1, np.zeros((0, 3), np.uint16)
    rows: Mapping[str, IntArray] = {}
    where: Where = (np.zeros(0, np.int64), np.zeros(0, np.int64))
    for (shown, seen), fresh, scene in zip(_together(job), job.fresh, job.scenes, strict=True):
        if shown.index != index:
            index = shown.index
            rows_at, columns_at = np.nonzero(flat_cells(job.source, shown, places))
            where = rows_at, columns_at
            cells = _source_samples(job.source, shown, where)
            rows = _rows(job.source, cells, index)
        seen_census.add(seen.planes)
        seen_census.end(seen.index)
        if fresh:
            shown_census.add(shown.planes)
            shown_census.end(shown.index)
        captured = _capture_samples(seen, places, where)
        for name, row in rows.items():
            names = ("count", "sum_source", "sum_capture", "square_capture")
            add_samples(cells, captured, row, *(tallies.tables[f"{name}_{n}"] for n in names))
        _add_scene(tallies, job, shown, int(scene), (cells, captured, rows["tone"] >= 0))
    return tallies


def _add_scene(
    tallies: Tallies,
    job: ContentJob,
    shown: Frame,
    scene: int,
    samples: tuple[Sample, Sample, Mask],
) -> None:
    """Add a frame's light, and its neutral samples, to the tables of its scene."""
    levels, shift = 2**LEVEL_BITS, job.source.bits - LEVEL_BITS
    few = shown.planes[0][::4, ::4].ravel() >> shift
    tallies.tables["scene_light"][scene] += np.bincount(few, minlength=levels)
    source, capture = (side[samples[2], 0].astype(np.int64) for side in samples[:2])
    level = source >> shift
    for name, weight in (("count", None), ("sum_source", source), ("sum_capture", capture)):
        total = np.bincount(level, weight, levels)
        tallies.tables[f"scene_{name}"][scene] += np.rint(total).astype(np.int64)


def flat_samples(
    job: ContentJob, render: Callable[[Frame], Frame] | None = None
) -> Iterator[tuple[Sample, Sample, Sample | None]]:
    """Yield source and capture codes (N, 3) at the flat places of each matched frame.

    With them come the codes of what ``render`` makes of the source frame, in planes as the
    capture has them; None without it, and where the capture shows other pixels than the source.
    """
    places = find_places(job)
    if (job.source.width, job.source.height) != (job.capture.width, job.capture.height):
        render = None
    if render is not None and not _shares_pixels(job):
        render = None
    for shown, seen in _together(job):
        y, x = np.nonzero(flat_cells(job.source, shown, places))
        where = y, x
        made = None if render is None else _capture_samples(render(shown), places, where)
        yield _source_samples(job.source, shown, where), _capture_samples(seen, places, where), made


def _together(job: ContentJob) -> Iterator[tuple[Frame, Frame]]:
    """Yield source and capture frames that belong together."""
    shown = job.source.pick(np.unique(job.matches[:, 1]))
    current = next(shown)
    for seen, place in zip(job.capture.pick(job.frames), job.matches[:, 1], strict=True):
        while current.index < place:
            current = next(shown)
        yield current, seen


def find_places(job: ContentJob) -> Places:
    """Look up where the capture shows each cell; nearest samples, as flat places need no more."""
    factors = CHROMA_FACTORS[job.source.subsampling]
    there = CHROMA_FACTORS[job.capture.subsampling]
    luma, chroma, inside = [], [], []
    for axis, (own, other) in enumerate(
        ((job.source.width, job.capture.width), (job.source.height, job.capture.height))
    ):
        scale, offset = job.geometry.scale[axis], job.geometry.offset[axis]
        corner = np.arange(own // factors[axis]) * factors[axis]
        pixel = np.floor((corner + 0.5) * scale + offset).astype(np.int64)
        centre = (corner + factors[axis] / 2) * scale + offset
        sample = np.floor(centre / there[axis]).astype(np.int64)
        # Down scaling mixes more pixels of the source.
        margin = int(np.ceil(_REACH * max(1.0, scale)))
        inside.append((pixel >= margin) & (pixel < other - margin))
        luma.append(np.clip(pixel, 0, other - 1))
        chroma.append(np.clip(sample, 0, -(-other // there[axis]) - 1))
    rows = np.arange(job.source.height // factors[1]) * factors[1] // BLOCK
    columns = np.arange(job.source.width // factors[0]) * factors[0] // BLOCK
    usable = job.usable[np.ix_(rows, columns)]
    wide = _REACH * max(1.0, *(1 / scale for scale in job.geometry.scale))
    reach = int(np.ceil(wide / min(factors)))
    return Places(
        usable & inside[0] & inside[1][:, None],
        (luma[1], luma[0]),
        (chroma[1], chroma[0]),
        reach,
        _FLAT if _shares_pixels(job) else _FLAT_RESAMPLED,
    )


def _shares_pixels(job: ContentJob) -> bool:
    """Whether each pixel of the capture shows one pixel of the source."""
    offset, scale = np.array(job.geometry.offset), np.array(job.geometry.scale)
    ends = np.array([offset, offset + (scale - 1) * (job.source.width, job.source.height)])
    return bool(np.abs(ends - np.round(offset)).max() <= _SHARED)


def flat_cells(clip: Clip, frame: Frame, places: Places) -> Mask:
    """Cells (rows, columns) of a source frame around which no plane changes by many codes."""
    flat = places.inside.copy()
    for channel, plane in enumerate(frame.planes):
        factors = CHROMA_FACTORS[clip.subsampling] if channel == 0 else (1, 1)
        chroma = channel > 0 and clip.signal.matrix != "rgb"
        limit = _ten_bit_codes(places.limits[chroma], clip.bits)
        low, high = np.empty((2, *flat.shape), np.uint16)
        reduce_cells(plane, *factors, low, high)
        keep_flat(low, high, places.reach, limit, flat)
    return flat


def _ten_bit_codes(number: int, bits: int) -> int:
    """Return so many 10-bit codes in codes of some depth, whole ones that are no more."""
    return number << (bits - 10) if bits >= 10 else number >> (10 - bits)


def _source_samples(clip: Clip, frame: Frame, where: Where) -> Sample:
    y, x = where
    factor_x, factor_y = CHROMA_FACTORS[clip.subsampling]
    luma, cb, cr = frame.planes
    return np.stack([luma[y * factor_y, x * factor_x], cb[y, x], cr[y, x]], axis=1)


def _capture_samples(frame: Frame, places: Places, where: Where) -> Sample:
    y, x = where
    luma, cb, cr = frame.planes
    rows, columns = places.chroma[0][y], places.chroma[1][x]
    return np.stack(
        [luma[places.luma[0][y], places.luma[1][x]], cb[rows, columns], cr[rows, columns]], axis=1
    )


def _rows(clip: Clip, cells: Sample, frame: int) -> Mapping[str, IntArray]:
    """Rows of the tone and the cell tables of source samples (N, 3); -1 for none."""
    codes = cells.astype(np.int64)
    neutral = codes[:, :1] if clip.signal.matrix == "rgb" else 1 << (clip.bits - 1)
    near = (np.abs(codes[:, 1:] - neutral) <= _ten_bit_codes(_NEUTRAL, clip.bits)).all(axis=1)
    upper = codes >> (clip.bits - CELL_BITS)
    cell = (upper[:, 0] << 2 * CELL_BITS) | (upper[:, 1] << CELL_BITS) | upper[:, 2]
    half = frame // HALF_FRAMES % 2
    # Of fewer bits each code has its own row; deeper ones share one.
    tone = codes[:, 0] >> max(0, clip.bits - TONE_BITS)
    return {"tone": np.where(near, tone, -1), "cell": cell + half * CELLS}
