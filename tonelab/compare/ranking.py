"""Distances of measurements from references: standard conversions or devices."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tonelab.compare.shared import (
    DisplayedColours,
    Distance,
    distance,
    mastering_peak,
    standard_shown,
)
from tonelab.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tonelab.compare.shared import Shared
    from tonelab.results import Measurement

PEAK_MARGIN = 1.02  # of the mastering peak, beyond which a standard conversion is not defined


@dataclass(frozen=True, slots=True)
class Ranking:
    """Measurements by their distance from one reference.

    Attributes
    ----------
    reference, label
        Name of the standard conversion, or of the device; and the same for people.
    entries
        Position of each measurement and its distance, nearest first.
    """

    reference: str
    label: str
    entries: tuple[tuple[int, Distance], ...]


def rank(
    measurements: Sequence[Measurement],
    devices: Sequence[str],
    against: Sequence[str | Measurement],
    shared: Shared,
    shown: Sequence[DisplayedColours],
) -> tuple[Ranking, ...]:
    """Rank measurements by each reference; ``shown`` ends with those that are measurements.

    Raises
    ------
    UsageError
        When a standard conversion is unknown.
    """
    rankings = []
    references = iter(shown[len(measurements) :])
    for one in against:
        if isinstance(one, str):
            rankings.append(_by_standard(one, measurements, shared, shown))
            continue
        reference = next(references)
        found = [distance(mine, reference) for mine in shown[: len(devices)]]
        name = f"{one.device} {one.firmware}".strip()
        rankings.append(Ranking(name, name, _sorted(found)))
    return tuple(rankings)


def _by_standard(
    name: str,
    measurements: Sequence[Measurement],
    shared: Shared,
    shown: Sequence[DisplayedColours],
) -> Ranking:
    """Rank by a standard conversion, given the mastering peak of each source."""
    from tonelab.conversion.standards import STANDARDS

    standard = STANDARDS[name]
    ideal: dict[tuple[object, ...], DisplayedColours] = {}
    found = []
    for one, signal, mine in zip(measurements, shared.signals, shown, strict=False):
        peak = mastering_peak(one)
        rows = shared.light.max(axis=1) <= PEAK_MARGIN * peak
        if not rows.any():
            raise UsageError(
                f"None of the shared colours lies below the mastering peak of {peak:g} cd/m2, so "
                f"{one.device} cannot be compared with {standard.label}: measure with the chart."
            )
        display = (peak, signal.transfer, signal.primaries, signal.peak, signal.black)
        if display not in ideal:
            ideal[display] = standard_shown(name, shared.light[rows], peak, signal)
        found.append(distance(mine.at(rows), ideal[display]))
    return Ranking(name, standard.label, _sorted(found))


def _sorted(found: list[Distance]) -> tuple[tuple[int, Distance], ...]:
    return tuple(sorted(enumerate(found), key=lambda entry: entry[1].mean))
