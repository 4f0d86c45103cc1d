"""Measurements of one source held against each other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tonelab.colours import coded_signal
from tonelab.errors import UsageError
from tonelab.reading import code_step
from tonelab.score import shown_light
from tonelab.signal.colorimetry import delta_e_itp
from tonelab.signal.quantisation import luma_scale

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tonelab.results import Landmark, LuminanceCurve, Measurement, Score
    from tonelab.signal.description import Signal
    from tonelab.signal.quantisation import FloatArray

# Curves are compared on one scale of codes, whatever the depth and range of the captures.
COMMON_BITS = 10
LANDMARK_LIGHT = (26.0, 203.0, 1000.0)

FEWEST_COLOURS = 50

_ROUNDINGS = 4
_SEED = 2100


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


@dataclass(frozen=True, slots=True)
class Comparison:
    """Several measurements of one source.

    Attributes
    ----------
    devices
        Names, told apart by firmware and settings where the device is the same.
    displays
        The assumed display of each capture's signal.
    landmarks
        For each measurement, its landmarks by id.
    differences
        Luminance curves against the first measurement; one entry fewer than devices.
    distance_mean, distance_p95
        Shape (D, D), ΔE_ITP over the colours that both captures show, each decoded by its own
        signal; zero on the diagonal.
    distance_floor
        Shape (D, D), the mean ΔE_ITP that rounding to the codes of the captures alone causes.
    colours
        Number of colours behind the distances.
    best
        For each measurement the nearest standard conversion of those asked for, or None.
    """

    devices: tuple[str, ...]
    displays: tuple[Signal, ...]
    landmarks: tuple[Mapping[str, Landmark], ...]
    differences: tuple[CurveDifference, ...]
    distance_mean: FloatArray
    distance_p95: FloatArray
    distance_floor: FloatArray
    colours: int
    best: tuple[Score | None, ...]


def compare(measurements: Sequence[Measurement], against: Sequence[str] = ()) -> Comparison:
    """Hold measurements of one source against each other.

    Parameters
    ----------
    measurements
        Two or more whose sources share colours: made with one chart, or with charts alike.
    against
        Names of the standard conversions to rank; by default all that were scored.

    Returns
    -------
    Comparison
        Distances, differences and landmarks.

    Raises
    ------
    UsageError
        When there are fewer than two, when they share too few source colours, or when a standard
        was not scored.
    """
    _check(measurements, against)
    codes = _shared(measurements)
    signals = tuple(one.capture.signal for one in measurements)
    steps = [code_step(one.tallies, one.capture.signal) for one in measurements]
    mean, p95, floor = _distances(codes, signals, steps)
    first = measurements[0]
    devices = device_names(measurements)
    return Comparison(
        devices=devices,
        displays=signals,
        landmarks=tuple({mark.id: mark for mark in one.landmarks} for one in measurements),
        differences=tuple(
            curve_difference(first, one, name)
            for one, name in zip(measurements[1:], devices[1:], strict=True)
        ),
        distance_mean=mean,
        distance_p95=p95,
        distance_floor=floor,
        colours=len(codes[0]),
        best=tuple(_nearest(one, against) for one in measurements),
    )


def curve_difference(first: Measurement, other: Measurement, device: str) -> CurveDifference:
    """Subtract two luminance curves at the source codes of the first that the other covers."""
    one, two = first.luminance_curve, other.luminance_curve
    rows = (one.source_code >= two.source_code[0]) & (one.source_code <= two.source_code[-1])
    at, light = one.source_code[rows], one.luminance[rows]

    def sampled(curve: LuminanceCurve, signal: Signal) -> tuple[FloatArray, FloatArray]:
        code = np.interp(at, curve.source_code, curve.smooth)
        half = np.interp(at, curve.source_code, (curve.high - curve.low) / 2)
        return common_codes(code, signal), half * _common_scale(signal)

    (base, base_bound) = sampled(one, coded_signal(first.capture.signal))
    (code, code_bound) = sampled(two, coded_signal(other.capture.signal))
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


def common_codes(code: FloatArray, signal: Signal) -> FloatArray:
    """Luma codes of any depth and range as 10-bit narrow codes, neither rounded nor clipped."""
    black, _ = luma_scale(signal.bits, signal.range)
    return (code - black) * _common_scale(signal) + luma_scale(COMMON_BITS, "narrow")[0]


def _common_scale(signal: Signal) -> float:
    return luma_scale(COMMON_BITS, "narrow")[1] / luma_scale(signal.bits, signal.range)[1]


def _check(measurements: Sequence[Measurement], against: Sequence[str]) -> None:
    if len(measurements) < 2:
        raise UsageError("A comparison needs two measurements or more: name another curve file.")
    scored = {score.standard for one in measurements for score in one.scores}
    for name in against:
        if name not in scored:
            known = ", ".join(sorted(scored)) or "none"
            raise UsageError(f"No distance from {name!r} was measured: name one of {known}.")


def device_names(measurements: Sequence[Measurement]) -> tuple[str, ...]:
    """Name each measurement by its device, and by more where that does not tell it apart."""
    names = [one.device for one in measurements]
    versions = [f"{one.device} {one.firmware}".strip() for one in measurements]
    settings = [
        ", ".join([version, *(f"{key} {value}" for key, value in one.settings.items())])
        for version, one in zip(versions, measurements, strict=True)
    ]
    numbered = [f"{name} ({index})" for index, name in enumerate(settings, 1)]
    levels = (names, versions, settings, numbered)
    return tuple(
        next(level[index] for level in levels if level.count(level[index]) == 1)
        for index in range(len(names))
    )


def _shared(measurements: Sequence[Measurement]) -> list[FloatArray]:
    """Capture codes (N, 3) of each measurement at the source colours that all of them saw."""
    shown = [codes_by_colour(one) for one in measurements]
    common = set.intersection(*(set(colours) for colours in shown))
    if len(common) < FEWEST_COLOURS:
        names = " and ".join(dict.fromkeys(one.source.name for one in measurements))
        raise UsageError(
            f"The measurements share only {len(common)} source colours ({names}), too few to "
            f"compare {measurements[0].device} with the others: measure all with one chart."
        )
    order = sorted(common)
    return [np.array([colours[colour] for colour in order]) for colours in shown]


def codes_by_colour(measurement: Measurement) -> dict[tuple[float, ...], FloatArray]:
    """Mean capture codes by source colour in whole codes; repeats weigh no more than others.

    Raises
    ------
    UsageError
        When the chart was not measured.
    """
    tables = measurement.tallies.tables
    if "patch_count_source" not in tables:
        raise UsageError(
            f"{measurement.device} was measured without the chart ({measurement.source.name}), and "
            "devices are compared by the colours of the chart: measure it with the chart."
        )
    counts = np.minimum(tables["patch_count_source"], tables["patch_count_capture"])
    rows = np.flatnonzero(counts.min(axis=1) > 0)
    source, capture = (
        tables[f"patch_sum_{side}"][rows] / tables[f"patch_count_{side}"][rows]
        for side in ("source", "capture")
    )
    colours, label = np.unique(np.round(source), axis=0, return_inverse=True)
    mean = np.zeros_like(colours)
    np.add.at(mean, label.reshape(-1), capture)
    mean /= np.bincount(label.reshape(-1), minlength=len(colours))[:, None]
    return dict(zip(map(tuple, colours.tolist()), mean, strict=True))


def _distances(
    codes: Sequence[FloatArray], signals: Sequence[Signal], steps: Sequence[float]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    light = [shown_light(c, s) for c, s in zip(codes, signals, strict=True)]
    rounding = [_rounding(*one) for one in zip(codes, signals, steps, strict=True)]
    size = len(codes)
    mean, p95, floor = np.zeros((3, size, size))
    for row in range(size):
        for column in range(row):
            distance = delta_e_itp(light[row], light[column])
            mean[row, column] = mean[column, row] = distance.mean()
            p95[row, column] = p95[column, row] = np.percentile(distance, 95)
            both = np.hypot(rounding[row], rounding[column]).mean()
            floor[row, column] = floor[column, row] = both
    return mean, p95, floor


def _rounding(codes: FloatArray, signal: Signal, step: float) -> FloatArray:
    """Mean ΔE_ITP of each colour that rounding to steps of codes causes, shape (N,)."""
    light = shown_light(codes, signal)
    random = np.random.default_rng(_SEED)
    total = np.zeros(len(codes))
    for _ in range(_ROUNDINGS):
        moved = codes + step * random.uniform(-0.5, 0.5, codes.shape)
        total += delta_e_itp(light, shown_light(moved, signal))
    return total / _ROUNDINGS


def _nearest(measurement: Measurement, against: Sequence[str]) -> Score | None:
    scores = [one for one in measurement.scores if not against or one.standard in against]
    return min(scores, key=lambda one: one.mean, default=None)
