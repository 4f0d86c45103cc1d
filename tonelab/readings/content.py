"""Readings of a pair without a chart: flat places of whatever was played."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from tonelab.errors import IdentificationError
from tonelab.readings.base import LatticeColours, Readings
from tonelab.readings.colours import gather_cells, gather_tones
from tonelab.readings.coverage import (
    colour_coverage,
    curve_coverage,
    flat_share,
    without_gaps,
)
from tonelab.readings.curves import MIN_NEUTRALS
from tonelab.readings.repeats import scene_dependence
from tonelab.readings.shared import codes_by_cell
from tonelab.readings.signals import read_content_source
from tonelab.signal.transfer import PQ_PEAK

if TYPE_CHECKING:
    from tonelab.readings.colours import Colours
    from tonelab.readings.signals import SignalReading
    from tonelab.results import Finding, Landmark
    from tonelab.signal.arrays import FloatArray, IntArray

CONTENT_PEAK = 1000.0  # cd/m2, taken for the mastering peak of content that states none


@dataclass(frozen=True, eq=False)
class ContentReadings(Readings):
    """A pair of films, photographs or other people's patterns."""

    @property
    def promised_peak(self) -> float:
        return self.source.mastering_peak or PQ_PEAK

    @property
    def mastering_peak(self) -> float:
        return self.source.mastering_peak or CONTENT_PEAK

    @cached_property
    def native_colours(self) -> Colours:
        return gather_cells(self.tallies)

    @property
    def keyed_by(self) -> str:
        return "cell of source colour"

    def by_key(self) -> tuple[IntArray, FloatArray, FloatArray]:
        return codes_by_cell(self.tallies)

    def lattice(self) -> LatticeColours | None:
        return None

    def repeats(self) -> tuple[str, tuple[Finding, ...]]:
        return scene_dependence(self.tallies, self.step)

    def unseen(self, frames: int, *, told: bool) -> tuple[Finding, ...]:
        return (
            curve_coverage(self.curve, self.source_coding),
            colour_coverage(self.colours, self.source_coding, told=told),
            flat_share(self.tallies, self.source, frames),
        )

    def known(self, landmarks: tuple[Landmark, ...]) -> tuple[Landmark, ...]:
        return without_gaps(landmarks, self.curve, self.source_coding)

    def _read_source(self) -> SignalReading:
        return read_content_source(self.source.signal, (self.source.width, self.source.height))

    @cached_property
    def native_neutrals(self) -> Colours:
        return gather_tones(self.tallies, rgb=self.source.signal.matrix == "rgb")

    def _copies(self) -> Colours | None:
        return None

    def _enough(self, neutrals: int) -> None:
        if neutrals < MIN_NEUTRALS:
            raise IdentificationError(
                f"Only {neutrals} neutral levels were seen in flat parts of the picture, too few "
                "for a curve: capture the chart, or content with more greys from dark to bright."
            )
