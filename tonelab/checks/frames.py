"""What the registration found: frames, the place of the picture, and what covers it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from tonelab.checks.covers import LEAST_COVERED
from tonelab.checks.registry import CHECKS, altered, transparent, undecided
from tonelab.results.findings import number

if TYPE_CHECKING:
    from tonelab.checks.evidence import PathEvidence
    from tonelab.checks.registry import Figures, Findings
    from tonelab.results import Finding

_BY_RULE = {"frames-settling", "frames-cut"}
_OVERLAYS = {"static-overlay", "moving-overlay"}
STILL = "time-ambiguous"  # has a verdict where any frame stands for any other


@CHECKS.register(
    "frames", label="dropped, repeated and mixed frames", always=True, of_samples=False
)
def frames(evidence: PathEvidence) -> Findings:
    """Compare the order of captured frames with the source's."""
    # Frames that are left out by rule, as next to a cut, are no fault.
    found = [f for f in _of(evidence, "frames-") if f.id not in _BY_RULE]
    unsure = [f for f in evidence.findings if f.id == STILL and f.verdict]
    yield from found
    yield from unsure
    warned = any(f.severity == "warning" for f in found)
    if evidence.pairing is not None and not (warned or unsure):
        used = evidence.pairing.used
        yield transparent(
            "frames", f"{number(used, 'captured frame')} in the order of the source.", value=0.0,
            unit="frames", count=used, threshold=0.0,
        )  # fmt: skip


@CHECKS.register("picture", label="scaling, cropping and place of the picture", always=True)
def picture(evidence: PathEvidence) -> Findings:
    """Say whether each pixel of the capture stands for one of the source."""
    found = _of(evidence, "picture-")
    yield from found
    facts = evidence.pairing
    if facts is not None and not found:
        yield transparent(
            "picture",
            f"The picture has the size and place of the source's, to {facts.residual:.2f} pixels.",
            value=max(map(abs, facts.offset)), bound=facts.residual, unit="pixels",
            count=facts.used, threshold=0.1,
        )  # fmt: skip


def _of(evidence: PathEvidence, prefix: str) -> list[Finding]:
    """Take up findings of the registration; those that are no fault keep their severity.

    Where a verdict follows from the two clips alone, as from their rates, the registration says it.
    """
    return [
        replace(finding, verdict=finding.verdict or "not transparent")
        for finding in evidence.findings
        if finding.id.startswith(prefix)
    ]


@CHECKS.register("overlay", label="what stands over the picture", always=True)
def overlay(evidence: PathEvidence) -> Findings:
    """Find places of the chart that are off on most pages; elsewhere the registration looks."""
    found = [f for f in evidence.findings if f.id in _OVERLAYS]
    if found:
        yield from (replace(one, verdict="not transparent") for one in found)
    elif any(found.id == STILL and found.verdict for found in evidence.findings):
        yield undecided(
            "overlay",
            "Nothing moves in the source, so what stands still over it cannot be told from it.",
            "a capture of the chart, or of a clip that moves",
        )
    elif evidence.layout is None:
        count = 0 if evidence.pairing is None else evidence.pairing.used
        yield transparent("overlay", "Nothing stands still over the moving picture.", count=count)
    elif len(evidence.colours):
        cover = evidence.cover
        count = 0 if cover is None else cover.places
        figures: Figures = {
            "value": float(count), "unit": "places", "count": len(evidence.as_captured()),
            "threshold": float(LEAST_COVERED),
        }  # fmt: skip
        if cover is not None:
            text = f"{count} places of the picture do not follow it, as under a menu or a logo."
            decided_by = "a capture with the device's menus and logos off"
            yield altered("overlay-static", text, decided_by=decided_by, **figures)
        else:
            yield transparent("overlay", "No place of the picture stands still.", **figures)


def is_covered(evidence: PathEvidence) -> bool:
    """Whether something stands still over the picture."""
    known = any(found.id in _OVERLAYS for found in evidence.findings)
    return known or evidence.cover is not None
