"""Measurements held against each other: curves, landmarks, distances, verdicts, series."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tonelab.compare.curves import CurveDifference, common_codes, curve_difference
from tonelab.compare.ranking import Ranking, rank
from tonelab.compare.series import Series, find_series
from tonelab.compare.shared import Basis, distances_among, share
from tonelab.compare.verdicts import MARGIN, Judge, PairVerdict
from tonelab.errors import UsageError
from tonelab.results import Viewable

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tonelab.results import ChromaTransfer, Landmark, Measurement, Score
    from tonelab.signal.arrays import FloatArray, Mask
    from tonelab.signal.description import Signal

__all__ = [
    "Comparison",
    "CurveDifference",
    "HueResponse",
    "common_codes",
    "compare",
    "curve_difference",
    "device_names",
    "hue_responses",
]

EVERY_PAIR = 12  # measurements up to which each pair gets a verdict


@dataclass(frozen=True, slots=True)
class HueResponse:
    """Chroma transfer of one measurement by source hue, over levels that all devices kept.

    Attributes
    ----------
    device
        Name of the measurement.
    hue
        Shape (24,): centre of each hue bin, degrees in the source Cb/Cr plane.
    rotation, rotation_bound
        Degrees, and half the 95 % interval; NaN where nothing was seen.
    ratio, ratio_bound
        Chroma of the capture over that of the source, and half the 95 % interval.
    """

    device: str
    hue: FloatArray
    rotation: FloatArray
    rotation_bound: FloatArray
    ratio: FloatArray
    ratio_bound: FloatArray


@dataclass(frozen=True, slots=True)
class Comparison(Viewable):
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
    hues
        Chroma rotation and ratio by hue, one entry for each measurement.
    basis
        Whether distances rest on shared ``colours`` or on ``greys`` along the curves.
    distance_mean, distance_p95, distance_low, distance_high
        Shape (D, D), ΔE_ITP over the colours that all captures show, each decoded by its own
        signal, with the 95 % bounds of the mean; zero on the diagonal.
    distance_floor
        Shape (D, D), the mean ΔE_ITP that rounding to the codes of the captures alone causes.
    colours
        Number of colours that the distances rest on.
    verdicts
        What separates two measurements: all pairs of a few; of many, those with the first and
        those of nearest neighbours.
    best
        For each measurement the nearest of the standard conversions that were scored, or None.
    rankings
        Distances from the references that were asked for, nearest first.
    series
        Devices that occur more than once, in the order of firmware and settings.
    """

    devices: tuple[str, ...]
    displays: tuple[Signal, ...]
    landmarks: tuple[Mapping[str, Landmark], ...]
    differences: tuple[CurveDifference, ...]
    hues: tuple[HueResponse, ...]
    basis: Basis
    distance_mean: FloatArray
    distance_p95: FloatArray
    distance_low: FloatArray
    distance_high: FloatArray
    distance_floor: FloatArray
    colours: int
    verdicts: tuple[PairVerdict, ...]
    best: tuple[Score | None, ...]
    rankings: tuple[Ranking, ...]
    series: tuple[Series, ...]


def compare(
    measurements: Sequence[Measurement],
    against: Sequence[str | Measurement] = (),
    margin: float = MARGIN,
) -> Comparison:
    """Hold measurements of one source against each other.

    Parameters
    ----------
    measurements
        Two or more, or one and a reference to hold it against. Made with one chart, or with
        charts alike, they are compared by colour; otherwise by the greys along their curves.
    against
        References to rank by: names of standard conversions, evaluated now, or measurements.
    margin
        Mean ΔE_ITP within which two conversions count as the same.

    Returns
    -------
    Comparison
        Distances, differences, landmarks, verdicts, rankings and series.

    Raises
    ------
    UsageError
        When there are too few, when they share neither colours nor a stretch of their curves, or
        when a standard is unknown.
    """
    if len(measurements) < (1 if against else 2):
        raise UsageError("A comparison needs two measurements or more: name another curve file.")
    every = tuple(measurements)
    references = [one for one in against if not isinstance(one, str)]
    shared = share([*every, *references])
    shown = shared.shown()
    devices = device_names(every)
    matrix = np.zeros((5, len(every), len(every)))
    apart = list(distances_among(shown[: len(every)]))
    for row, others in enumerate(apart):
        for column, found in enumerate(others):
            figures = (found.mean, found.p95, found.low, found.high, found.floor)
            matrix[:, row, column] = matrix[:, column, row] = figures
    series = find_series(every)
    judge = Judge(every, shared, shown, margin)
    wanted = _pairs(matrix[0])
    wanted |= {pair for one in series for pair in one.neighbours}
    return Comparison(
        devices=devices,
        displays=tuple(one.capture.signal for one in every),
        landmarks=tuple({mark.id: mark for mark in one.landmarks} for one in every),
        differences=tuple(
            curve_difference(every[0], one, name)
            for one, name in zip(every[1:], devices[1:], strict=True)
        ),
        hues=hue_responses([one.chroma_transfer for one in every], devices),
        basis=shared.basis,
        distance_mean=matrix[0],
        distance_p95=matrix[1],
        distance_low=matrix[2],
        distance_high=matrix[3],
        distance_floor=matrix[4],
        colours=len(shared),
        verdicts=tuple(
            judge.verdict(one, other, apart[other][one]) for one, other in sorted(wanted)
        ),
        best=tuple(min(one.scores, key=lambda s: s.mean, default=None) for one in every),
        rankings=rank(every, devices, against, shared, shown),
        series=series,
    )


def _pairs(mean: FloatArray) -> set[tuple[int, int]]:
    size = len(mean)
    if size <= EVERY_PAIR:
        return {(one, other) for other in range(size) for one in range(other)}
    away = mean + np.diag(np.full(size, np.inf))
    nearest = {(min(row, at), max(row, at)) for row, at in enumerate(away.argmin(axis=1).tolist())}
    return nearest | {(0, other) for other in range(1, size)}


def hue_responses(
    transfers: Sequence[ChromaTransfer], devices: Sequence[str]
) -> tuple[HueResponse, ...]:
    """Pool the levels of chroma transfers over the colours that all devices kept.

    A device that clips a colour has none of it in its transfer: where counts differ, so do the
    colours, and the cell says nothing of a comparison. Of unlike charts all cells are taken that
    each device has.
    """
    counts = np.stack([one.count for one in transfers])
    seen: Mask = np.all([np.isfinite(one.ratio) & (one.count > 0) for one in transfers], axis=0)
    alike = seen & (counts == counts[0]).all(axis=0)
    cells = alike if alike.any() else seen
    return tuple(
        hue_response(one, name, cells) for one, name in zip(transfers, devices, strict=True)
    )


def hue_response(chroma: ChromaTransfer, device: str, seen: Mask) -> HueResponse:
    """Pool the levels of a chroma transfer in some cells, each weighted by what it knows."""

    def pooled(value: FloatArray, bound: FloatArray) -> tuple[FloatArray, FloatArray]:
        weight = np.where(seen, chroma.count, 0).astype(np.float64)
        total = weight.sum(axis=1)
        share = weight / np.where(total > 0, total, np.nan)[:, None]
        middle = np.sum(share * np.where(seen, value, 0.0), axis=1)
        with np.errstate(over="ignore"):  # a file may state any bound
            half = np.sqrt(np.sum((share * np.where(seen, bound, 0.0)) ** 2, axis=1))
        return middle, half

    return HueResponse(
        device,
        chroma.hue,
        *pooled(chroma.rotation, chroma.rotation_bound),
        *pooled(chroma.ratio, chroma.ratio_bound),
    )


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
