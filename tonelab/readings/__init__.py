"""A measured pair brought down once: signals as read, greys, colours, curves, coverage.

`read` takes a pair's tallies and reads its signals from the data; `readings_of` takes a
measurement, whose signals are known. Chart or content is asked here and nowhere after.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tonelab.readings.base import LatticeColours, Readings
from tonelab.readings.chart import ChartReadings
from tonelab.readings.content import ContentReadings

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tonelab.results import ClipFacts, Measurement, Tallies

__all__ = ["LatticeColours", "Readings", "read", "readings_of"]


def read(
    tallies: Tallies, source: ClipFacts, capture: ClipFacts, further: Sequence[Tallies] = ()
) -> Readings:
    """Bring a tallied pair down, its signals read from the data where nobody states them.

    ``further`` are the sums of further charts of the same device, which count with the first.

    Raises
    ------
    SignalError
        When nothing says how the source is coded.
    ChartError
        When the chart's layout is not known here.
    """
    return _readings(tallies, source, capture, tuple(further)).settled()


def readings_of(measurement: Measurement) -> Readings:
    """Bring a measurement down from its tallies, its signals as they were read before."""
    further = tuple(chart.tallies for chart in measurement.further)
    return _readings(measurement.tallies, measurement.source, measurement.capture, further)


def _readings(
    tallies: Tallies, source: ClipFacts, capture: ClipFacts, further: tuple[Tallies, ...]
) -> Readings:
    kind = ChartReadings if tallies.layout else ContentReadings
    return kind(tallies, source, capture, further)
