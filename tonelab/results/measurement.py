"""A measured pair and its distances from the standard conversions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from tonelab.results.viewable import Viewable

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tonelab.results.clips import ClipFacts, PairingFacts
    from tonelab.results.conversion import IdentifiedConversion
    from tonelab.results.curves import ChromaTransfer, Landmark, LuminanceCurve
    from tonelab.results.findings import Finding
    from tonelab.results.tallies import Tallies


@dataclass(frozen=True, slots=True)
class Score:
    """Distance of the capture from one standard conversion, on the stated display.

    ``luminance_error`` is the mean absolute relative error of output luminance on neutrals, in
    percent; ``codes_rms`` is over Y', Cb and Cr. ``ciede2000`` is the mean CIEDE2000 with the
    white of the display as reference, ``ciede2000_floor`` its floor; None in older files and where
    the capture is HDR, for which CIELAB was not made.
    """

    standard: str
    label: str
    mean: float
    median: float
    p95: float
    p99: float
    max: float
    floor: float
    luminance_error: float
    codes_rms: float
    count: int
    display: str
    ciede2000: float | None = None
    ciede2000_floor: float | None = None


@dataclass(frozen=True, slots=True)
class Measurement(Viewable):
    """One measured pair of source and capture."""

    device: str
    firmware: str
    settings: Mapping[str, str]
    notes: str
    source: ClipFacts
    capture: ClipFacts
    pairing: PairingFacts
    findings: tuple[Finding, ...]
    tallies: Tallies
    luminance_curve: LuminanceCurve
    chroma_transfer: ChromaTransfer
    conversion: IdentifiedConversion
    landmarks: tuple[Landmark, ...]
    scores: tuple[Score, ...]
    provenance: Mapping[str, Any]
