"""Coarse stages before or after a scaler.

What became of each code before the scaler identifies a stage before it. A scaler leaves flat places
alone, so that they show what a stage made of their colour; they are few, but each must be predicted
in all planes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.checks.coarse import FINEST_RGB, STAGES_OF_BITS, CoarseStage, stages_of_rgb
from tonelab.checks.stages import named_stage
from tonelab.signal.quantisation import ORIGIN

if TYPE_CHECKING:
    from tonelab.checks.evidence import PathEvidence
    from tonelab.pixels.before_filters import CodesBefore
    from tonelab.results import Finding
    from tonelab.signal.arrays import FloatArray

_LEAST_COLOURS = 10
_LEAST_SEEN = 16  # samples of a colour
_STILL = 0.02  # squared codes between them; more is dither
_NEARLY_ALL, _LEAD = 0.9, 0.3  # share of the colours, and by which it must exceed any other
_EXACTLY = 0.75  # codes; half of one, and what the fit of other changes may be off
_NEAR, _NEARLY_ALL_CODES = 0.4, 0.9  # codes; share of the codes
_LESS = 0.7  # of what is left of chroma without the stage


def stages_of_flat_colours(evidence: PathEvidence) -> tuple[Finding, ...]:
    """Name the stage that predicts flat colours of a scaled picture, where none does so alone."""
    found = evidence.explanation
    sites = evidence.sites
    rows = sites[(sites.variance.max(axis=1, initial=0.0) < _STILL) & (sites.count >= _LEAST_SEEN)]
    if len(rows) < _LEAST_COLOURS or found.gamut is not None:
        return ()
    source, seen = rows.source + ORIGIN, np.rint(rows.capture + ORIGIN)
    # As the known steps alone make it, or as fitted with what else was done.
    maps = ((found.known, np.zeros(3)), (found.linear, found.offset))

    def changed(codes: FloatArray) -> list[FloatArray]:
        return [(codes - ORIGIN) @ linear.T + offset + ORIGIN for linear, offset in maps]

    def share(*made: FloatArray) -> float:
        return max(float((np.abs(seen - codes) < _EXACTLY).all(axis=1).mean()) for codes in made)

    rounded = [np.floor(codes + 0.5) for codes in changed(source)]
    predicted = {
        stage: share(*changed(stage.after(source)), *map(stage.after, rounded))
        for stage in (*STAGES_OF_BITS, *stages_of_rgb(evidence.source.coding_matrix))
    }
    without = share(*changed(source))
    best: CoarseStage = max(predicted, key=lambda stage: predicted[stage])
    rival = max(predicted[stage] for stage in predicted if stage.name != best.name)
    fine = best.kind == "rgb" and best.bits > FINEST_RGB
    if fine or predicted[best] < max(_NEARLY_ALL, without + _LEAD, rival + _LEAD):
        return ()
    return (named_stage(best, predicted[best], without, int(rows.count.sum())),)


def stages_before_scaling(evidence: PathEvidence) -> tuple[Finding, ...]:
    """Name fewer bits that a picture went through before it was scaled, by all of its codes."""
    if evidence.before_scaling is None:
        return ()
    luma, *chroma = (_frequent(curve) for curve in evidence.before_scaling)
    stages = list(STAGES_OF_BITS)
    predicted = {stage: _near(*luma, stage) for stage in stages}
    best = max(stages, key=lambda stage: predicted[stage])
    rival = max(predicted[stage] for stage in stages if stage.name != best.name)
    without = _near(*luma)
    # Luma alone may have lost its steps otherwise.
    seen = all(_left(*plane, best) < _LESS * _left(*plane) for plane in chroma)
    if not seen or predicted[best] < max(_NEARLY_ALL_CODES, without + _LEAD, rival + _LEAD):
        return ()
    return (named_stage(best, predicted[best], without, len(luma[0]), "codes before scaling"),)


def _frequent(curve: CodesBefore) -> tuple[FloatArray, FloatArray]:
    """Source codes that occur often, and what became of them."""
    code = np.flatnonzero(curve.count >= _LEAST_SEEN)
    return code.astype(np.float64), curve.codes[code]


def _rest(code: FloatArray, became: FloatArray, stage: CoarseStage | None) -> FloatArray:
    """Codes that a line through what a stage makes of codes leaves."""
    rounded = code if stage is None else stage.after(code)
    rest: FloatArray = became - np.polyval(np.polyfit(rounded, became, 1), rounded)
    return rest


def _near(code: FloatArray, became: FloatArray, stage: CoarseStage | None = None) -> float:
    return float((np.abs(_rest(code, became, stage)) < _NEAR).mean())


def _left(code: FloatArray, became: FloatArray, stage: CoarseStage | None = None) -> float:
    return float(np.sqrt(np.mean(_rest(code, became, stage) ** 2)))
