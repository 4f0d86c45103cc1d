"""Time without frame numbers: a monotone path through thumbnails, by dynamic programming."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from tonelab.pairing.thumbnails import RoughTone, fingerprints

if TYPE_CHECKING:
    from numpy.typing import NDArray

    FloatArray: TypeAlias = NDArray[np.float64]
    IntArray: TypeAlias = NDArray[np.int64]
    Pictures: TypeAlias = NDArray[np.float32]

SAMPLES = 240  # captured frames that look for their place in the whole source
ALIKE = 0.5  # correlation of fingerprints from which two pictures are taken to show the same
_BATCH = 2048
_SPARE = 24  # source frames either side of the coarse path
_LONGEST_STEP = 32  # source frames that one captured frame may pass over
_STEP_COST = 0.25  # for each source frame by which a step differs from the nominal one
_INDEPENDENT = 16  # cells of a thumbnail that count as one, as neighbours are alike
_AROUND = 9  # frames whose motion is compared with a cut
_CUT = 0.3  # of likeness
_ROUNDING = 0.04  # squared codes; misfit below this says nothing


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
        Shape (N,): RMS difference of the thumbnails after a rough tone curve, codes.
    blend
        Shape (N,): share of a neighbouring source frame in the captured one, 0 to 1.
    explained
        Shape (N,): share of the squared misfit that such a mixture explains, 0 to 1.
    """

    places: IntArray
    misfit: FloatArray
    blend: FloatArray
    explained: FloatArray


def find_places(source: Pictures, capture: Pictures, step: float, second: int) -> Coarse:
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
    likeness = np.concatenate(
        [
            wanted @ fingerprints(source[start : start + _BATCH]).T
            for start in range(0, len(source), _BATCH)
        ],
        axis=1,
    ).astype(np.float64)
    advance = np.ceil(2 * step * np.diff(frames)).astype(np.int64) + 2
    places = _climb(likeness - np.median(likeness, axis=1, keepdims=True), advance)
    rows = np.arange(len(frames))
    far = np.abs(np.arange(len(source)) - places[:, None]) > second
    elsewhere = np.where(far, likeness, -1.0).max(axis=1, initial=-1.0)
    return Coarse(frames, places, likeness[rows, places], elsewhere)


def _climb(gain: FloatArray, advance: IntArray) -> IntArray:
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


def rough_tone(source: Pictures, capture: Pictures, coarse: Coarse) -> RoughTone:
    """Tone curve of the frames that surely found their places."""
    sure = coarse.likeness >= min(ALIKE, float(np.median(coarse.likeness)))
    return RoughTone.fit(source[coarse.places[sure]], capture[coarse.frames[sure]])


def follow(
    source: Pictures, capture: Pictures, coarse: Coarse, tone: RoughTone, step: float
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
    shown = tone(source).reshape(len(source), -1)
    seen = capture.reshape(len(capture), -1)
    guide = np.interp(np.arange(len(seen)), coarse.frames, coarse.places)
    spacing = int(np.diff(coarse.frames).max(initial=1))
    width = 2 * (_SPARE + int(np.ceil(step * spacing))) + 1
    width = min(width, len(shown))
    base = np.clip(np.round(guide).astype(np.int64) - width // 2, 0, len(shown) - width)
    places = _cheapest(shown, seen, base, width, step)
    misfit = np.sqrt(((seen - shown[places]) ** 2).mean(axis=1))
    blend, explained = _mixtures(shown, seen, places)
    return Path(places, misfit.astype(np.float64), blend, explained)


def _cheapest(shown: Pictures, seen: Pictures, base: IntArray, width: int, step: float) -> IntArray:
    """Viterbi path; the state j of frame n is the source frame base[n] + j."""
    weight = seen.shape[1] / _INDEPENDENT / 2
    steps = np.arange(_LONGEST_STEP + 1)
    price = _STEP_COST * np.abs(steps - step)
    cost = np.zeros(width)
    came = np.zeros((len(seen), width), np.int8)
    for n in range(len(seen)):
        window = shown[base[n] : base[n] + width]
        square = ((window - seen[n]) ** 2).mean(axis=1, dtype=np.float64)
        if n:
            cost, came[n] = _advance(cost, int(base[n] - base[n - 1]), price)
        cost = cost + weight * np.log(square + _ROUNDING)
        cost -= cost.min()
    place = int(cost.argmin()) + int(base[-1])
    places = [place]
    for n in range(len(seen) - 1, 0, -1):
        place -= int(came[n, place - base[n]])
        places.append(place)
    return np.array(places[::-1], np.int64)


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


def _mixtures(shown: Pictures, seen: Pictures, places: IntArray) -> tuple[FloatArray, FloatArray]:
    """Least-squares share of the neighbour that explains more, and how much that is.

    What the rough tone curve gets wrong stays about the same from frame to frame: the median
    residual of five frames is taken off.
    """
    residual = seen - shown[places]
    share, explained = np.zeros((2, len(seen)))
    for n, place in enumerate(places):
        usual = np.median(residual[max(0, n - 2) : n + 3], axis=0)
        for left in (residual[n], residual[n] - usual):
            for other in (max(place - 1, 0), min(place + 1, len(shown) - 1)):
                move = shown[other] - shown[place]
                energy, part = float(move @ move), float(left @ move)
                gained = part * part / max(energy * float(left @ left), 1e-9)
                if part > 0 and gained > explained[n]:
                    share[n], explained[n] = part / energy, gained
    return share, explained


def cuts(source: Pictures) -> IntArray:
    """Find the source frames with which a new shot starts, the first among them, ascending.

    A cut stands out from the motion around it.
    """
    from scipy.ndimage import median_filter

    marks = [fingerprints(source[s : s + _BATCH]) for s in range(0, len(source), _BATCH)]
    features = np.concatenate(marks)
    alike = (features[1:] * features[:-1]).sum(axis=1)
    seen = (np.abs(features[1:]).sum(axis=1) > 0) | (np.abs(features[:-1]).sum(axis=1) > 0)
    usual = median_filter(alike, _AROUND, mode="nearest") if len(alike) else alike
    later = np.flatnonzero(seen & (alike < ALIKE) & (alike < usual - _CUT)) + 1
    return np.concatenate([[0], later]).astype(np.int64)


def is_still(source: Pictures) -> bool:
    """Whether nothing in the source moves, so that its frames cannot be told apart."""
    return bool(np.ptp(source, axis=0).max(initial=0.0) < 1.0)
