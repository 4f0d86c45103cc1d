"""How codes map one by one: every sample of one frame of each burst."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.pixels.picking import CHROMA_REACH, CODES, span
from tonelab.pixels.tables import PIXEL_TABLES, Table

if TYPE_CHECKING:
    from tonelab.pixels.bursts import Burst, View
    from tonelab.pixels.tables import Added
    from tonelab.signal.arrays import IntArray, Mask, Plane


@PIXEL_TABLES.register(
    "codes",
    label="source codes with the capture codes they become",
    tables=(
        Table(
            "joint", (3, CODES, CODES),
            "samples by plane, source code and capture code; chroma only where both sides have "
            "samples in the same place, or the source is flat",
        ),
        Table(
            "same", (3, 2, 2),
            "by plane, and where the source is flat or not: co-registered samples, and how many "
            "of them are identical",
        ),
    ),
    when="Where pixels are co-registered; luma of content that was scaled, or moved by parts of a "
    "pixel, against the source's as the scaler makes it.",
    cost=76,
)  # fmt: skip
def codes(burst: Burst) -> Added:
    """Count the codes that are co-registered in the last frame."""
    joint = np.zeros((3, CODES, CODES), np.int64)
    same = np.zeros((3, 2, 2), np.int64)
    for plane in range(3):
        view = burst.co_registered if plane or burst.chart else burst.shown
        if view is None:
            continue
        one, other = view.source[plane], view.capture[plane]
        if one.shape == other.shape:
            same[plane] = _identical(one, other)
        if plane == 0:
            joint[0] = _joint(one, other, view.mask)
        elif burst.co_registration.repeat is not None and one.size:
            joint[plane] = _joint(*_repeated(view, plane, burst.co_registration.repeat))
    return {"joint": joint, "same": same}


def _identical(one: Plane, other: Plane) -> IntArray:
    flat, same = span(one, CHROMA_REACH) == 0, one == other
    whole = np.array([flat.size, np.count_nonzero(same)], np.int64)
    even = np.array([np.count_nonzero(flat), np.count_nonzero(flat & same)], np.int64)
    return np.stack([even, whole - even])


def _repeated(view: View, plane: int, repeat: tuple[int, int]) -> tuple[Plane, Plane, Mask]:
    """Chroma of both sides in the capture's size, and which samples may be used."""
    across, down = view.factors
    one, other, wanted = view.source[plane], view.capture[plane], view.mask[::down, ::across]
    rows, columns = (min(n) for n in zip(one.shape, wanted.shape, strict=True))
    one, wanted = one[:rows, :columns], wanted[:rows, :columns]
    if repeat != (1, 1):
        wanted = wanted & (span(one, 1) == 0)
        one = one.repeat(repeat[0], 0).repeat(repeat[1], 1)
        wanted = wanted.repeat(repeat[0], 0).repeat(repeat[1], 1)
    rows, columns = (min(n) for n in zip(one.shape, other.shape, wanted.shape, strict=True))
    return one[:rows, :columns], other[:rows, :columns], wanted[:rows, :columns]


def _joint(one: Plane, other: Plane, wanted: Mask) -> IntArray:
    key = one[wanted].astype(np.int64)
    key *= CODES
    key += other[wanted]
    return np.bincount(key, minlength=CODES * CODES).reshape(CODES, CODES)
