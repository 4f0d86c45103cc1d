"""What stands over the picture: pointers, logos, menus; found by place and size."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from tonelab.pairing.counting import number
from tonelab.pairing.registration import resample
from tonelab.pairing.thumbnails import RoughTone
from tonelab.results import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tonelab.pairing.registration import Relation
    from tonelab.signal.arrays import Mask, Picture

_FIXED = 4.0  # 10-bit codes by which a cover may vary
_MOVING = 24.0  # 10-bit codes by which the picture under it must have varied
_GAP = 5  # pixels between parts of one cover, as between its outline and its inside
_LEAST_AREA, _LEAST_SIDE = 48, 5  # pixels of a cover, and of the shorter side of its rectangle
_FILLED = 0.25  # share of its rectangle
_RIM = 2  # pixels around it that a filter may have mixed with it
_LISTED = 3  # covers that are listed one by one


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle of the captured picture in pixels: left, top, width, height."""

    x: int
    y: int
    width: int
    height: int

    @property
    def edges(self) -> tuple[int, int, int, int]:
        """Left, top, right and bottom with a rim, ends excluded."""
        right, bottom = self.x + self.width + _RIM, self.y + self.height + _RIM
        return max(0, self.x - _RIM), max(0, self.y - _RIM), right, bottom

    def __str__(self) -> str:
        """Return size and place for a sentence."""
        return f"{self.width} x {self.height} pixels at ({self.x}, {self.y})"


def still_covers(
    pairs: Sequence[tuple[Picture, Picture]], relation: Relation, clear: Mask
) -> tuple[Box, ...]:
    """Find what stands still over a picture that changes, the largest first.

    What lies over content that itself stands still is not seen.

    Parameters
    ----------
    pairs
        Source and capture pictures of the same moments, luma (height, width) in 10-bit codes; the
        captures have the shape of ``clear``.
    relation
        Where the source's pixels lie in the capture.
    clear
        Where the captures show the picture and no bars.
    """
    size = clear.shape[1], clear.shape[0]
    low, low_seen, low_due = np.full((3, *clear.shape), np.inf, np.float32)
    high, high_seen, high_due = np.full((3, *clear.shape), -np.inf, np.float32)
    for source, capture in pairs:
        shown = resample(source, relation, size)
        few = (slice(None, None, 4), slice(None, None, 4))
        tone = RoughTone.fit(shown[few][clear[few]], capture[few][clear[few]], 64)
        for least, most, picture in (
            (low, high, shown), (low_seen, high_seen, capture), (low_due, high_due, tone(shown)),
        ):  # fmt: skip
            np.minimum(least, picture, out=least)
            np.maximum(most, picture, out=most)
    # A clipped highlight stands still as well, but the curve says that it will.
    varies = (high - low >= _MOVING) & (high_due - low_due >= _MOVING)
    fixed = (high_seen - low_seen <= _FIXED) & varies & clear
    return tuple(_boxes(fixed))


def _boxes(fixed: Mask) -> Iterator[Box]:
    """Yield the rectangles of connected places that are large and full enough."""
    joined = ndimage.binary_closing(fixed, np.ones((_GAP, _GAP), bool))
    labels, _ = ndimage.label(joined)
    area = np.bincount(labels.ravel(), fixed.ravel())[1:]
    places = ndimage.find_objects(labels)
    for n in np.argsort(-area, kind="stable"):
        rows, columns = places[n]
        height, width = rows.stop - rows.start, columns.stop - columns.start
        large = area[n] >= _LEAST_AREA and min(height, width) >= _LEAST_SIDE
        if large and area[n] >= _FILLED * height * width:
            yield Box(columns.start, rows.start, width, height)


def cover_findings(covers: Sequence[Box], pixels: int) -> Iterator[Finding]:
    """Say what stands still over a picture of so many pixels, if anything does."""
    if not covers:
        return
    listed = ", ".join(map(str, covers[:_LISTED]))
    if len(covers) > _LISTED:
        listed += f" and {number(len(covers) - _LISTED, 'other place')}"
    covered = sum(box.width * box.height for box in covers)
    yield Finding(
        "static-overlay",
        "warning",
        f"Something stands still over the picture, such as a pointer, a menu or a logo: {listed}; "
        "what it covers was left out.",
        value=float(covered),
        unit="pixels",
        threshold=0.0,
        count=pixels,
        decided_by="a capture with the device's menus, pointers and logos off",
    )
