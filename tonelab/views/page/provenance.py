"""What the page rests on, and what it does not show."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from tonelab.conversion.standards import STANDARDS
from tonelab.scores.gradients import gradient_steps
from tonelab.signal.transfer import eotf_pq
from tonelab.views.document import plain
from tonelab.views.page.tables import flat, landmark_missing
from tonelab.views.words import display_of, light, readings

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from tonelab.results import ClipFacts, Measurement, PairingFacts
    from tonelab.views.pictures import PictureSet


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
    yield "Display assumed", display_of(measurement.capture.signal)
    yield "Registered", _registered(measurement.pairing)
    yield "Chain identified", "; ".join(identified)
    yield from (("Note on the chain", note) for note in chain.notes)
    yield from ((label.capitalize(), value) for label, value in flat(plain(measurement.provenance)))


def _registered(pairing: PairingFacts) -> str:
    left = ", ".join(f"{count} {reason}" for reason, count in pairing.left_out.items() if count)
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


def not_shown(
    measurements: Sequence[Measurement],
    names: Sequence[str],
    *,
    no_comparison: str,
    checks: Mapping[str, Any],
    corrections: Sequence[Any],
    pictures: Sequence[PictureSet],
) -> Iterator[str]:
    """Sentences on what a reader may look for and does not find, with the reason."""
    yield (
        "The light of a real display: only the signal was recorded, and light is computed for the "
        "display named with it."
    )
    if no_comparison:
        yield f"Differences and distances between the devices: {no_comparison}"
    if not pictures:
        yield "Pictures: no capture was given to this page, only measurements."
    for shown in pictures:
        missing = [name for name, one in zip(names, shown.shown, strict=True) if one is None]
        if missing:
            yield f"Pictures of {', '.join(missing)} at {shown.label}: there was no capture."
    if not checks:
        yield "Checks of the capture chain: none was given to this page."
    if not corrections:
        yield "Coverage of corrections: no correction was made."
    for name, marks in landmark_missing(measurements, names).items():
        yield f"{name}: {', '.join(marks)}: the capture does not reach there."
    for name, one in zip(names, measurements, strict=True):
        yield from _unseen(name, one)
    marked = {
        score.standard: score.label
        for one in measurements
        for score in one.scores
        if score.standard in STANDARDS and STANDARDS[score.standard].status != "published"
    }
    if marked:
        yield (
            f"Exact equations of {', '.join(marked.values())}: the documents leave some out, so "
            "what is shown is a reconstruction."
        )


def _unseen(name: str, measurement: Measurement) -> Iterator[str]:
    chroma = measurement.chroma_transfer
    empty = [
        light(float(eotf_pq(np.array((level - 64) / 876))))
        for column, level in enumerate(chroma.level)
        if not np.isfinite(chroma.ratio[:, column]).any()
    ]
    if empty:
        yield (
            f"{name}: chroma around source greys of {', '.join(empty)}: too few colours there "
            "that the capture does not clip."
        )
    if not gradient_steps(measurement):
        yield f"{name}: gradient steps: no two neighbouring grey codes were seen."
    if not measurement.scores:
        yield f"{name}: distance from the standard conversions: none was computed."
    unknown = [
        key.replace("_", " ")
        for key, estimate in {
            **measurement.conversion.parameters, **measurement.conversion.controls
        }.items()
        if not estimate.identifiable
    ]  # fmt: skip
    if unknown:
        yield f"{name}: {', '.join(unknown)}: not identifiable from this capture."
