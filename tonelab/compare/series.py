"""Captures of one device in order: its firmwares, and its settings."""

from __future__ import annotations

import re
from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from tonelab.compare.metadata import metadata_dependence
from tonelab.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tonelab.results import Finding, Measurement

_PARTS = re.compile(r"(\d+)")


@dataclass(frozen=True, slots=True)
class SeriesStep:
    """From one capture of a device to the next.

    Attributes
    ----------
    before, after
        Positions of the measurements.
    changed
        What was stated differently: ``firmware`` or the name of a setting, to its two values.
    metadata
        Whether the device follows the static metadata of its source; None unless only they
        differ between two captures of one chart.
    """

    before: int
    after: int
    changed: Mapping[str, tuple[str, str]]
    metadata: Finding | None


@dataclass(frozen=True, slots=True)
class Series:
    """The captures of one device, ordered by firmware and then by settings."""

    device: str
    order: tuple[int, ...]
    steps: tuple[SeriesStep, ...]

    @property
    def neighbours(self) -> set[tuple[int, int]]:
        """Pairs of positions that follow each other, the smaller first."""
        return {(min(s.before, s.after), max(s.before, s.after)) for s in self.steps}


def find_series(measurements: Sequence[Measurement]) -> tuple[Series, ...]:
    """Find the devices that were measured more than once.

    Numbers inside firmwares and settings count as numbers: 1.10 follows 1.9.

    Returns
    -------
    tuple of Series
        One for each such device; positions are those among ``measurements``.
    """
    by_device: dict[str, list[int]] = {}
    for position, one in enumerate(measurements):
        by_device.setdefault(one.device, []).append(position)
    found = []
    for device, positions in by_device.items():
        if len(positions) < 2:
            continue
        stated = [_stated(measurements[at]) for at in positions]
        keys = sorted({key for one in stated for key in one if key != "firmware"})
        ranks = {
            at: [_natural(one.get(key, "")) for key in ("firmware", *keys)]
            for at, one in zip(positions, stated, strict=True)
        }
        order = sorted(positions, key=ranks.__getitem__)
        steps = tuple(_step(measurements, before, after) for before, after in pairwise(order))
        found.append(Series(device, tuple(order), steps))
    return tuple(found)


def _step(measurements: Sequence[Measurement], before: int, after: int) -> SeriesStep:
    one, other = measurements[before], measurements[after]
    metadata = None
    with suppress(UsageError):  # the pair cannot tell
        metadata = metadata_dependence(one, other)
    return SeriesStep(before, after, _changed(one, other), metadata)


def _stated(measurement: Measurement) -> dict[str, str]:
    return {"firmware": measurement.firmware, **measurement.settings}


def _changed(one: Measurement, other: Measurement) -> dict[str, tuple[str, str]]:
    before, after = _stated(one), _stated(other)
    return {
        key: (before.get(key, ""), after.get(key, ""))
        for key in [*before, *(key for key in after if key not in before)]
        if before.get(key, "") != after.get(key, "")
    }


def _natural(text: str) -> list[tuple[int, int, str]]:
    """Turn text into a sortable list in which digits count as numbers."""
    return [
        (0, int(part), "") if part.isdecimal() else (1, 0, part)
        for part in _PARTS.split(text)
        if part
    ]
