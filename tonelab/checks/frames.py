"""What the registration found: frames, the place of the picture, and what covers it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from tonelab.chart.patches import COLUMNS
from tonelab.checks.registry import AFTER, altered, check, transparent, undecided
from tonelab.colours import code_step
from tonelab.reading import repeatability

if TYPE_CHECKING:
    from tonelab.checks.evidence import Evidence
    from tonelab.checks.registry import Figures, Findings
    from tonelab.results import Finding
    from tonelab.signal.quantisation import FloatArray

_RINGS = 6.0  # codes by which a scaled patch may differ with its neighbours
_OVERLAY_CODES = 8.0  # by which a patch must be off
_OVERLAY_PAGES = 0.6  # share of pages on which a place must be off to be covered
_OVERLAY_LEAST = 6  # places
_OVERLAY_VARIES = 20.0  # codes of luma by which a place must vary to tell
_OVERLAY_FOLLOWS = 0.9  # share of the path's gain with which a place follows the source
_BY_RULE = {"frames-settling", "frames-cut"}


@check("frames", "dropped, repeated and mixed frames", always=True)
def frames(evidence: Evidence) -> Findings:
    """Hold the order of captured frames against the source's."""
    # Frames that are left out by rule, as next to a cut, are no fault.
    found = [f for f in _of(evidence, "frames-") if f.id not in _BY_RULE]
    yield from found
    if evidence.pairing is not None and not any(f.severity == "warning" for f in found):
        used = evidence.pairing.used
        yield transparent(
            "frames", f"{used} captured frames follow the source in order.", value=0.0,
            unit="frames", count=used, threshold=0.0,
        )  # fmt: skip


@check("picture", "scaling, cropping and place of the picture", always=True)
def picture(evidence: Evidence) -> Findings:
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


def _of(evidence: Evidence, prefix: str) -> list[Finding]:
    """Take up findings of the registration; those that are no fault keep their severity."""
    return [
        replace(finding, verdict="not transparent")
        for finding in evidence.findings
        if finding.id.startswith(prefix)
    ]


@check("overlay", "what stands still over the picture", always=True)
def overlay(evidence: Evidence) -> Findings:
    """Find places of the chart that are off on most pages; elsewhere the registration looks."""
    found = next((f for f in evidence.findings if f.id == "static-overlay"), None)
    if found is not None:
        yield replace(found, verdict="not transparent")
    elif evidence.layout is None:
        count = 0 if evidence.pairing is None else evidence.pairing.used
        yield transparent("overlay", "Nothing stands still over the moving picture.", count=count)
    elif len(evidence.colours) and evidence.explanation.affine:
        count, total = covered_places(evidence)
        figures: Figures = {
            "value": float(count), "unit": "places", "count": total,
            "threshold": float(_OVERLAY_LEAST),
        }  # fmt: skip
        if count >= _OVERLAY_LEAST:
            text = f"{count} places of the picture do not follow it, as under a menu or a logo."
            decided_by = "a capture with the device's menus and logos off"
            yield altered("overlay-static", text, decided_by=decided_by, **figures)
        else:
            yield transparent("overlay", "No place of the picture stands still.", **figures)


def is_covered(evidence: Evidence) -> bool:
    """Whether something stands still over the picture."""
    if any(found.id == "static-overlay" for found in evidence.findings):
        return True
    if evidence.layout is None or not len(evidence.colours) or not evidence.explanation.affine:
        return False
    return covered_places(evidence)[0] >= _OVERLAY_LEAST


def covered_places(evidence: Evidence) -> tuple[int, int]:
    """Places of the chart that are off on most pages and do not follow the source, and patches."""
    assert evidence.layout is not None
    patches, seen = evidence.layout.patches, evidence.of()
    rest = np.abs(seen.capture - evidence.explanation.predict(seen.source))
    inside = (np.abs(seen.source[:, 1:]).max(axis=1) < 440) & (
        np.abs(seen.source[:, 0] - 438) < 438
    )
    rows, rest, cell = seen.patch[inside], rest[inside].max(axis=1), evidence.layout.cell
    place = patches.y[rows] // cell * COLUMNS + patches.x[rows] // cell
    total = np.bincount(place)
    off = np.bincount(place, weights=rest > _OVERLAY_CODES)
    if np.mean(rest > _OVERLAY_CODES) > _OVERLAY_PAGES / 2:
        return 0, len(rows)

    def summed(values: FloatArray) -> FloatArray:
        sums: FloatArray = np.bincount(place, weights=values).astype(np.float64)
        return sums

    # Under a cover luma no longer follows the source, by one page to the next, as it should.
    x, y = seen.source[inside, 0], seen.capture[inside, 0]
    least = np.maximum(total, 1)
    varies = summed(x * x) - summed(x) ** 2 / least
    follows = summed(x * y) - summed(x) * summed(y) / least
    slope = evidence.explanation.linear[0, 0]
    still = (varies > least * _OVERLAY_VARIES**2) & (follows < _OVERLAY_FOLLOWS * slope * varies)
    return int((still & (total >= 3) & (off > _OVERLAY_PAGES * total)).sum()), len(rows)


@check("mapping", "the same colours in other surroundings", always=True)
def mapping(evidence: Evidence) -> Findings:
    """Tell a mapping that follows the scene or the neighbourhood from a fixed one."""
    if evidence.layout is None or evidence.tallies is None:
        yield undecided(
            "mapping",
            "Whether the mapping follows the scene cannot be told without the same colours in "
            "other surroundings.",
            "a capture of the chart",
        )
        return
    if is_covered(evidence):
        text = "Whether the mapping follows the scene cannot be told under a static overlay."
        yield undecided("mapping", text, AFTER)
        return
    kind, found = _repeated(evidence)
    for finding in found:
        if kind != "static" and evidence.resampled and (finding.value or 0.0) < _RINGS:
            text = f"{finding.text} Scaling alone may do as much in patches of this size."
            yield undecided("mapping", text, "a capture at the source's own size")
        elif kind == "static":
            yield replace(finding, id="mapping", verdict="transparent")
        else:
            yield replace(finding, id=f"mapping-{kind}", verdict="not transparent")


def repeated_kind(evidence: Evidence) -> str:
    """Say what the same colours in other surroundings show, see `tonelab.reading.repeatability`."""
    return "unknown" if evidence.layout is None else _repeated(evidence)[0]


def _repeated(evidence: Evidence) -> tuple[str, tuple[Finding, ...]]:
    assert evidence.tallies is not None
    assert evidence.layout is not None
    step = code_step(evidence.tallies, evidence.capture)
    return repeatability(evidence.tallies, evidence.layout, step)
