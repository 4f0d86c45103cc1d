"""How well a pair determines the fitted parameters of a chain."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

from tonelab.path.limits import EDGE, FAR, LEAST_BURSTS, SAYS_NOTHING
from tonelab.path.search import derivatives, residual

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tonelab.path.chain import Chain, Passed
    from tonelab.path.evidence import Evidence
    from tonelab.signal.arrays import FloatArray


def intervals(chain: Chain, colours: Evidence, pieces: Evidence) -> list[dict[str, float]]:
    """Half widths of the 95 % intervals of a chain's parameters, one mapping a step.

    Those of steps that look at no neighbours come from colours, the others from pieces of
    pictures. Each is the half width that the curvature of the squared residuals and their scatter
    from burst to burst give (Liang and Zeger 1986, *Biometrika* 73:13), with Student's t for one
    degree of freedom less than bursts; the distance to the minimum of the squares, since the chain
    was fitted to fewer samples and by another measure; and what it may be off because a device
    may round all codes of a plane near a half up or down. Infinite where it is no less than
    `SAYS_NOTHING` of what the parameter may be.

    Parameters
    ----------
    chain
        As it was found.
    colours, pieces
        All evidence, of all bursts.
    """
    found: list[dict[str, float]] = [{} for _ in chain]
    places = [place for place, step in enumerate(chain) if not step.step.spatial]
    points = replace(chain, steps=tuple(chain.steps[place] for place in places))
    for part, of_part, sites, spatial in (
        (points, places, colours, False),
        (chain, range(len(chain)), pieces, True),
    ):
        free = enumerate(part.free)
        of = [n for n, (place, _) in free if part.steps[place].step.spatial == spatial]
        for n, bound in zip(of, _bounds(part, sites, of), strict=True):
            place, parameter = part.free[n]
            most = SAYS_NOTHING * (parameter.high - parameter.low)
            found[of_part[place]][parameter.name] = float(bound) if bound < most else np.inf
    return found


def _bounds(chain: Chain, sites: Evidence, of: Sequence[int]) -> FloatArray:
    """Half widths (P,) of some of a chain's parameters."""
    if not of:
        return np.zeros(0)
    passed: list[Passed] = []
    left = residual(chain, sites, passed)
    rows = derivatives(chain, sites, left, passed, of)
    rest = left.T.ravel()
    away = np.abs(left)
    rows = rows * (away < FAR * np.maximum(np.median(away, axis=0) / 0.6745, 0.3)).T.ravel()
    equations = rows @ rows.T
    scale = np.sqrt(np.maximum(np.diag(equations), 1e-12))
    inverse = np.linalg.pinv(equations / np.outer(scale, scale)) / np.outer(scale, scale)
    burst = np.tile(np.repeat(_clusters(sites), len(left) // len(sites)), 3)
    scores = np.stack([rows[:, burst == n] @ rest[burst == n] for n in np.unique(burst)])
    count = len(scores)
    shift = inverse @ scores.sum(axis=0)
    scores = (scores - scores.mean(axis=0)) @ inverse
    variance = count / (count - 1) * np.square(scores).sum(axis=0)
    bounds: FloatArray = stats.t.ppf(0.975, count - 1) * np.sqrt(variance) + np.abs(shift)
    bounds += EDGE * np.abs(inverse @ rows.reshape(len(of), 3, -1).sum(axis=2)).sum(axis=1)
    # What moves nothing is not known at all.
    bounds[np.diag(equations) < 1e-9] = np.inf
    return bounds


def _clusters(sites: Evidence) -> FloatArray:
    """Bursts of frames; of too few of them, eighths of the samples in their order."""
    if len(np.unique(sites.burst)) >= LEAST_BURSTS:
        return sites.burst.astype(np.float64)
    parts: FloatArray = np.floor(np.arange(len(sites)) * 8.0 / len(sites))
    return parts
