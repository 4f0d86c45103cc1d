"""Two luminance curves held against each other, and where they are shown to differ."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from tonelab.errors import UsageError
from tonelab.readings.colours import coded_signal
from tonelab.signal.quantisation import luma_scale
from tonelab.signal.transfer import eotf_inverse_pq

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tonelab.results import Measurement
    from tonelab.signal.arrays import FloatArray, Mask
    from tonelab.signal.description import Signal

# Curves are compared on one scale of codes, whatever the depth and range of the captures.
COMMON_BITS = 10
LANDMARK_LIGHT = (26.0, 203.0, 1000.0)
_WIDTH = 8 / 876  # of the PQ signal over which they must, more than one patch
_WORTH = 0.1  # of the PQ signal, below which it is worth saying that curves agree
_AT_LIMIT = 1.5  # codes from black or nominal white, where a clip may have been


@dataclass(frozen=True, slots=True)
class CurveDifference:
    """Luminance curve of one measurement minus that of the first, in 10-bit narrow codes.

    Attributes
    ----------
    device
        Name of the measurement.
    luminance, codes, bound
        Shape (N,): source light in cd/m2 at the source codes that both saw, the difference, and
        half the width of its 95 % interval.
    rms, largest
        Over all of them; the largest keeps its sign.
    largest_at
        Source light of the largest, cd/m2.
    at
        Difference at 26, 203 and 1000 cd/m2; None where one of the curves does not reach.
    """

    device: str
    luminance: FloatArray
    codes: FloatArray
    bound: FloatArray
    rms: float
    largest: float
    largest_at: float
    at: Mapping[float, float | None]

    def stretch(self, margin: float, seen: Mask | None = None) -> Stretch | None:
        """Find where the curves are shown to differ by more than a margin; None for nowhere.

        The whole 95 % interval must lie beyond the margin, on one side, over at least eight
        neighbouring codes of a 10-bit PQ source.

        Parameters
        ----------
        margin
            10-bit codes.
        seen
            Shape (N,): which points to look at; all unless given.
        """
        point = eotf_inverse_pq(self.luminance)
        beyond = np.abs(self.codes) - self.bound - margin
        wanted = beyond > 0 if seen is None else (beyond > 0) & seen
        found: list[int] = []
        for sign in (-1, 1):
            labels, _ = ndimage.label(wanted & (np.sign(self.codes) == sign))
            found += [
                part.start + int(np.argmax(beyond[part]))
                for (part,) in ndimage.find_objects(labels)
                if point[part.stop - 1] - point[part.start] >= _WIDTH
            ]
        if not found:
            return None
        at = max(found, key=lambda n: beyond[n])
        first = int(np.flatnonzero(beyond > 0)[0])
        below = np.abs(self.codes[:first]) + self.bound[:first]
        told = first > 0 and point[first] - point[0] >= _WORTH
        return Stretch(
            codes=float(self.codes[at]),
            bound=float(self.bound[at]),
            luminance=float(self.luminance[at]),
            below=(float(self.luminance[first]), float(below.max())) if told else None,
        )


@dataclass(frozen=True, slots=True)
class Stretch:
    """Where two luminance curves are shown to differ most.

    Attributes
    ----------
    codes, bound
        The second minus the first there, 10-bit codes, and half the width of its 95 % interval.
    luminance
        Source light there, cd/m2.
    below
        Source light in cd/m2 below which no difference beyond the margin is shown, and the codes
        within which they agree there; None where little or nothing lies below it.
    """

    codes: float
    bound: float
    luminance: float
    below: tuple[float, float] | None

    def __str__(self) -> str:
        """Say it in a clause."""
        text = f"luma by {self.codes:+.1f} ± {self.bound:.1f} codes at {self.luminance:.3g} cd/m2"
        if self.below is None:
            return text
        light, codes = self.below
        return f"{text}, below {light:.3g} cd/m2 by no more than {codes:.1f}"


def curve_difference(first: Measurement, other: Measurement, device: str) -> CurveDifference:
    """Subtract two luminance curves where the other covers the points of the first.

    Raises
    ------
    UsageError
        When the curves share no luminance.
    """
    one, two = first.luminance_curve, other.luminance_curve
    rows = (one.luminance >= two.luminance[0]) & (one.luminance <= two.luminance[-1])
    if not rows.any():
        raise UsageError(
            f"The curves of {first.device} and {other.device} share no luminance: compare captures "
            "of the same source."
        )
    light = one.luminance[rows]
    base, base_bound = sampled(first, light)
    code, code_bound = sampled(other, light)
    codes = code - base
    largest = int(np.argmax(np.abs(codes)))
    return CurveDifference(
        device=device,
        luminance=light,
        codes=codes,
        bound=np.hypot(base_bound, code_bound),
        rms=float(np.sqrt(np.mean(codes**2))),
        largest=float(codes[largest]),
        largest_at=float(light[largest]),
        at={
            level: float(np.interp(level, light, codes)) if light[0] <= level <= light[-1] else None
            for level in LANDMARK_LIGHT
        },
    )


def after_controls(
    first: Measurement, other: Measurement, difference: CurveDifference, gain: float, lift: float
) -> tuple[CurveDifference, Mask]:
    """Predict what a gain and a lift of luma leave of a difference of two curves.

    Parameters
    ----------
    first, other
        The two measurements.
    difference
        Their difference, from `curve_difference`.
    gain, lift
        Of the luma of the first: about black, and in 10-bit codes.

    Returns
    -------
    CurveDifference, ndarray of bool
        What is left, and shape (N,): where no curve touches a limit that would hide it.
    """
    black, span = luma_scale(COMMON_BITS, "narrow")
    (base, _), (code, _) = (sampled(one, difference.luminance) for one in (first, other))
    predicted = (base - black) * gain + black + lift
    free = np.ones(len(base), bool)
    for codes in (base, code, predicted):
        free &= (codes > black + _AT_LIMIT) & (codes < black + span - _AT_LIMIT)
    return replace(difference, codes=code - predicted), free


def sampled(measurement: Measurement, light: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Read a luminance curve at source light (N,) in cd/m2.

    Returns
    -------
    ndarray, ndarray
        Shape (N,): 10-bit narrow codes, and half the width of their 95 % interval.
    """
    curve, signal = measurement.luminance_curve, coded_signal(measurement.capture.signal)
    point, at = eotf_inverse_pq(curve.luminance), eotf_inverse_pq(light)
    code = np.interp(at, point, curve.smooth)
    half = np.interp(at, point, (curve.high - curve.low) / 2)
    return common_codes(code, signal), half * _common_scale(signal)


def common_codes(code: FloatArray, signal: Signal) -> FloatArray:
    """Luma codes, any shape, of any signal as 10-bit narrow codes, neither rounded nor clipped."""
    black, _ = luma_scale(signal.bits, signal.range)
    return (code - black) * _common_scale(signal) + luma_scale(COMMON_BITS, "narrow")[0]


def _common_scale(signal: Signal) -> float:
    return luma_scale(COMMON_BITS, "narrow")[1] / luma_scale(signal.bits, signal.range)[1]
