"""What the registration found: frames, the place of the picture, and what covers it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from tonelab.checks.covers import LEAST_COVERED
from tonelab.checks.explain import ORIGIN
from tonelab.checks.registry import altered, check, transparent, undecided
from tonelab.colours import code_step
from tonelab.reading import repeatability
from tonelab.tallies.paths import CODES

if TYPE_CHECKING:
    from tonelab.checks.evidence import Evidence
    from tonelab.checks.registry import Figures, Findings
    from tonelab.results import Finding

_RINGS = 6.0  # codes by which a scaled patch may differ with its neighbours
_LEAST_MOVED = 500  # colours over flat chroma
_LEVEL = 16  # codes of luma that are held together
_COLOURS_OF_LEVEL = 12  # of one moment and level
_LEAST_LEVELS = 12  # of all moments
_OUTLYING = 6.0  # codes, and times the median departure
_SWING = 0.25  # code steps; twice where rounding differs by chroma too
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
    elif len(evidence.colours):
        cover = evidence.cover
        count = 0 if cover is None else cover.places
        figures: Figures = {
            "value": float(count), "unit": "places", "count": len(evidence.as_seen()),
            "threshold": float(LEAST_COVERED),
        }  # fmt: skip
        if cover is not None:
            text = f"{count} places of the picture do not follow it, as under a menu or a logo."
            decided_by = "a capture with the device's menus and logos off"
            yield altered("overlay-static", text, decided_by=decided_by, **figures)
        else:
            yield transparent("overlay", "No place of the picture stands still.", **figures)


def is_covered(evidence: Evidence) -> bool:
    """Whether something stands still over the picture."""
    known = any(found.id == "static-overlay" for found in evidence.findings)
    return known or evidence.cover is not None


@check("mapping", "the same colours in other surroundings", always=True)
def mapping(evidence: Evidence) -> Findings:
    """Tell a mapping that follows the scene or the neighbourhood from a fixed one."""
    if evidence.layout is None:
        moved = moved_scenes(evidence)
        if moved is not None:
            yield moved
            return
    if evidence.layout is None or evidence.tallies is None:
        yield undecided(
            "mapping",
            "Whether the mapping follows the scene cannot be told without the same colours in "
            "other surroundings.",
            "a capture of the chart",
        )
        return
    kind, found = _repeated(evidence)
    for finding in found:
        rings = evidence.resampled and (finding.value or 0.0) < _RINGS * _steepest(evidence)
        if kind != "static" and rings:
            text = f"{finding.text} Scaling alone may do as much in patches of this size."
            yield undecided("mapping", text, "a capture at the source's own size")
        elif kind == "static":
            yield replace(finding, id="mapping", verdict="transparent")
        else:
            yield replace(finding, id=f"mapping-{kind}", verdict="not transparent")


def moved_scenes(evidence: Evidence) -> Finding | None:
    """Hold luma of content at one source code in some moments against the same in others.

    A fixed mapping, bent or not, is taken off first: whatever becomes of a code of luma, and what
    chroma adds to it.
    """
    paths = evidence.paths
    if paths is None or not evidence.pass_through:
        return None
    samples, found = paths.samples.astype(np.float64), evidence.explanation
    if found.gamut is not None:
        samples[:, 1:4] = np.rint(found.converted(samples[:, 1:4] - ORIGIN, found.first) + ORIGIN)
    _, code = np.unique(samples[:, 1], return_inverse=True)
    moments = np.unique(np.stack([code, samples[:, 0]]), axis=1)[0].astype(np.intp)
    shared = np.bincount(moments)[code] > 1
    if np.count_nonzero(shared) < _LEAST_MOVED:
        return None
    burst, luma, *_, count = samples[shared].T
    code = code[shared]
    # Less the mean of their luma code, over all moments: Cb, Cr, and captured luma.
    planes = samples[shared, 2:5].T
    total = np.maximum(np.bincount(code, count), 1)
    *chroma, seen = (plane - (np.bincount(code, count * plane) / total)[code] for plane in planes)
    factors, weight = np.stack(chroma, axis=1), np.sqrt(count)
    rest = seen - factors @ np.linalg.lstsq(factors * weight[:, None], seen * weight)[0]
    # Single samples that were lost tell nothing of the mapping.
    near = np.abs(rest) <= _OUTLYING * float(np.median(np.abs(rest))) + _OUTLYING
    burst, luma, count, rest = burst[near], luma[near], count[near], rest[near]
    _, group, colours = np.unique(
        burst * CODES + luma // _LEVEL, return_inverse=True, return_counts=True
    )
    mean = np.bincount(group, count * rest) / np.bincount(group, count)
    within = float(np.sqrt(np.average((rest - mean[group]) ** 2, weights=count)))
    told = colours >= _COLOURS_OF_LEVEL
    if told.sum() < _LEAST_LEVELS:
        return None
    swing = float(np.percentile(np.abs(mean[told]), 95))
    mixed = found.matrices is not None or found.gamut is not None
    limit = evidence.grain * _SWING * (2 if mixed else 1) + within
    if swing < limit:
        return None
    return altered(
        "mapping-scene-dependent",
        f"The same luma codes land up to {swing:.1f} codes from their mean, by the moment of the "
        "clip: the mapping follows the scene.",
        value=swing,
        bound=within,
        unit="codes",
        count=int(told.sum()),
        threshold=limit,
        alternatives=("a mapping that follows the surroundings of a place",),
        decided_by="a capture of the chart",
    )


def _steepest(evidence: Evidence) -> float:
    """Codes of luma by which a conversion may raise one code of the source, at least 1."""
    if evidence.pass_through:
        return 1.0
    x, y = evidence.tones.source[:, 0], evidence.tones.capture[:, 0]
    at = np.arange(0.0, 877.0, _RINGS)
    order = np.argsort(x, kind="stable")
    rises = np.diff(np.interp(at, x[order], y[order])) / _RINGS
    return max(1.0, float(rises.max()))


def repeated_kind(evidence: Evidence) -> str:
    """Say what the same colours in other surroundings show, see `tonelab.reading.repeatability`."""
    return "unknown" if evidence.layout is None else _repeated(evidence)[0]


def _repeated(evidence: Evidence) -> tuple[str, tuple[Finding, ...]]:
    assert evidence.in_view is not None
    assert evidence.layout is not None
    step = code_step(evidence.in_view, evidence.capture)
    return repeatability(evidence.in_view, evidence.layout, step)
