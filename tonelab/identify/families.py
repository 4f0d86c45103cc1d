"""Which published tone family, if any, is the curve that the device applies."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from tonelab.conversion import TONE_CURVES, ChainPart
from tonelab.conversion.parameters import tried_parts
from tonelab.identify.evidence import Evidence, rms
from tonelab.identify.fitting import (
    BOUND,
    LIKE_THE_CURVE,
    Fit,
    Free,
    fit_from,
    free_parameters,
    joint_fit,
    start_fits,
    with_intervals,
)
from tonelab.identify.structures import own_parameters, with_luma_controls

if TYPE_CHECKING:
    from collections.abc import Container, Sequence

    from tonelab.conversion import Conversion

TRAINING_COLOURS = 3000
SCREENING_COLOURS = 400
CONTENDERS = 8
MOST_CURVES = 6  # neutral curves to fit families to, when chains that tie differ on neutrals
# A family earns its name when it explains unseen pages about as well as the free curve.
NAMING_FACTOR = 1.2
# Families this close are ranked by their number of parameters instead.
PARSIMONY = 1.03
NEARBY = 0.01  # of the range of each parameter, from where a fit is tried again
AGREEING = 3.0  # standard deviations within which a published value is taken to fit


@dataclass(frozen=True, slots=True)
class Family:
    """A tone family under one chain, with the RMS that it leaves on unseen pages, codes."""

    name: str
    fit: Fit
    held_out_rms: float

    @property
    def label(self) -> str:
        """The family for people."""
        return TONE_CURVES[self.name].label


def rank_families(evidence: Evidence, chains: Sequence[Conversion]) -> list[Family]:
    """Fit every family that is tried under every chain that is still possible; the best first."""
    training = evidence[~evidence.held_out].thinned(TRAINING_COLOURS)
    few, unseen = training.thinned(SCREENING_COLOURS), evidence[evidence.held_out]
    screened: list[tuple[float, str, Fit]] = []
    tried: dict[tuple[object, ...], list[tuple[str, Fit]]] = {}
    for chain in map(with_luma_controls, chains):
        key = _neutral_key(chain)
        if key not in tried and len(tried) == MOST_CURVES:
            continue
        if key not in tried:
            tried[key] = neutral_fits(evidence, chain)
        for (name, fit), ceiling in product(tried[key], (True, False)):
            controls = _with_luma_of(chain.controls, fit.conversion.controls)
            trial = replace(chain, tone=fit.conversion.tone, ceiling=ceiling, controls=controls)
            screened.append((rms(few.residual(trial)), name, replace(fit, conversion=trial)))
    families = []
    for _, name, fit in _contenders(screened):
        refined = joint_fit(training, fit.conversion, _every_free(fit))
        families.append(Family(name, refined, rms(unseen.residual(refined.conversion))))
    return sorted(families, key=lambda family: family.held_out_rms)


def best_family(families: Sequence[Family], free_rms: float, floor: float) -> Family | None:
    """Return the family that earns its name, or None."""
    if not families:
        return None
    limit = NAMING_FACTOR * max(free_rms, floor)
    best = families[0].held_out_rms
    close = [f for f in families if f.held_out_rms <= min(PARSIMONY * best, limit)]
    order = list(TONE_CURVES)
    # Equal curves in other parameters tie to the last digits: the plainer, then the first
    # registered, gives its name.
    return min(
        close,
        key=lambda f: (
            len(f.fit.free),
            len(TONE_CURVES[f.name].parameters),
            round(f.held_out_rms, 2),
            order.index(f.name),
        ),
        default=None,
    )


def settled(evidence: Evidence, family: Family) -> Family:
    """Return the family with intervals, published constants held exactly where they fit.

    All parameters are freed; then those whose published value lies within their intervals are
    held there again, the surest first, as the others move when one is held.
    """
    training = evidence[~evidence.held_out].thinned(TRAINING_COLOURS)
    tone = free_parameters("tone", TONE_CURVES[family.name].parameters)
    free = [*tone, *(item for item in family.fit.free if item.part != "tone")]
    fit = with_intervals(training, _off_kinks(training, family.fit.conversion, free))
    while (held := _surest(fit) or _in_a_valley(training, fit)) is not None:
        free.remove(held)
        fit = with_intervals(training, _holding(training, fit, held))
    fit = _whatever_the_ceiling(training, fit)
    unseen = evidence[evidence.held_out]
    return replace(family, fit=fit, held_out_rms=rms(unseen.residual(fit.conversion)))


def _off_kinks(evidence: Evidence, chain: Conversion, free: Sequence[Free]) -> Fit:
    """Fit all parameters, then again from nearby starts: clips and maxima bend the residual.

    A fit can come to rest on such a bend. Another takes its place only when clearly better.
    """
    fit = best = joint_fit(evidence, chain, free)
    for side in (-NEARBY, NEARBY):
        other = fit_from(evidence, fit, fit.position + side)
        if 3 * len(evidence.light) * (best.rms**2 - other.rms**2) > AGREEING**2 * best.rms**2:
            best = other
    return best


def _whatever_the_ceiling(evidence: Evidence, fit: Fit) -> Fit:
    """Widen intervals to hold with and without a ceiling of the curve, where both explain alike.

    A contrast control moves that ceiling, and with it seems known when the ceiling is but the
    end of the codes.
    """
    chain = fit.conversion
    if chain.controls.name == "none" or fit.covariance is None:
        return fit
    other = joint_fit(evidence, replace(chain, ceiling=not chain.ceiling), fit.free)
    worse = 3 * len(evidence.light) * (other.rms**2 - fit.rms**2)
    if worse > AGREEING**2 * fit.rms**2:
        return fit
    twin = with_intervals(evidence, other)
    if twin.covariance is None:
        return fit
    apart = twin.position - fit.position
    # Variance about this fit's values when either of the two is true, with equal chances.
    both = (fit.covariance + twin.covariance + np.outer(apart, apart)) / 2
    return replace(fit, covariance=both)


def _surest(fit: Fit) -> Free | None:
    """Return the free parameter that agrees best with its published value, if one agrees."""
    spread = np.sqrt(np.diag(fit.covariance)) if fit.covariance is not None else np.zeros(0)
    agreeing = {}
    for free, place, sigma in zip(fit.free, fit.position, spread, strict=True):
        if free.parameter.published:
            off = abs(place - free.unit(free.parameter.default))
            if off < max(AGREEING * sigma, BOUND):
                agreeing[free] = off / sigma
    return min(agreeing, key=lambda free: agreeing[free], default=None)


def _in_a_valley(evidence: Evidence, fit: Fit) -> Free | None:
    """Return a parameter that others make up for, if the fit is as good at its published value.

    In a long bent valley the interval about the best fit says little of values along it.
    """
    costs = {}
    for free in fit.free:
        if free.parameter.published and fit.partner(free) is not None:
            worse = _holding(evidence, fit, free).rms ** 2 - fit.rms**2
            costs[free] = 3 * len(evidence.light) * worse / fit.rms**2
    best = min(costs, key=lambda free: costs[free], default=None)
    return best if best is not None and costs[best] < AGREEING**2 else None


def _holding(evidence: Evidence, fit: Fit, held: Free) -> Fit:
    """Fit anew with one parameter at its published value."""
    given = {held.parameter.name: held.parameter.default}
    others = [free for free in fit.free if free is not held]
    return joint_fit(evidence, _with_tone(fit.conversion, given), others)


def _with_tone(chain: Conversion, given: dict[str, float]) -> Conversion:
    tone = chain.tone
    if not isinstance(tone, ChainPart):
        raise TypeError("Only a registered curve has parameters.")
    return replace(chain, tone=replace(tone, parameters={**tone.parameters, **given}))


def _with_luma_of(controls: ChainPart, luma: ChainPart) -> ChainPart:
    """Take contrast and brightness from other controls, the gain of chroma staying as it is."""
    if controls.name == "none":
        return controls
    given = {**controls.parameters}
    given |= {name: luma.parameters[name] for name in ("contrast", "brightness")}
    gain = controls.parameters["contrast"] / luma.parameters["contrast"]
    given["saturation"] = gain * controls.parameters.get("saturation", 1.0)
    return replace(controls, parameters=given)


def neutral_fits(
    evidence: Evidence, chain: Conversion, only: Container[str] | None = None
) -> list[tuple[str, Fit]]:
    """Fit each family, or ``only`` some, to the neutral axis.

    On it a ceiling of the curve cannot be identified. Parameters with a published value are held
    there first, then freed one by one, then all.
    """
    fits: list[tuple[str, Fit]] = []
    luma = [free for free in own_parameters(chain) if free.parameter.name in LIKE_THE_CURVE]
    for name, (curve, _) in tried_parts(TONE_CURVES).items():
        if only is not None and name not in only:
            continue
        trial = replace(chain, tone=ChainPart(name), ceiling=False)
        every = free_parameters("tone", curve.parameters)
        held = tuple(free for free in every if not free.parameter.published)
        one_more = [tuple(f for f in every if f in held or f is freed) for freed in every]
        choices = dict.fromkeys([held, *one_more, every])
        fits += [(name, start_fits(evidence, trial, [*free, *luma])[0]) for free in choices]
    best = min(fit.rms for _, fit in fits)
    return [(name, fit) for name, fit in fits if fit.rms <= 3 * best + 0.5]


def _every_free(fit: Fit) -> list[Free]:
    """Parameters of the curve that were fitted, then all that the search gave the chain."""
    tone = [free for free in fit.free if free.part == "tone"]
    return [*tone, *own_parameters(fit.conversion)]


def _contenders(screened: Sequence[tuple[float, str, Fit]]) -> list[tuple[float, str, Fit]]:
    """Return the most promising fits, each family at most twice with the same parameters."""

    def handicapped(item: tuple[float, str, Fit]) -> float:
        return item[0] * PARSIMONY ** len(_every_free(item[2]))

    seen: Counter[tuple[str, int]] = Counter()
    chosen: list[tuple[float, str, Fit]] = []
    for item in sorted(screened, key=handicapped):
        kind = (item[1], len(_every_free(item[2])))
        seen[kind] += 1
        if seen[kind] <= 2 and len(chosen) < CONTENDERS:
            chosen.append(item)
    return chosen


def _neutral_key(chain: Conversion) -> tuple[object, ...]:
    """Return what of a chain the neutral axis depends on, but for what a fit puts right."""
    return (chain.encoding.name, chain.chroma.name, chain.super_white, chain.controls.name)
