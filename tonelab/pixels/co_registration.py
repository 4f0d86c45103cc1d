"""Which pixels of a pair are co-registered: whole shifts, cut to what both sides share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tonelab.media.clip import CHROMA_FACTORS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tonelab.media import Clip
    from tonelab.pairing import Pair
    from tonelab.signal.arrays import IntArray, Plane, Planes

    Placement = tuple[tuple[float, float], tuple[float, float]]

_PLAIN = 0.5  # pixels between a relation that was found and a plainer one
_MOST_SHIFT = 0.25  # pixels of sub-pixel shift with which pixels are still co-registered
_SAME_PLACE = 0.05  # pixels of shift that are no resampling


@dataclass(frozen=True, slots=True)
class CoRegistration:
    """How the samples of a pair are co-registered.

    Attributes
    ----------
    shift
        Whole pixels (x, y) from source to capture; None if the picture was scaled.
    in_place
        Whether each captured pixel stands for one of the source.
    repeat
        Captured chroma samples (rows, columns) of each of the source; None where no samples of
        chroma are co-registered.
    factors
        Luma pixels (x, y) of a chroma sample, of source and capture.
    rgb
        Whether either side is R'G'B'.
    """

    shift: tuple[int, int] | None
    in_place: bool
    repeat: tuple[int, int] | None
    factors: tuple[tuple[int, int], tuple[int, int]]
    rgb: bool


def co_register(pair: Pair) -> CoRegistration:
    """Find how the samples of a pair are co-registered."""
    shift, clips = whole_shift(pair), (pair.source, pair.capture)
    apart = [abs(o - s) for o, s in zip(pair.facts.offset, shift or (), strict=False)]
    source, capture = (CHROMA_FACTORS[clip.subsampling] for clip in clips)
    across, down = (a / b for a, b in zip(source, capture, strict=True))
    co_registered = min(across, down) >= 1 and shift is not None
    return CoRegistration(
        shift=shift,
        in_place=shift is not None and max(apart) <= _SAME_PLACE,
        repeat=(int(down), int(across)) if co_registered else None,
        factors=(source, capture),
        rgb="rgb" in {clip.signal.matrix for clip in clips},
    )


def whole_shift(pair: Pair) -> tuple[int, int] | None:
    """Whole-pixel shift (x, y) at which pixels of both sides are co-registered; None if scaled."""
    scale, offset = pair.facts.scale, pair.facts.offset
    size = (pair.source.width, pair.source.height)
    stretch = max(abs(s - 1) * length for s, length in zip(scale, size, strict=True))
    shift = tuple(round(o) for o in offset)
    rest = max(abs(o - s) for o, s in zip(offset, shift, strict=True))
    return None if stretch > 0.5 or rest > 1 - _MOST_SHIFT else (shift[0], shift[1])


def plain_relation(pair: Pair) -> Placement:
    """Scale and offset, without fractions where the whole picture was scaled to the other size."""
    facts, source, capture = pair.facts, pair.source, pair.capture
    plain = capture.width / source.width, capture.height / source.height
    ends = [
        abs(offset + place * (scale - whole) * length)
        for scale, offset, whole, length in zip(
            facts.scale, facts.offset, plain, (source.width, source.height), strict=True
        )
        for place in (0, 1)
    ]
    whole = plain != (1.0, 1.0) and max(ends) < _PLAIN
    return (plain, (0.0, 0.0)) if whole else (facts.scale, facts.offset)


def chroma_relation(pair: Pair) -> Placement:
    """Scale and offset of the planes of chroma, which a scaler takes like any other plane.

    Rows stand where source and capture are said to have them.
    """
    scale, offset = plain_relation(pair)
    factors = [CHROMA_FACTORS[clip.subsampling] for clip in (pair.source, pair.capture)]
    up = [
        0.5 if clip.signal.siting == "topleft" and down > 1 else 0.0
        for clip, (_, down) in zip((pair.source, pair.capture), factors, strict=True)
    ]
    (a, down), (b, other) = factors
    y = offset[1] - scale[1] * up[0] + up[1]
    return (scale[0] * a / b, scale[1] * down / other), (offset[0] / b, y / other)


def ten_bits(clip: Clip, frames: IntArray) -> Iterator[Planes]:
    """Planes (rows, columns) of frames as 10-bit codes; deeper ones are rounded.

    ``frames`` (F,) are consecutive frame numbers, at least one.
    """
    for frame in clip.frames(int(frames[0]), int(frames[-1]) + 1):
        y, cb, cr = (_as_ten_bits(plane, clip.bits) for plane in frame.planes)
        yield y, cb, cr


def _as_ten_bits(plane: Plane, bits: int) -> Plane:
    if bits <= 10:
        return np.left_shift(plane, 10 - bits, dtype=np.uint16)
    half, top = 1 << (bits - 11), (1 << bits) - 1
    # The highest codes have none above them to be rounded to.
    rounded = np.minimum(plane, top - half) + np.uint16(half)
    return np.right_shift(rounded, bits - 10, dtype=np.uint16)


def pictures(clip: Clip, frames: IntArray) -> dict[int, Planes]:
    """Planes (rows, columns) of some frames as 10-bit codes, by number of the frame.

    ``frames`` (F,) are frame numbers in any order, at least one; each run of consecutive frames is
    read in one go.
    """
    wanted = np.unique(frames)
    runs = np.split(wanted, np.flatnonzero(np.diff(wanted) != 1) + 1)
    return {
        int(n): planes for run in runs for n, planes in zip(run, ten_bits(clip, run), strict=True)
    }


def overlap(
    source: Plane,
    capture: Plane,
    luma_shift: tuple[int, int] | None,
    shift: tuple[int, int],
    source_factors: tuple[int, int],
    capture_factors: tuple[int, int],
) -> tuple[Plane, Plane]:
    """Cut both planes down to what they share under a shift of luma pixels.

    Parameters
    ----------
    source, capture
        One plane (rows, columns) of each side.
    luma_shift
        None for chroma, which shares samples only under whole shifts of its own.
    shift
        Luma pixels (x, y) from source to capture.
    source_factors, capture_factors
        Luma pixels (x, y) of a chroma sample.

    Returns
    -------
    tuple of ndarray
        Views of both planes from the first shared sample on; of luma in one shape, of chroma up to
        the end of each plane, or empty where no samples are shared.
    """
    if luma_shift is not None:
        (sx, sy), (cx, cy) = shift, shift
    else:
        pairs = [
            *zip(shift, source_factors, strict=True),
            *zip(shift, capture_factors, strict=True),
        ]
        if any(s % factor for s, factor in pairs):
            return source[:0, :0], capture[:0, :0]
        sx, sy, cx, cy = (s // factor for s, factor in pairs)
    source = source[max(0, -sy) :, max(0, -sx) :]
    capture = capture[max(0, cy) :, max(0, cx) :]
    if luma_shift is not None:
        rows, columns = (min(n) for n in zip(source.shape, capture.shape, strict=True))
        return source[:rows, :columns], capture[:rows, :columns]
    return source, capture
