"""Which published tone family, if any, is the curve that the device applies."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING

from tonelab.conversion import TONE_CURVES, Step
from tonelab.identify.evidence import Evidence, rms
from tonelab.identify.fitting import Fit, free_parameters, joint_fit, start_fits, with_rounding
from tonelab.identify.structures import own_parameters

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tonelab.conversion import Conversion

TRAINING_COLOURS = 3000
SCREENING_COLOURS = 400
CONTENDERS = 8
MOST_CURVES = 6  # neutral curves to fit families to, when chains that tie differ on neutrals
# A family earns its name when it explains unseen pages about as well as the free curve.
NAMING_FACTOR = 1.2
# Families this close are told apart by their number of parameters instead.
PARSIMONY = 1.03


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
    """Fit every registered family under every chain that is still possible; the best first."""
    training = evidence[~evidence.held_out].thinned(TRAINING_COLOURS)
    few, unseen = training.thinned(SCREENING_COLOURS), evidence[evidence.held_out]
    screened: list[tuple[float, str, Fit]] = []
    tried: dict[tuple[object, ...], list[tuple[str, Fit]]] = {}
    for chain in chains:
        key = _neutral_key(chain)
        if key not in tried and len(tried) == MOST_CURVES:
            continue
        if key not in tried:
            tried[key] = _neutral_fits(evidence, chain)
        for (name, fit), ceiling in product(tried[key], (True, False)):
            trial = replace(chain, tone=fit.conversion.tone, ceiling=ceiling)
            left = rms(few.residual(trial))
            screened.append((left, name, replace(fit, conversion=trial)))
    families = []
    for _, name, fit in _contenders(screened):
        refined = joint_fit(training, fit, [*fit.free, *own_parameters(fit.conversion)])
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


def with_intervals(evidence: Evidence, family: Family) -> Family:
    """Return the family with intervals that know how rounding misleads its fit."""
    training = evidence[~evidence.held_out].thinned(TRAINING_COLOURS)
    return replace(family, fit=with_rounding(training, family.fit))


def _neutral_fits(evidence: Evidence, chain: Conversion) -> list[tuple[str, Fit]]:
    """Fit each family to the neutral axis; on it a ceiling of the curve cannot be told.

    Parameters with a published value are held there first, then freed one by one, then all.
    """
    fits: list[tuple[str, Fit]] = []
    for name, curve in TONE_CURVES.items():
        trial = replace(chain, tone=Step(name), ceiling=False)
        every = free_parameters("tone", curve.parameters)
        held = tuple(free for free in every if not free.parameter.published)
        one_more = [tuple(f for f in every if f in held or f is freed) for freed in every]
        choices = dict.fromkeys([held, *one_more, every])
        fits += [(name, start_fits(evidence, trial, free)[0]) for free in choices]
    best = min(fit.rms for _, fit in fits)
    return [(name, fit) for name, fit in fits if fit.rms <= 3 * best + 0.5]


def _contenders(screened: Sequence[tuple[float, str, Fit]]) -> list[tuple[float, str, Fit]]:
    """Return the most promising fits, each family at most twice with the same parameters."""

    def parameters(fit: Fit) -> int:
        return len(fit.free) + len(own_parameters(fit.conversion))

    def handicapped(item: tuple[float, str, Fit]) -> float:
        return item[0] * PARSIMONY ** parameters(item[2])

    seen: Counter[tuple[str, int]] = Counter()
    chosen: list[tuple[float, str, Fit]] = []
    for item in sorted(screened, key=handicapped):
        kind = (item[1], parameters(item[2]))
        seen[kind] += 1
        if seen[kind] <= 2 and len(chosen) < CONTENDERS:
            chosen.append(item)
    return chosen


def _neutral_key(chain: Conversion) -> tuple[object, ...]:
    """Return what of a chain the neutral axis depends on, but for what a joint fit puts right."""
    luma = {k: v for k, v in chain.controls.parameters.items() if k in {"contrast", "brightness"}}
    return (
        chain.encoding.name,
        chain.chroma.name,
        chain.super_white,
        tuple(sorted((name, round(value, 2)) for name, value in luma.items())),
    )
