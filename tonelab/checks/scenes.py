"""Whether one code arrives the same at all moments and places: mappings that follow the scene."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from tonelab.checks.evidence import kept
from tonelab.checks.gains import keeps_detail
from tonelab.checks.registry import CHECKS, altered, undecided
from tonelab.checks.samples import of_curve
from tonelab.pixels.before_filters import codes_before_scaling
from tonelab.pixels.bursts import bursts
from tonelab.pixels.picking import CODES
from tonelab.readings.colours import code_step
from tonelab.readings.repeats import repeatability
from tonelab.signal.quantisation import ORIGIN

if TYPE_CHECKING:
    from tonelab.checks.evidence import PathEvidence
    from tonelab.checks.registry import Findings
    from tonelab.results import Finding
    from tonelab.signal.arrays import FloatArray

_RINGS = 6.0  # codes by which a scaled patch may differ with its neighbours
_LEAST_MOVED = 500  # colours over flat chroma
_LEVEL = 16  # codes of luma that are held together
_COLOURS_OF_LEVEL = 12  # of one moment and level
_LEAST_LEVELS = 12  # of all moments
_OUTLYING = 6.0  # codes, and times the median departure
_SWING = 0.25  # codes, or code steps where rounding differs by chroma too
_SURELY = 3.0  # errors of a mean
_SCENES = 6  # bursts of a scaled picture that are looked at


@CHECKS.register("mapping", label="the same colours in other surroundings", always=True)
def mapping(evidence: PathEvidence) -> Findings:
    """Distinguish a mapping that follows the scene or the neighbourhood from a fixed one."""
    if evidence.layout is None:
        moved = moved_scenes(evidence)
        if moved is not None:
            yield moved
            return
    if evidence.layout is None or evidence.tallies is None:
        yield undecided(
            "mapping",
            "Whether the mapping follows the scene cannot be determined without the same colours "
            "in other surroundings.",
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


@kept
def moved_scenes(evidence: PathEvidence) -> Finding | None:
    """Compare luma of content at one source code in some moments with the same in others.

    A fixed mapping, bent or not, is taken off first: whatever becomes of a code of luma, and what
    chroma adds to it.
    """
    if evidence.paths is None or not evidence.pass_through:
        return None
    samples, found = _of_moments(evidence), evidence.explanation
    if found.gamut is not None and evidence.resampled:
        return None  # scaling after a conversion is not what is converted here
    if found.gamut is not None:
        samples[:, 1:4] = np.rint(found.converted(samples[:, 1:4] - ORIGIN, found.first) + ORIGIN)
    _, code = np.unique(samples[:, 1], return_inverse=True)
    moments = np.unique(np.stack([code, samples[:, 0]]), axis=1)[0].astype(np.intp)
    samples = samples[np.bincount(moments)[code] > 1]
    if len(samples) < _LEAST_MOVED:
        return None
    # Single samples that were lost show nothing of the mapping.
    rest = _from_fixed(samples)
    near = np.abs(rest) <= _OUTLYING * float(np.median(np.abs(rest))) + _OUTLYING
    samples = samples[near]
    rest, count = _from_fixed(samples), samples[:, 5]
    _, group = np.unique(samples[:, 0] * CODES + samples[:, 1] // _LEVEL, return_inverse=True)
    _, colour = np.unique(samples[:, :4], axis=0, return_inverse=True)
    total, often = np.bincount(group, count), np.bincount(colour, count)
    mean = np.bincount(group, count * rest) / total
    within = float(np.average((rest - mean[group]) ** 2, weights=count))
    # Noise of single samples is no spread of colours, and hardly moves a mean.
    inner = rest - (np.bincount(colour, count * rest) / often)[colour]
    noise = float(count @ inner**2) / max(float(count.sum()) - len(often), 1.0)
    enough = np.bincount(group[np.unique(colour, return_index=True)[1]]) >= _COLOURS_OF_LEVEL
    if enough.sum() < _LEAST_LEVELS:
        return None
    bound, detailed = float(np.sqrt(within)), keeps_detail(evidence.paths)
    if detailed:
        of_mean = noise / float(np.median(total[enough]))
        bound = float(np.sqrt(max(within - noise, 0.0)) + _SURELY * np.sqrt(of_mean))
    swing = float(np.percentile(np.abs(mean[enough]), 95))
    # Rounding differs by chroma too where chroma adds to luma.
    mixed = found.matrices is not None or found.gamut is not None
    limit = _SWING * (2 * evidence.grain if mixed else 1 if detailed else 2) + bound
    if swing < limit:
        return None
    return altered(
        "mapping-scene-dependent",
        f"The same luma codes land up to {swing:.1f} codes from their mean, by the moment of the "
        "clip: the mapping follows the scene.",
        value=swing,
        bound=bound,
        unit="codes",
        count=int(enough.sum()),
        threshold=limit,
        alternatives=("a mapping that follows the surroundings of a place",),
        decided_by="a capture of the chart",
    )


def _of_moments(evidence: PathEvidence) -> FloatArray:
    """Rows of burst, source luma, Cb and Cr, captured luma, and samples.

    Of a scaled picture luma by source code before the scaler, from some bursts.
    """
    pair, paths = evidence.pair, evidence.paths
    assert paths is not None
    plain = evidence.explanation.matrices is None and evidence.explanation.gamut is None
    enough = pair is not None and evidence.rescaled and plain and evidence.scaler_is_known
    if pair is None or not enough or any(evidence.scaler.detail):
        return paths.samples.astype(np.float64)
    runs = bursts(pair)
    rows = []
    for number in np.unique(np.linspace(0, len(runs) - 1, _SCENES).astype(int)):
        luma = of_curve(codes_before_scaling(pair, [runs[number]], evidence.scaler.name)[0])
        seen = luma.capture[:, 0] + ORIGIN[0]
        grey = [np.full(len(luma), neutral) for neutral in ORIGIN[1:]]
        burst, code = np.full(len(luma), number), luma.source[:, 0] + ORIGIN[0]
        rows.append(np.column_stack([burst, code, *grey, seen, luma.count]))
    return np.concatenate(rows)


def _from_fixed(samples: FloatArray) -> FloatArray:
    """Take off captured luma its mean by source code over all moments, and what chroma adds."""
    _, code = np.unique(samples[:, 1], return_inverse=True)
    count = samples[:, 5]
    total = np.bincount(code, count)
    *chroma, seen = (
        plane - (np.bincount(code, count * plane) / total)[code] for plane in samples.T[2:5]
    )
    factors, weight = np.stack(chroma, axis=1), np.sqrt(count)
    rest: FloatArray = seen - factors @ np.linalg.lstsq(factors * weight[:, None], seen * weight)[0]
    return rest


def _steepest(evidence: PathEvidence) -> float:
    """Codes of luma by which a conversion may raise one code of the source, at least 1."""
    if evidence.pass_through:
        return 1.0
    x, y = evidence.tones.source[:, 0], evidence.tones.capture[:, 0]
    at = np.arange(0.0, 877.0, _RINGS)
    order = np.argsort(x, kind="stable")
    rises = np.diff(np.interp(at, x[order], y[order])) / _RINGS
    return max(1.0, float(rises.max()))


def repeated_kind(evidence: PathEvidence) -> str:
    """Say what the same colours in other surroundings show, as `repeatability` does."""
    return "unknown" if evidence.layout is None else _repeated(evidence)[0]


def _repeated(evidence: PathEvidence) -> tuple[str, tuple[Finding, ...]]:
    assert evidence.in_view is not None
    assert evidence.layout is not None
    step = code_step(evidence.in_view, evidence.capture)
    return repeatability(evidence.in_view, evidence.layout, step)
