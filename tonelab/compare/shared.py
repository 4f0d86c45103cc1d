"""What several captures show of the same source: codes side by side, and their distances."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial, reduce
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from tonelab.errors import UsageError
from tonelab.readings import readings_of
from tonelab.readings.colours import coded_signal, shown_light
from tonelab.signal.colorimetry import (
    rgb2020_to_ictcp,
    rgb_to_ycbcr,
    ycbcr_to_rgb,
)
from tonelab.signal.quantisation import chroma_scale, rgb_to_codes, ycbcr_to_codes
from tonelab.signal.transfer import eotf_inverse_pq, eotf_pq

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tonelab.readings import Readings
    from tonelab.results import Measurement
    from tonelab.signal.arrays import FloatArray, Mask
    from tonelab.signal.colorimetry import Matrix
    from tonelab.signal.description import Signal

Basis: TypeAlias = Literal["colours", "greys"]

FEWEST_COLOURS = 50
FEWEST_GREYS = 10
MOST_COLOURS = 4000  # evenly taken; a mean over them has settled
SAME_SOURCE = 0.5  # codes by which the means of one cell of content may lie apart
GAP = 8.0  # 10-bit codes between points of a curve, from which it is unknown between them

# ΔE_ITP is 720 times the Euclidean distance of (I, T / 2, P), BT.2124-0.
_ITP = 720.0 * np.array([1.0, 0.5, 1.0])
_ONE_SIDED = 1.645  # standard deviations that 95 % stay below
_SEED = 2100


@dataclass(frozen=True, slots=True)
class Shared:
    """Captures of the source colours that all of several measurements saw.

    Attributes
    ----------
    basis
        ``colours`` when source colours are shared code by code; ``greys`` when only the
        luminance curves overlap.
    light
        (N, 3): source light, cd/m2, linear BT.2020.
    codes
        For each measurement (N, 3): mean capture codes.
    signals
        How these codes are read.
    steps
        Steps of the codes.
    """

    basis: Basis
    light: FloatArray
    codes: tuple[FloatArray, ...]
    signals: tuple[Signal, ...]
    steps: tuple[float, ...]

    def __len__(self) -> int:
        return len(self.light)

    def shown(self) -> list[DisplayedColours]:
        """Return what the display of each capture makes of its codes."""
        return [
            DisplayedColours.of(codes, signal, step)
            for codes, signal, step in zip(self.codes, self.signals, self.steps, strict=True)
        ]


@dataclass(frozen=True, slots=True)
class DisplayedColours:
    """Colours as their assumed display shows them.

    Attributes
    ----------
    itp
        (N, 3): coordinates whose Euclidean distance is ΔE_ITP.
    rounding
        (N,): ΔE_ITP that rounding to the codes of the capture causes; zero when computed.
    """

    itp: FloatArray
    rounding: FloatArray

    def at(self, rows: Mask) -> DisplayedColours:
        """Return some of the colours, given as truth values (N,)."""
        return DisplayedColours(self.itp[rows], self.rounding[rows])

    @classmethod
    def of(cls, codes: FloatArray, signal: Signal, step: float) -> DisplayedColours:
        """Decode codes (N, 3), with the size of their rounding."""
        itp = coordinates(shown_light(codes, signal))
        if not step:
            return cls(itp, np.zeros(len(itp)))
        random = np.random.default_rng(_SEED)
        moved = codes + step * random.uniform(-0.5, 0.5, codes.shape)
        return cls(itp, _norm(coordinates(shown_light(moved, signal)) - itp))


@dataclass(frozen=True, slots=True)
class Distance:
    """Colour difference of two captures over the colours that they share.

    Attributes
    ----------
    mean, p95
        ΔE_ITP, mean and 95th percentile.
    low, high
        Bounds of the mean that would be seen without rounding, 95 % on each side. Rounding can
        only add to the expected distance, so ``high`` needs no allowance for it.
    floor
        Mean ΔE_ITP that the rounding of both captures causes.
    count
        Number of colours.
    """

    mean: float
    p95: float
    low: float
    high: float
    floor: float
    count: int


def distance(one: DisplayedColours, other: DisplayedColours) -> Distance:
    """Return the distance of two captures of the same colours."""
    return distances(one, [other])[0]


def distances(one: DisplayedColours, others: Sequence[DisplayedColours]) -> list[Distance]:
    """Return the distance of one capture from each of several of the same colours."""
    itp, squares = _planes(others)
    [own], [own_squares] = _planes([one])
    return _summarised(itp - own, squares + own_squares)


def distances_among(shown: Sequence[DisplayedColours]) -> Iterator[list[Distance]]:
    """Yield for each of many captures its distances from those before it."""
    itp, squares = _planes(shown)
    for row in range(len(shown)):
        yield _summarised(itp[:row] - itp[row], squares[:row] + squares[row])


def _planes(shown: Sequence[DisplayedColours]) -> tuple[FloatArray, FloatArray]:
    """Coordinates (D, 3, N), each in one piece of memory, and squared rounding (D, N)."""
    itp = np.stack([np.ascontiguousarray(one.itp.T) for one in shown])
    return itp, np.stack([one.rounding for one in shown]) ** 2


def _summarised(apart: FloatArray, squares: FloatArray) -> list[Distance]:
    """Distances from differences (D, 3, N) and the squared rounding (D, N) of both together."""
    apart *= apart
    each = np.sqrt(apart.sum(axis=1))
    mean, floor = each.mean(axis=1), np.sqrt(squares).mean(axis=1)
    error = _ONE_SIDED * each.std(axis=1) / each.shape[1] ** 0.5
    figures = (
        mean,
        np.percentile(each, 95, axis=1),
        np.maximum(mean - error - floor, 0.0),
        mean + error,
        floor,
    )
    return [
        Distance(mean, p95, low, high, floor, each.shape[1])
        for mean, p95, low, high, floor in np.stack(figures, axis=1).tolist()
    ]


def coordinates(light: FloatArray) -> FloatArray:
    """Coordinates (N, 3) of light (N, 3) whose Euclidean distance is ΔE_ITP."""
    return rgb2020_to_ictcp(light) * _ITP


def share(measurements: Sequence[Measurement], most: int = MOST_COLOURS) -> Shared:
    """Collect what all measurements saw: colours if they can, else greys along their curves.

    Raises
    ------
    UsageError
        When the measurements share neither colours nor a stretch of their luminance curves.
    """
    readings = [readings_of(one) for one in measurements]
    steps = tuple(one.step for one in readings)
    found = _colours(readings)
    if found is None:
        light, codes = _greys(measurements)
        signals = tuple(one.capture_coding for one in readings)
        return Shared("greys", light, tuple(codes), signals, steps)
    source, codes = found
    rows = np.unique(np.linspace(0, len(source) - 1, most).astype(int))
    signals = tuple(one.capture.signal for one in measurements)
    first = measurements[0].source.signal
    light = np.maximum(first.decode_light_2020(source[rows]), 0.0)
    return Shared("colours", light, tuple(one[rows] for one in codes), signals, steps)


def mastering_peak(measurement: Measurement) -> float:
    """Mastering peak of the source, cd/m2, which its scores are given too."""
    return readings_of(measurement).mastering_peak


def standard_shown(name: str, light: FloatArray, peak: float, signal: Signal) -> DisplayedColours:
    """Return what a standard conversion, unrounded, shows on the display of a capture.

    Parameters
    ----------
    name
        Of a standard conversion.
    light
        Shape (N, 3): source light, cd/m2, linear BT.2020.
    peak
        Mastering peak of the source, cd/m2.
    signal
        How the capture is coded.

    Raises
    ------
    UsageError
        When the capture is HDR, there is no such conversion, or the peak is not positive.
    """
    if signal.is_hdr:
        raise UsageError(
            f"A capture is {signal.transfer}, and {name} gives SDR: leave HDR captures out, or "
            "hold them against one another."
        )
    # A comparison of devices alone does not wait for the conversions to be loaded.
    from tonelab.conversion.standards import STANDARDS

    rgb = STANDARDS[name].convert(light, source_peak=peak)
    return DisplayedColours.of(as_codes(rgb_to_ycbcr(rgb, "bt709"), signal), signal, step=0.0)


def colour_matrix(signal: Signal) -> Matrix:
    """Return the matrix in which picture controls of such an output act: BT.2020 in HDR."""
    return "bt2020" if signal.is_hdr else "bt709"


def as_signal(codes: FloatArray, signal: Signal) -> FloatArray:
    """Y'CbCr signals (N, 3) under the matrix of `colour_matrix`, however the capture is coded."""
    return rgb_to_ycbcr(signal.decode_rgb(codes), colour_matrix(signal))


