"""Coarse stages before or after a scaler, told by colours that are flat in the source.

A scaler leaves flat places alone, so that they show what a stage made of their colour; they are
few, but each must be foretold in all planes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.checks.coarse import FINEST_RGB, STAGES, Stage
from tonelab.checks.explain import ORIGIN
from tonelab.checks.stages import named_stage

if TYPE_CHECKING:
    from tonelab.checks.evidence import Evidence
    from tonelab.results import Finding
    from tonelab.signal.quantisation import FloatArray

_LEAST_COLOURS = 10
_LEAST_SEEN = 16  # samples of a colour
_STILL = 0.02  # squared codes between them; more is dither
_NEARLY_ALL, _LEAD = 0.9, 0.3  # share of the colours, and by which it must exceed any other
_EXACTLY = 0.75  # codes; half of one, and what the fit of other changes may be off


def stages_of_flat_colours(evidence: Evidence) -> tuple[Finding, ...]:
    """Name the stage that foretells flat colours of a scaled picture, where none does so alone."""
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

    behind = [np.floor(codes + 0.5) for codes in changed(source)]
    told = {
        stage: share(*changed(stage.after(source)), *map(stage.after, behind)) for stage in STAGES
    }
    without = share(*changed(source))
    best: Stage = max(told, key=lambda stage: told[stage])
    rival = max(told[stage] for stage in told if stage.name != best.name)
    fine = best.kind == "rgb" and best.bits > FINEST_RGB
    if fine or told[best] < max(_NEARLY_ALL, without + _LEAD, rival + _LEAD):
        return ()
    return (named_stage(best, told[best], without, int(rows.count.sum())),)
