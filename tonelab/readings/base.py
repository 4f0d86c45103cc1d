"""A measured pair brought down once: signals as read, greys, colours, what was and was not seen."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Self

import numpy as np

from tonelab.readings.colours import (
    as_ycbcr,
    code_step,
    coded_signal,
    coded_source,
    source_as_ycbcr,
)
from tonelab.readings.curves import luminance_curve
from tonelab.readings.signals import read_capture

if TYPE_CHECKING:
    from tonelab.readings.colours import Colours
    from tonelab.readings.signals import SignalReading
    from tonelab.results import ClipFacts, Finding, Landmark, LuminanceCurve, Tallies
    from tonelab.signal.arrays import FloatArray, IntArray
    from tonelab.signal.description import Signal


@dataclass(frozen=True, slots=True, eq=False)
class LatticeColours:
    """Colours that stand at the nodes of an even lattice of R'G'B' source signals, and others.

    Attributes
    ----------
    nodes, between, neutrals
        In Y'CbCr codes of both sides: at the nodes, between them, and on the grey axis. Those of a
        second chart come last in ``between``.
    size
        Nodes along each side of the lattice.
    top
        R'G'B' source signal (0 to 1) of its last node.
    """

    nodes: Colours
    between: Colours
    neutrals: Colours
    size: int
    top: float


@dataclass(frozen=True, eq=False)
class Readings(ABC):
    """A measured pair brought down to greys and colours, with the chart or without.

    Everything after the tallies asks here; the difference between a chart and free content lives
    in the two classes that derive from this one.

    Attributes
    ----------
    tallies
        Sums of the pair.
    source, capture
        Facts of the clips; their signals say how the codes are read.
    further
        Sums of further charts of the same device.
    findings
        Declared fields of the signals that contradict the codes.
    """

    tallies: Tallies
    source: ClipFacts
    capture: ClipFacts
    further: tuple[Tallies, ...] = ()
    findings: tuple[Finding, ...] = ()

    def settled(self) -> Self:
        """Return the same with both signals read from the data where nobody states them.

        Raises
        ------
        SignalError
            When nothing says how the source is coded.
        """
        signal, found = self._read_source()
        known = replace(self, source=replace(self.source, signal=signal))
        captured, more = read_capture(self.capture.signal, known.native_neutrals, signal)
        capture = replace(self.capture, signal=captured)
        return replace(known, capture=capture, findings=(*found, *more))

    # How codes are read

    @cached_property
    def step(self) -> float:
        """Step of the capture's codes: 4 when 8 bits sit in a 10-bit container."""
        return code_step(self.tallies, self.capture.signal)

    @property
    def source_coding(self) -> Signal:
        """Y'CbCr signal in which `neutrals` and `colours` hold the source."""
        return coded_source(self.source.signal)

    @property
    def capture_coding(self) -> Signal:
        """Y'CbCr signal in which `neutrals` and `colours` hold the capture."""
        return coded_signal(self.capture.signal)

    # Greys and colours

    @cached_property
    def neutrals(self) -> Colours:
        """Greys in Y'CbCr codes of both sides, one row a source code, ascending.

        Raises
        ------
        IdentificationError
            When too few were seen for a curve.
        """
        found = self.native_neutrals
        self._enough(len(found))
        return self._coded(found[np.argsort(found.source[:, 0], kind="stable")])

    @cached_property
    def colours(self) -> Colours:
        """All colours, greys included, in Y'CbCr codes of both sides; one row a colour or cell."""
        return self._coded(self.native_colours)

    @cached_property
    def curve(self) -> LuminanceCurve:
        """Luminance transfer curve of the greys.

        Raises
        ------
        IdentificationError
            When too few greys were seen.
        """
        return luminance_curve(
            self.neutrals, self.source_coding, code_step=self.step, copies=self._copies()
        )

    def _coded(self, colours: Colours) -> Colours:
        return as_ycbcr(source_as_ycbcr(colours, self.source.signal), self.capture.signal)

    # What a chart and content answer differently

    @property
    @abstractmethod
    def promised_peak(self) -> float:
        """Light in cd/m2 up to which a conversion of this source is made."""

    @property
    @abstractmethod
    def mastering_peak(self) -> float:
        """Mastering peak of the source in cd/m2, which standard conversions are given."""

    @property
    @abstractmethod
    def native_neutrals(self) -> Colours:
        """Greys in native codes of both sides; one row a source code, in any order."""

    @property
    @abstractmethod
    def native_colours(self) -> Colours:
        """All colours, greys included, in native codes of both sides; one row a colour or cell."""

    @property
    @abstractmethod
    def keyed_by(self) -> str:
        """What the keys of `by_key` stand for; only equal ones can be shared."""

    @abstractmethod
    def by_key(self) -> tuple[IntArray, FloatArray, FloatArray]:
        """Colours under keys that other measurements of the same source share.

        Returns
        -------
        key
            Shape (N,): one number for each source colour, ascending.
        source, capture
            Shape (N, 3): native codes; repeats of a colour weigh no more than others.
        """

    @abstractmethod
    def lattice(self) -> LatticeColours | None:
        """Return the colours of a known lattice; None where the source has none."""

    @abstractmethod
    def repeats(self) -> tuple[str, tuple[Finding, ...]]:
        """Whether one colour always lands on one code.

        Returns
        -------
        str
            ``static``, ``scene-dependent``, ``local`` or ``unknown``.
        tuple of Finding
            By how much it does not, in codes.
        """

    @abstractmethod
    def unseen(self, frames: int, *, told: bool) -> tuple[Finding, ...]:
        """Say what of light and colour was not seen in so many captured frames.

        ``told`` says whether the conversion was named, all of its parts alone.
        """

    @abstractmethod
    def known(self, landmarks: tuple[Landmark, ...]) -> tuple[Landmark, ...]:
        """Empty the landmarks of `curve` that lie where nothing was seen."""

    @abstractmethod
    def _read_source(self) -> SignalReading: ...

    @abstractmethod
    def _copies(self) -> Colours | None: ...

    @abstractmethod
    def _enough(self, neutrals: int) -> None: ...
