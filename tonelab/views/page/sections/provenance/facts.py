"""What a measurement rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tonelab.views.document import plain
from tonelab.views.page.listing import flat
from tonelab.views.words import display_of, further_chart, left_out, light, readings

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tonelab.results import ClipFacts, Measurement, PairingFacts


def facts(measurement: Measurement) -> Iterator[tuple[str, str]]:
    """Everything a measurement rests on, as labels and words."""
    settings = [f"{name} = {value}" for name, value in measurement.settings.items()]
    chain = measurement.conversion
    parts = ("drive", "order", "chroma", "gamut", "encoding")
    identified = [chain.family_label, *(f"{part} {getattr(chain, part)}" for part in parts)]
    yield "Firmware", measurement.firmware or "not stated"
    yield "Settings", ", ".join(settings) or "none stated"
    yield "Notes on device and chain", measurement.notes or "none"
    yield from _clip("Source", measurement.source)
    yield from _clip("Capture", measurement.capture)
    for chart in measurement.further:
        yield "Further chart", further_chart(chart)
        yield from _clip("Further source", chart.source)
        yield from _clip("Further capture", chart.capture)
        yield "Further registered", _registered(chart.pairing)
    yield "Display assumed", display_of(measurement.capture.signal)
    yield "Registered", _registered(measurement.pairing)
    yield "Chain identified", "; ".join(identified)
    yield from (("Note on the chain", note) for note in chain.notes)
    yield from ((label.capitalize(), value) for label, value in flat(plain(measurement.provenance)))


def _registered(pairing: PairingFacts) -> str:
    left = left_out(pairing)
    (sx, sy), (ox, oy) = pairing.scale, pairing.offset
    return (
        f"by {pairing.method}; {pairing.used} frames used, left out: {left or 'none'}; scale "
        f"{sx:.4g} × {sy:.4g}, offset {ox:+.2f}, {oy:+.2f} pixels, residual {pairing.residual:.2f} "
        "pixels"
    )


def _clip(side: str, clip: ClipFacts) -> Iterator[tuple[str, str]]:
    coding = (f"{clip.codec} in {clip.container}", f"{clip.width} × {clip.height}",
              f"{clip.rate} frames/s", clip.subsampling, f"{clip.signal.bits} bits",
              f"{clip.frames} frames")  # fmt: skip
    read = [f"{name} {value} ({origin})" for name, value, origin in readings(clip.signal)]
    yield f"{side} clip", clip.name
    yield f"{side} coding", ", ".join(coding)
    yield f"{side} read as", ", ".join(read)
    if clip.mastering_peak is not None:
        yield f"{side} mastering peak", light(clip.mastering_peak)
    yield f"{side} SHA-256 of the file", clip.sha256 or "not computed"
    yield f"{side} SHA-256 of the planes used", clip.planes_sha256 or "not computed"
