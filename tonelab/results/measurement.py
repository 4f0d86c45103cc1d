"""A measured pair and its distances from the standard conversions."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

from tonelab.described import described, result
from tonelab.errors import UsageError
from tonelab.results.viewable import Viewable

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tonelab.results.clips import ClipFacts, PairingFacts
    from tonelab.results.conversion import IdentifiedConversion
    from tonelab.results.curves import ChromaTransfer, Landmark, LuminanceCurve
    from tonelab.results.findings import Finding
    from tonelab.results.tallies import Tallies

N = TypeVar("N")


@result
class Score:
    """Distance of the capture from one standard conversion, on the stated display."""

    standard: str = described("Short name of the standard conversion")
    label: str = described("The same for people")
    mean: float = described("Mean colour difference", "ΔE_ITP", low=0)
    median: float = described("Median colour difference", "ΔE_ITP", low=0)
    p95: float = described("95th percentile of the colour difference", "ΔE_ITP", low=0)
    p99: float = described("99th percentile of the colour difference", "ΔE_ITP", low=0)
    max: float = described("Largest colour difference", "ΔE_ITP", low=0)
    floor: float = described(
        "Mean colour difference that quantisation alone causes", "ΔE_ITP", low=0
    )
    luminance_error: float = described(
        "Mean absolute error of output luminance, neutrals",
        "%",
        note="Relative to the standard conversion.",
        low=0,
    )
    codes_rms: float = described("RMS difference over Y', Cb and Cr", "code", low=0)
    count: int = described("Colours compared", "1", low=0)
    display: str = described("The assumed display")
    ciede2000: float | None = described(
        "Mean colour difference, white of the display",
        "CIEDE2000",
        note="Absent in older files and where the capture is HDR, for which CIELAB was not made.",
        low=0,
        default=None,
    )
    ciede2000_floor: float | None = described(
        "Mean that quantisation alone causes",
        "CIEDE2000",
        note="Absent where ``ciede2000`` is.",
        low=0,
        default=None,
    )


@result
class FurtherChart:
    """A further chart of the device, made for what the charts before it left open."""

    source: ClipFacts = described("The chart as decoded from the file that was played")
    capture: ClipFacts = described("The clip recorded at the output of the device")
    pairing: PairingFacts = described("How the two were registered")
    tallies: Tallies = described("Exact integer counts and sums of this chart alone")
    count: int = described(
        "Colours of this chart that the prediction was not fitted to", "1", low=0
    )
    before_codes_rms: float = described(
        "RMS by which the charts before it mispredict them", "code", low=0
    )
    after_codes_rms: float = described("The same with this chart fitted too", "code", low=0)
    floor_codes_rms: float = described("The same of rounding alone", "code", low=0)
    moved_codes: float = described(
        "Largest difference of colours that the charts before it show too, 95th percentile",
        "code",
        low=0,
    )


@result
class Measurement(Viewable):
    """One measured pair of source and capture."""

    device: str = described("Name of the device that was measured")
    firmware: str = described("Its firmware, as the person stated it")
    settings: Mapping[str, str] = described(
        "Settings of the device during the capture", dims=("setting",)
    )
    notes: str = described("Notes of the person on chain and circumstances")
    source: ClipFacts = described("The HDR clip as decoded from the file that was played")
    capture: ClipFacts = described("The clip recorded at the output of the device")
    pairing: PairingFacts = described("How source and capture were registered")
    findings: tuple[Finding, ...] = described(
        "What was seen, and what it rests on", dims=("finding",)
    )
    tallies: Tallies = described("Exact integer counts and sums; everything else follows from them")
    luminance_curve: LuminanceCurve = described("Luminance transfer of neutrals")
    chroma_transfer: ChromaTransfer = described("Hue rotation and chroma ratio in the Cb/Cr plane")
    conversion: IdentifiedConversion = described("The identified HDR-to-SDR conversion")
    landmarks: tuple[Landmark, ...] = described(
        "Named points of the luminance curve", dims=("landmark",)
    )
    scores: tuple[Score, ...] = described(
        "Distances from the standard conversions", dims=("standard",)
    )
    provenance: Mapping[str, Any] = described("Files, tools and circumstances of this measurement")
    further: tuple[FurtherChart, ...] = described(
        "Further charts that count with the first", dims=("chart",), default=()
    )

    def landmark(self, name: str) -> Landmark:
        """Return a landmark by its name, such as ``"diffuse-white"``.

        Raises
        ------
        UsageError
            When there is none of this name.
        """
        return _named(self.landmarks, "landmark", "id", name)

    def score(self, standard: str) -> Score:
        """Return the distance from a standard conversion by its name, such as ``"bt2446a"``.

        Raises
        ------
        UsageError
            When it was not scored.
        """
        return _named(self.scores, "score", "standard", standard)


def _named(items: tuple[N, ...], kind: str, field: str, name: str) -> N:
    found = {getattr(one, field): one for one in items}
    if name not in found:
        raise UsageError(
            f"There is no {kind} {name!r}: name one of {', '.join(found) or 'none; there is none'}."
        )
    return found[name]