def as_codes(ycbcr: FloatArray, signal: Signal) -> FloatArray:
    """Return real-valued codes (N, 3) of a capture for signals of `as_signal`."""
    rgb = ycbcr_to_rgb(ycbcr, colour_matrix(signal))
    if signal.matrix == "rgb":
        return rgb_to_codes(rgb, signal.bits, signal.range)
    return ycbcr_to_codes(rgb_to_ycbcr(rgb, signal.matrix), signal.bits, signal.range)


def _norm(difference: FloatArray) -> FloatArray:
    length: FloatArray = np.sqrt(np.einsum("ij,ij->i", difference, difference))
    return length


# Colours


def _colours(readings: Sequence[Readings]) -> tuple[FloatArray, list[FloatArray]] | None:
    """Source codes (N, 3), and the capture codes of each measurement at them."""
    if len({(one.keyed_by, *_coding(one.source.signal)) for one in readings}) > 1:
        return None
    rows = [one.by_key() for one in readings]
    common = reduce(partial(np.intersect1d, assume_unique=True), [key for key, _, _ in rows])
    if len(common) < FEWEST_COLOURS:
        return None
    taken = [(source[at], capture[at]) for key, source, capture in rows
             for at in [np.searchsorted(key, common)]]  # fmt: skip
    source = taken[0][0]
    apart = [np.abs(other - source).max(axis=1) for other, _ in taken]
    near = np.max(apart, axis=0) <= SAME_SOURCE
    if near.sum() < FEWEST_COLOURS:
        return None
    return source[near], [capture[near] for _, capture in taken]


