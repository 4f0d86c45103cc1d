"""What stands over the picture: pointers, logos, menus; found by place and size."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from tonelab.pairing.registration import resample
from tonelab.pairing.thumbnails import RoughTone
from tonelab.results import Finding
from tonelab.results.findings import number

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tonelab.pairing.registration import Relation
    from tonelab.signal.arrays import FloatArray, Mask, Picture

_FIXED = 4.0  # 10-bit codes by which a cover may vary
_MOVING = 24.0  # 10-bit codes by which the picture under it must have varied
_GAP = 5  # pixels between parts of one cover, as between its outline and its inside
_LEAST_AREA, _LEAST_SIDE = 48, 5  # pixels of a cover, and of the shorter side of its rectangle
_FILLED = 0.25  # share of its rectangle
_RIM = 2  # pixels around it that a filter may have mixed with it
_STRANGE, _OF_CONTRAST = 60.0, 0.5  # codes, and share of contrast, that a path hardly changes
_LARGEST, _CANDIDATES = 0.02, 8  # share of the picture, and number a moment, of what may move
_REACH, _ALIKE = 6, 8.0  # pixels around a candidate; codes by which it may look otherwise
_LEAST_MOMENTS = 3  # in which it must be found
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

    @property
    def size(self) -> int:
        """Pixels in it."""
        return self.width * self.height

    @property
    def part(self) -> tuple[slice, slice]:
        """Rows and columns of it."""
        return slice(self.y, self.y + self.height), slice(self.x, self.x + self.width)

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


def moving_covers(
    pairs: Sequence[tuple[Picture, Picture]],
    relation: Relation,
    clear: Mask,
    still: Sequence[Box] = (),
) -> tuple[Box, ...]:
    """Find what moves over a picture: the same in several moments, whatever lies under it.

    Parameters
    ----------
    pairs, relation, clear
        See `still_covers`.
    still
        What stands still there, and is known.

    Returns
    -------
    tuple of Box
        Where it is, one for each moment in which it was found; none unless there are three.
    """
    moments = []
    for source, capture in pairs:
        shown = resample(source, relation, (clear.shape[1], clear.shape[0]))
        few = (slice(None, None, 4), slice(None, None, 4))
        tone = RoughTone.fit(shown[few][clear[few]], capture[few][clear[few]], 64)
        due = tone(shown)
        # Detail that was filtered or stands a little aside differs by a part of its contrast.
        contrast = ndimage.maximum_filter(due, _GAP) - ndimage.minimum_filter(due, _GAP)
        strange = (np.abs(capture - due) > _STRANGE + _OF_CONTRAST * contrast) & clear
        for box in still:
            left, top, right, bottom = box.edges
            strange[top:bottom, left:right] = False
        small = (box for box in _boxes(strange) if box.size < _LARGEST * clear.size)
        moments.append((capture, due, list(islice(small, _CANDIDATES))))
    for n, (seen, due, boxes) in enumerate(moments):
        for box in boxes:
            look, under = seen[box.part], due[box.part]
            # A flat place looks like any other of its level, as colours of a conversion do.
            if look.std() <= _ALIKE:
                continue
            found = [box]
            for other, predicted, candidates in moments[:n] + moments[n + 1 :]:
                places = (_same_look(look, other, one) for one in candidates)
                for place in places:
                    if place is None:
                        continue
                    if np.abs(predicted[place.part] - under).mean() > _MOVING:
                        found.append(place)
                        break
            moved = [max(abs(one.x - box.x), abs(one.y - box.y)) > _REACH for one in found]
            if sum(moved) + 1 >= max(_LEAST_MOMENTS, len(moments) // 2):
                return tuple(found)
    return ()


def _same_look(look: Picture, seen: Picture, near: Box) -> Box | None:
    """Find a part of a picture that looks the same, near a candidate; None for none."""
    height, width = look.shape
    top, left = max(near.y - _REACH, 0), max(near.x - _REACH, 0)
    around = seen[top : near.y + _REACH + height, left : near.x + _REACH + width]
    if around.shape[0] < height or around.shape[1] < width:
        return None
    best, place = _ALIKE, None
    # Parts of other means are further apart than their means are: few need to be looked at.
    least = np.abs(_sums(around, height, width) - look.sum(dtype=np.float64)) / look.size
    for y, x in np.argwhere(least < best).tolist():
        if least[y, x] < best:
            apart = float(np.abs(around[y : y + height, x : x + width] - look).mean())
            if apart < best:
                best, place = apart, Box(left + x, top + y, width, height)
    return place


def _sums(picture: Picture, height: int, width: int) -> FloatArray:
    """Sum every part of that size, by where its first row and column are."""
    total = np.pad(np.cumsum(np.cumsum(picture, 0, np.float64), 1), ((1, 0), (1, 0)))
    across: FloatArray = total[:, width:] - total[:, :-width]
    return across[height:] - across[:-height]


def _boxes(fixed: Mask) -> Iterator[Box]:
    """Yield the rectangles of connected places that are large and full enough."""
    # A closing, by filters of rows and columns in turn, which the library's own is not.
    grown = ndimage.maximum_filter(fixed.view(np.uint8), _GAP, mode="constant")
    labels, _ = ndimage.label(ndimage.minimum_filter(grown, _GAP, mode="constant"))
    area = np.bincount(labels.ravel(), fixed.ravel())[1:]
    places = ndimage.find_objects(labels)
    for n in np.argsort(-area, kind="stable"):
        rows, columns = places[n]
        height, width = rows.stop - rows.start, columns.stop - columns.start
        large = area[n] >= _LEAST_AREA and min(height, width) >= _LEAST_SIDE
        if large and area[n] >= _FILLED * height * width:
            yield Box(columns.start, rows.start, width, height)


def cover_findings(still: Sequence[Box], moving: Sequence[Box], pixels: int) -> Iterator[Finding]:
    """Say what stands still, and what moves, over a picture of so many pixels."""
    switched_off = "a capture with the device's menus, pointers and logos off"
    if still:
        listed = ", ".join(map(str, still[:_LISTED]))
        if len(still) > _LISTED:
            listed += f" and {number(len(still) - _LISTED, 'other place')}"
        yield Finding(
            "static-overlay",
            "warning",
            "Something stands still over the picture, such as a pointer, a menu or a logo: "
            f"{listed}; what it covers was left out.",
            value=float(sum(box.size for box in still)),
            unit="pixels",
            threshold=0.0,
            count=pixels,
            decided_by=switched_off,
        )
    if moving:
        yield Finding(
            "moving-overlay",
            "warning",
            "Something moves over the picture, such as a pointer: "
            f"{moving[0]}, and in {number(len(moving) - 1, 'other moment')} elsewhere; the places "
            "where it was seen were left out.",
            value=float(moving[0].size),
            unit="pixels",
            threshold=0.0,
            count=pixels,
            decided_by=switched_off,
        )
