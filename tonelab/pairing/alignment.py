"""Time without frame numbers: a monotone path through thumbnails, by dynamic programming."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tonelab.pairing.thumbnails import FINE, RoughTone, fingerprints

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from tonelab.pairing.registration import Registration, Relation
    from tonelab.pairing.thumbnails import Area, Thumbnails
    from tonelab.signal.arrays import FloatArray, IntArray, Picture

SAMPLES = 240  # captured frames that look for their place in the whole source
ALIKE = 0.5  # correlation of fingerprints from which two pictures are taken to show the same
_BATCH = 1024
_TOGETHER = 256  # captured frames that are compared at once
_SPARE = 24  # source frames either side of the coarse path
_LONGEST_STEP = 32  # source frames that one captured frame may pass over
_STEP_COST = 0.25  # for each source frame by which a step differs from the nominal one
_INDEPENDENT = 16  # cells of a thumbnail that count as one, as neighbours are alike
_AROUND = 9  # frames whose motion is compared with a cut
_CUT = 0.3  # by which the likeness of a cut falls below that of the motion around it
_APART = 0.4  # likeness of two pictures across a cut, at most
_OWN_GAIN = 0.3  # by which the contrast of a frame may differ from that of others
_ROUNDING = 0.04  # squared codes; misfit below this says nothing, but for a path without any
_EXACT = 1e-3, 1e-4  # squared codes: misfit of such a path, and what says nothing of it
# Codes by which lossy coding may change the cells of a still picture: any of them, and RMS of all.
_CODING_NOISE = 8.0, 1.0
_LEAST_MOVE = 0.3  # codes RMS between neighbouring frames whose mixture can be told


@dataclass(frozen=True, slots=True, eq=False)
class Coarse:
    """Where evenly spaced captured frames stand in the source.

    Attributes
    ----------
    frames, places
        Shape (K,): captured frames and their source frames, both ascending.
    likeness
        Shape (K,): correlation of their fingerprints, -1 to 1.
    elsewhere
        Shape (K,): the highest likeness more than a second away in the source.
    """

    frames: IntArray
    places: IntArray
    likeness: FloatArray
    elsewhere: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """The source frame of every captured frame.

    Attributes
    ----------
    places
        Shape (N,): source frames, never falling.
    misfit
        Shape (N,): RMS difference of the thumbnails after a rough tone curve, and a gain and
        offset of each frame, codes.
    blend
        Shape (N,): share of a neighbouring source frame in the captured one, 0 to 1.
    explained
        Shape (N,): share of the squared misfit that such a mixture explains, 0 to 1.
    """

    places: IntArray
    misfit: FloatArray
    blend: FloatArray
    explained: FloatArray


def find_places(source: Thumbnails, capture: Thumbnails, step: float, second: int) -> Coarse:
    """Find where in the source the capture runs, over any offset.

    Parameters
    ----------
    source, capture
        Thumbnails, shape (frames, rows, columns).
    step
        Nominal source frames per captured frame.
    second
        Source frames of a second.

    Returns
    -------
    Coarse
        The monotone path of highest total likeness; frames that show nothing weigh nothing.
    """
    frames = np.unique(np.linspace(0, len(capture) - 1, SAMPLES).round().astype(np.int64))
    wanted = fingerprints(capture[frames])
    likeness = np.concatenate([wanted @ marks.T for marks in _marks(source)], axis=1)
    advance = np.ceil(2 * step * np.diff(frames)).astype(np.int64) + 2
    places = _climb(likeness - np.median(likeness, axis=1, keepdims=True), advance)
    found = likeness[np.arange(len(frames)), places].astype(np.float64)
    for row, place in zip(likeness, places, strict=True):
        row[max(0, place - second) : place + second + 1] = -1.0
    return Coarse(frames, places, found, likeness.max(axis=1).astype(np.float64))


def _marks(source: Thumbnails) -> Iterator[Picture]:
    """Yield the fingerprints of a clip in batches, which take more room than its thumbnails."""
    for start in range(0, len(source), _BATCH):
        yield fingerprints(source[start : start + _BATCH])


def _climb(gain: Picture, advance: IntArray) -> IntArray:
    """Path (K,) through gain (K, N) of highest sum, rising by 0 to ``advance`` from row to row."""
    from scipy.ndimage import maximum_filter1d

    total = np.empty_like(gain)
    total[0] = gain[0]
    for row, reach in enumerate(advance, start=1):
        # The window is made to end at its own place: the best of the last `reach` + 1 values.
        before = np.concatenate([np.full(reach, -np.inf), total[row - 1]])
        best = maximum_filter1d(before, int(reach) + 1, mode="constant", cval=-np.inf)
        total[row] = gain[row] + best[reach // 2 + reach % 2 :][: gain.shape[1]]
    place = int(total[-1].argmax())
    places = [place]
    for row in range(len(gain) - 1, 0, -1):
        low = max(0, place - int(advance[row - 1]))
        place = low + int(total[row - 1, low : place + 1].argmax())
        places.append(place)
    return np.array(places[::-1], np.int64)


def rough_tone(source: Thumbnails, capture: Thumbnails, coarse: Coarse) -> RoughTone:
    """Tone curve of the frames that surely found their places."""
    sure = coarse.likeness >= min(ALIKE, float(np.median(coarse.likeness)))
    shown, seen = source[coarse.places[sure]], capture[coarse.frames[sure]]
    return RoughTone.fit(shown / FINE, seen / FINE)


def follow(
    source: Thumbnails, capture: Thumbnails, coarse: Coarse, tone: RoughTone, step: float
) -> Path:
    """Place every captured frame.

    Parameters
    ----------
    source, capture
        Thumbnails of the same area, shape (frames, rows, columns).
    coarse
        Where to look.
    tone
        Makes the source comparable, so that differences and mixtures are linear.
    step
        Nominal source frames per captured frame: what moving on costs nothing.

    Returns
    -------
    Path
        The likeliest monotone path; where nothing moves it keeps to the nominal step.
    """
    frames = np.arange(len(capture))
    guide = np.interp(frames, coarse.frames, coarse.places)
    spacing = int(np.diff(coarse.frames).max(initial=1))
    width = min(2 * (_SPARE + int(np.ceil(step * spacing))) + 1, len(source))
    base = np.clip(np.round(guide).astype(np.int64) - width // 2, 0, len(source) - width)
    comparable = _Comparable(source, capture, tone.of_thumbnails())
    places = _cheapest(comparable, base, width, step)
    misfit, blend, explained = _mixtures(comparable, places)
    return Path(places, misfit, blend, explained)


@dataclass(frozen=True, slots=True, eq=False)
class _Comparable:
    """Thumbnails of both clips, given as rows of capture codes only a few frames at a time."""

    source: Thumbnails
    capture: Thumbnails
    tone: Picture

    def shown(self, frames: IntArray | slice) -> FloatArray:
        picked = self.tone[self.source[frames]]
        return picked.reshape(len(picked), -1).astype(np.float64)

    def seen(self, frames: slice) -> FloatArray:
        picked = self.capture[frames]
        return picked.reshape(len(picked), -1) / float(FINE)


def _cheapest(comparable: _Comparable, base: IntArray, width: int, step: float) -> IntArray:
    """Viterbi path; the state j of frame n is the source frame base[n] + j."""
    steps = np.arange(_LONGEST_STEP + 1)
    price = _STEP_COST * np.abs(steps - step)
    cost = np.zeros(width)
    came = np.zeros((len(base), width), np.int8)
    weight = comparable.source[0].size / _INDEPENDENT / 2
    squares = np.array([*_differences(comparable, base, width)], np.float32)
    exact = float(np.median(squares.min(axis=1))) < _EXACT[0]
    floor = _EXACT[1] if exact else _ROUNDING
    for n, square in enumerate(squares):
        if n:
            cost, came[n] = _advance(cost, int(base[n] - base[n - 1]), price)
        cost = cost + weight * np.log(square + floor)
        cost -= cost.min()
    place = int(cost.argmin()) + int(base[-1])
    places = [place]
    for n in range(len(base) - 1, 0, -1):
        place -= int(came[n, place - base[n]])
        places.append(place)
    return np.array(places[::-1], np.int64)


def _differences(comparable: _Comparable, base: IntArray, width: int) -> Iterator[FloatArray]:
    """Yield for each captured frame its mean squared difference from each state."""
    for start in range(0, len(base), _TOGETHER):
        own = base[start : start + _TOGETHER]
        shown = comparable.shown(slice(own.min(), own.max() + width))
        seen = comparable.seen(slice(start, start + len(own)))
        middle = shown.mean(axis=0)
        shown, seen = shown - middle, seen - middle
        square = (shown**2).sum(axis=1) - 2 * seen @ shown.T + (seen**2).sum(axis=1)[:, None]
        for row, first in zip(square, own - own.min(), strict=True):
            yield np.maximum(row[first : first + width], 0.0) / shown.shape[1]


def _advance(
    cost: FloatArray, shift: int, price: FloatArray
) -> tuple[FloatArray, NDArray[np.int8]]:
    """Cheapest cost of reaching each state, and the step that does."""
    width = len(cost)
    reach = len(price) - 1
    padded = np.full(width + reach + abs(shift) + reach, np.inf)
    padded[reach : reach + width] = cost
    # State j follows state j + shift - k of the frame before.
    origin = reach + shift + np.arange(width)[:, None] - np.arange(reach + 1)
    inside = (origin >= 0) & (origin < len(padded))
    options = np.where(inside, padded[np.clip(origin, 0, len(padded) - 1)], np.inf) + price
    best = options.argmin(axis=1)
    found = options[np.arange(width), best]
    return np.where(np.isfinite(found), found, 1e12), best.astype(np.int8)


def _mixtures(
    comparable: _Comparable, places: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Misfit of each frame, the share of the neighbour that explains most of it, and how much.

    What the rough tone curve gets wrong stays about the same from frame to frame: the median
    residual of five frames is taken off.
    """
    misfit, share, explained = np.zeros((3, len(places)))
    last = len(comparable.source) - 1
    for start in range(0, len(places), _TOGETHER):
        first, stop = max(0, start - 2), min(len(places), start + _TOGETHER + 2)
        shown = comparable.shown(places[first:stop])
        residual = comparable.seen(slice(first, stop)) - shown
        own = slice(start, min(start + _TOGETHER, len(places)))
        misfit[own] = _less_levels(residual, shown)[start - first :][: own.stop - start]
        near = [comparable.shown(np.clip(places[own] + d, 0, last)) for d in (-1, 1)]
        for n in range(own.start, own.stop):
            row = n - first
            usual = np.median(residual[max(0, row - 2) : row + 3], axis=0)
            for left in (residual[row], residual[row] - usual):
                for other in near:
                    move = other[n - start] - shown[row]
                    energy, part = float(move @ move), float(left @ move)
                    if energy < _LEAST_MOVE**2 * len(move):
                        continue
                    gained = part * part / max(energy * float(left @ left), 1e-9)
                    if part > 0 and gained > explained[n]:
                        share[n], explained[n] = part / energy, gained
    return misfit, share, explained