def _coding(signal: Signal) -> tuple[object, ...]:
    peak = signal.peak if signal.transfer == "hlg" else None
    return signal.matrix, signal.range, signal.transfer, signal.primaries, signal.bits, peak


# Greys


def _greys(measurements: Sequence[Measurement]) -> tuple[FloatArray, list[FloatArray]]:
    """Neutral light (N, 3) at whole PQ codes that all curves cover, and the codes of each there."""
    code = np.arange(64.0, 941.0)
    at = eotf_pq((code - 64) / 876)
    known = np.ones(len(at), bool)
    for one in measurements:
        known &= _covered(code, one)
    if known.sum() < FEWEST_GREYS:
        first, *others = measurements
        names = ", ".join(one.source.name for one in measurements)
        raise UsageError(
            f"{first.device} and {others[0].device if len(others) == 1 else 'the others'} share "
            f"neither source colours nor a stretch of their luminance curves ({names}): measure "
            "all with one chart."
        )
    codes = []
    for one in measurements:
        curve, signal = one.luminance_curve, coded_signal(one.capture.signal)
        luma = np.interp(at[known], curve.luminance, curve.smooth)
        neutral = np.full_like(luma, chroma_scale(signal.bits, signal.range)[0])
        codes.append(np.stack([luma, neutral, neutral], axis=1))
    return np.repeat(at[known][:, None], 3, axis=1), codes


def _covered(code: FloatArray, measurement: Measurement) -> Mask:
    """Whether the curve of a measurement has points close on both sides of each PQ code."""
    points = 64 + 876 * eotf_inverse_pq(measurement.luminance_curve.luminance)
    if len(points) < 2:
        return np.zeros(len(code), bool)
    right = np.clip(np.searchsorted(points, code), 1, len(points) - 1)
    inside = (code >= points[0]) & (code <= points[-1])
    covered: Mask = inside & (points[right] - points[right - 1] <= GAP)
    return covered
