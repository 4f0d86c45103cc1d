"""Time: from the frame numbers read in a capture to matches, and what was left out and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from tonelab.pairing.cadence import follow_order

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tonelab.pairing.cadence import Order
    from tonelab.signal.arrays import IntArray

Reason: TypeAlias = Literal["unreadable", "blended", "other chart"]


@dataclass(frozen=True, slots=True)
class FrameReading:
    """What the marks of one captured frame say: a source frame number, or why there is none."""

    number: int = -1
    reason: Reason | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Timing:
    """The matches of a capture.

    Attributes
    ----------
    matches
        Shape (N, 2): capture frame, source frame, both as indices into their clips.
    left_out
        Captured frames left out, by the reasons of `FrameReading` and: ``beyond source``,
        ``page change``, ``settling``.
    order
        How far the captured frames follow the source in time.
    """

    matches: IntArray
    left_out: Mapping[str, int]
    order: Order

    @property
    def dropped(self) -> int:
        """Source frames passed over beyond what the rates ask for."""
        return self.order.dropped

    @property
    def repeated(self) -> int:
        """Captured frames shown once more beyond what the rates ask for; they stay in use."""
        return self.order.repeated


def settle_frames(hold: int, rate: float) -> int:
    """Frames after a page change in which a device may still adapt: a quarter page, at most 2 s."""
    return max(1, min(hold // 4, round(2 * rate)))


def match_frames(
    readings: Sequence[FrameReading],
    *,
    hold: int,
    source_frames: int,
    settle: int,
    ratio: float = 1.0,
) -> Timing:
    """Match captured frames with source frames.

    Parameters
    ----------
    readings
        One for each captured frame, in order.
    hold
        Frames of a page in the chart.
    source_frames
        Frames of the source.
    settle
        Frames of a page to leave out after it appears.
    ratio
        Captured frames per source frame by the rates of both.

    Returns
    -------
    Timing
        First and last captured frame of each showing of a page are left out as ``page change``:
        a device or a capture may have mixed them with the neighbouring page.
    """
    number = np.array([reading.number for reading in readings], np.int64)
    reason = np.array([reading.reason or "" for reading in readings], object)
    reason[(reason == "") & (number >= source_frames)] = "beyond source"

    shown = np.flatnonzero(reason == "")
    step = np.diff(number[shown])

    page = number[shown] // hold
    turn = (np.diff(page) != 0) | (step < 0)
    if len(shown):
        reason[shown[number[shown] % hold < settle]] = "settling"
        reason[shown[np.r_[True, turn]]] = "page change"
        reason[shown[np.r_[turn, True]]] = "page change"
    used = np.flatnonzero(reason == "")
    names, counts = np.unique(reason[reason != ""].astype(str), return_counts=True)
    return Timing(
        matches=np.stack([used, number[used]], axis=1),
        left_out={str(name): int(n) for name, n in zip(names, counts, strict=True)},
        order=follow_order(shown, number[shown], ratio),
    )