def _less_levels(residual: FloatArray, shown: FloatArray) -> FloatArray:
    """RMS of what is left of each frame after a gain and offset of its own.

    A scene that is dimmed is still the scene; the gain is bounded, so that a black frame is none.
    """
    shown = shown - shown.mean(axis=1, keepdims=True)
    residual = residual - residual.mean(axis=1, keepdims=True)
    gain = (residual * shown).sum(axis=1) / np.maximum((shown**2).sum(axis=1), 1e-9)
    gain = np.clip(gain, -_OWN_GAIN, _OWN_GAIN)[:, None]
    left: FloatArray = np.sqrt(((residual - gain * shown) ** 2).mean(axis=1))
    return left


def cuts(source: Thumbnails) -> IntArray:
    """Find the source frames (S,) with which a new shot starts, the first too, ascending.

    A cut stands out from the motion around it.
    """
    from scipy.ndimage import median_filter

    last: Picture | None = None
    alike, seen = [], []
    for marks in _marks(source):
        joined = marks if last is None else np.concatenate([last, marks])
        alike.append((joined[1:] * joined[:-1]).sum(axis=1))
        seen.append((joined[1:] != 0).any(axis=1) | (joined[:-1] != 0).any(axis=1))
        last = marks[-1:]
    likeness, visible = np.concatenate(alike), np.concatenate(seen)
    usual = median_filter(likeness, _AROUND, mode="nearest") if len(likeness) else likeness
    later = np.flatnonzero(visible & (likeness < _APART) & (likeness < usual - _CUT)) + 1
    return np.concatenate([[0], later]).astype(np.int64)


def is_still(source: Thumbnails) -> bool:
    """Whether nothing in the source moves by more than coding noise.

    Its frames cannot be distinguished then, but by that noise.
    """
    if not len(source):
        return True
    usual = source[len(source) // 2].astype(np.float32)
    most, rms = (limit * FINE for limit in _CODING_NOISE)
    for picture in source:
        change = picture - usual
        if np.abs(change).max() > most or np.mean(change**2) > rms**2:
            return False
    return True


@dataclass(frozen=True, slots=True, eq=False)
class Overview:
    """What was seen of two clips: thumbnails of the part both show, and how they relate."""

    source: Thumbnails
    capture: Thumbnails
    relation: Relation
    registration: Registration
    areas: tuple[Area, Area]
    still: bool
    coarse: Coarse
