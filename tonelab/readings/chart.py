"""Readings of a pair that shows the chart: patches of known codes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from tonelab.chart import COLOURED, Group, Layout
from tonelab.chart.colours import signal_of_light
from tonelab.chart.patches import RECIPES
from tonelab.readings.base import LatticeColours, Readings
from tonelab.readings.colours import gather, gather_charts, joined
from tonelab.readings.repeats import repeatability
from tonelab.readings.shared import codes_by_colour
from tonelab.readings.signals import read_chart_source

if TYPE_CHECKING:
    from tonelab.readings.colours import Colours
    from tonelab.readings.signals import SignalReading
    from tonelab.results import Finding, Landmark, Tallies
    from tonelab.signal.arrays import FloatArray, IntArray


def layout_of(tallies: Tallies, width: int, height: int) -> Layout:
    """Layout of a measured chart; the own colours of a second one are those that the sums show.

    Raises
    ------
    ChartError
        When it is not known here.
    """
    layout = Layout.from_descriptor(tallies.layout, width, height)
    if layout.refinement is None:
        return layout
    count = np.maximum(tallies.tables["patch_count_source"][layout.free], 1)
    return layout.with_colours(np.rint(tallies.tables["patch_sum_source"][layout.free] / count))


@dataclass(frozen=True, eq=False)
class ChartReadings(Readings):
    """A pair whose source is the chart of `Tallies.layout`."""

    @cached_property
    def layout(self) -> Layout:
        """The chart that was played."""
        return layout_of(self.tallies, self.source.width, self.source.height)

    @cached_property
    def charts(self) -> tuple[tuple[Tallies, Layout], ...]:
        """Sums and layout of the chart that was played, and of further ones."""
        size = self.source.width, self.source.height
        further = ((one, layout_of(one, *size)) for one in self.further)
        return ((self.tallies, self.layout), *further)

    @property
    def promised_peak(self) -> float:
        return float(self.layout.peak)

    @property
    def mastering_peak(self) -> float:
        return self.source.mastering_peak or self.promised_peak

    @cached_property
    def native_colours(self) -> Colours:
        return gather_charts(self.charts, *COLOURED)

    @property
    def keyed_by(self) -> str:
        return "colour of the chart"

    def by_key(self) -> tuple[IntArray, FloatArray, FloatArray]:
        return codes_by_colour(self.tallies, *self.further)

    def lattice(self) -> LatticeColours:
        """Return the colours of the chart's lattice, those between its nodes, and its greys."""
        between = gather(self.tallies, self.layout, Group.NEUTRAL_NEAR, Group.KNEE, Group.SWEEP)
        for chart in self.charts[1:]:
            between = joined(between, gather(*chart, Group.REFINED))
        return LatticeColours(
            nodes=self._coded(gather(self.tallies, self.layout, Group.LATTICE)),
            between=self._coded(between),
            neutrals=self._coded(self.native_neutrals),
            size=RECIPES[self.layout.kind].lattice_nodes,
            top=float(signal_of_light(self.layout.peak, self.layout.transfer, self.layout.peak)),
        )

    def repeats(self) -> tuple[str, tuple[Finding, ...]]:
        return repeatability(self.tallies, self.layout, self.step)

    def unseen(self, frames: int, *, told: bool) -> tuple[Finding, ...]:  # noqa: ARG002
        return ()  # it shows all there is

    def known(self, landmarks: tuple[Landmark, ...]) -> tuple[Landmark, ...]:
        return landmarks

    def _read_source(self) -> SignalReading:
        return read_chart_source(self.source.signal, self.layout)

    @cached_property
    def native_neutrals(self) -> Colours:
        return gather_charts(self.charts, Group.NEUTRAL)

    def _copies(self) -> Colours:
        return self._coded(gather_charts(self.charts, Group.NEUTRAL, merge=False))

    def _enough(self, neutrals: int) -> None:
        """Leave it to the curve, which knows how many it needs."""
