"""Which chain of steps explains the colours of a pair.

Chains are compared by the bits that a sample costs when it is predicted: none where its code is
predicted for certain, more the further it lies from where the chain puts it. Steps are added where
they save bits, wherever in the chain they may stand, a few chains being kept at a time; fitted on
some bursts of frames, and judged on others.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr

from tonelab.path.chain import Chain, Passed, Placed
from tonelab.path.limits import (
    AGAIN,
    BEAM,
    CARRIED,
    EDGE,
    ENTRY_BITS,
    EXACT,
    FAR,
    FEW_PIECES,
    FILTERS_FIRST,
    FINE,
    FINEST,
    INSIDE,
    LEAST_GAIN,
    LEAST_SITES,
    LIKELY,
    MOST_PIECES,
    NEEDED,
    OF_A_KIND,
    PARAMETER_BITS,
    PASSES,
    REFINED,
    ROUGHLY,
    ROUNDED,
    ROUNDS,
    SCAN,
    SETTLED,
    SPREADS,
    STEP_BITS,
    STRAY,
    STRAY_CODES,
    TRAINING,
    WORSE,
    WORSE_BITS,
)
from tonelab.path.steps import STEPS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from tonelab.path.evidence import Evidence
    from tonelab.path.steps import Step
    from tonelab.signal.arrays import FloatArray

_CONTROLS = STEPS.registered("controls").parameters.values()
CONTROLS = Placed("controls", {}, {p.name: p.default for p in _CONTROLS})


@dataclass(frozen=True)
class Fitted:
    """A chain with what it costs.

    Attributes
    ----------
    chain
        With fitted values.
    bits
        Mean over samples, of all three codes.
    covariance
        (P, P) of its free parameters, None where there are none.
    """

    chain: Chain
    bits: float
    covariance: FloatArray | None = None

    @property
    def cost(self) -> float:
        """Bits, with those that the chain itself takes to write down."""
        entries = sum(len(step.settings.get("codes", ())) for step in self.chain)
        written = STEP_BITS * len(self.chain) + PARAMETER_BITS * len(self.chain.free)
        return self.bits + written + ENTRY_BITS * entries


def identify_path(colours: Evidence, pieces: Evidence) -> list[Fitted]:
    """Find the chains that explain a pair, the best first; costs are of pieces of pictures.

    Colours give the steps that look at no neighbours; pieces of pictures then those that do.
    """
    points = search(colours, [Chain()], lambda step: not step.spatial)
    starts = [fitted.chain for fitted in points[:BEAM]]
    found = search(pieces, starts, lambda step: step.spatial)
    return [without_idle_steps(found[0], colours, pieces), *found[1:]]


def without_idle_steps(fitted: Fitted, colours: Evidence, pieces: Evidence) -> Fitted:
    """Leave out steps that save nothing on colours nor on pieces, now that others are there.

    Nor does one that moves less than rounding does say anything, though it may save a little.
    """
    few = pieces.thinned(MOST_PIECES)

    def points(chain: Chain) -> Chain:
        return replace(chain, steps=tuple(step for step in chain if not step.step.spatial))

    def bits(chain: Chain) -> float:
        return bits_of(points(chain), colours) + bits_of(chain, few)

    def idles(chain: Chain, shorter: Chain) -> bool:
        if any(step.step.rounds or step.step.last for step in chain):
            return False
        of_few = residual(chain, few) - residual(shorter, few)
        of_colours = residual(points(chain), colours) - residual(points(shorter), colours)
        return all(bool((np.abs(moved) < ROUNDED).all()) for moved in (of_few, of_colours))

    chain = fitted.chain
    for place in reversed(range(len(chain))):
        shorter = chain.without(place)
        if idles(chain, shorter) or bits(shorter) <= bits(chain) + STEP_BITS:
            chain = shorter
    return replace(fitted, chain=chain) if chain is not fitted.chain else fitted


def search(sites: Evidence, starts: Sequence[Chain], tried: Callable[[Step], bool]) -> list[Fitted]:
    """Add steps to chains while that saves bits; the best first, by what no fit has seen."""
    training, unseen = sites.halves()
    if min(len(training), len(unseen)) < (1 if sites.in_pieces else LEAST_SITES):
        training = unseen = sites
    training = training.thinned(MOST_PIECES if sites.in_pieces else TRAINING)
    known: dict[str, Fitted] = {}
    beam = sorted((_begun(chain, training) for chain in starts), key=lambda item: item.cost)
    for _ in range(ROUNDS):
        if beam[0].bits < EXACT:
            break
        for refined in _refined(_proposed(beam, sites, training, tried), training):
            name = shape_of(refined.chain)
            if name not in known or refined.cost < known[name].cost:
                known[name] = refined
        pool = sorted([*known.values(), *beam], key=lambda item: item.cost)
        settled = pool[0].cost >= beam[0].cost * (1 - LEAST_GAIN)
        # Where no chain of another kind has come first, another round begins where this did.
        settled |= kind_of(pool[0].chain) in {kind_of(fitted.chain) for fitted in beam}
        limit = _limit(pool[0].bits)
        beam = [f for f in _distinct(pool, kind_of)[:BEAM] if f.bits < limit]
        if settled:
            break
    judged = [
        replace(f, bits=bits_of(f.chain, unseen.thinned(TRAINING)))
        for f in _distinct([*beam, *known.values()], shape_of)
    ]
    return sorted(judged, key=lambda item: item.cost)


def _limit(bits: float) -> float:
    """Bits from which a chain is not followed beside one of so many."""
    return max(WORSE * bits, bits + WORSE_BITS)


def _begun(chain: Chain, sites: Evidence) -> Fitted:
    """Return a chain as it was found on other evidence, or fitted to this where that is better."""
    as_found = Fitted(chain, bits_of(chain, sites))
    fitted, covariance = fit(chain, sites)
    return min(
        (as_found, Fitted(fitted, bits_of(fitted, sites), covariance)), key=lambda item: item.bits
    )


def _proposed(
    beam: Sequence[Fitted], sites: Evidence, training: Evidence, tried: Callable[[Step], bool]
) -> list[Chain]:
    """Return chains with one step more, fitted roughly, the most promising first.

    All are ranked to first order; the best of them once more as fitted.
    """
    few = telling(beam[0].chain, training)
    ranked: dict[str, tuple[float, Chain]] = {}
    for fitted in beam:
        base = Base(fitted.chain, few)
        # Tables are read from all there is; what they hold has its price.
        for chain in grown(fitted.chain, sites, tried):
            trial = base.promise(chain)
            name = shape_of(chain)
            if name not in ranked or trial.cost < ranked[name][0]:
                ranked[name] = trial.cost, trial.chain
    likely = _of_each_kind(sorted(ranked.values(), key=lambda item: item[0]))[:LIKELY]
    tried_out = (fit(chain, few, passes=ROUGHLY)[0] for _, chain in likely)
    costs = [(Fitted(chain, bits_of(chain, few)).cost, chain) for chain in tried_out]
    costs.sort(key=lambda item: item[0])
    # What saves nothing where the chain is worst saves nothing anywhere.
    before = min(Fitted(fitted.chain, bits_of(fitted.chain, few)).cost for fitted in beam)
    limit = min(_limit(costs[0][0]), before) if costs else 0.0
    most = REFINED // 2 if sites.in_pieces else REFINED
    return [chain for cost, chain in costs[:most] if cost < limit]


def _refined(proposed: Iterable[Chain], training: Evidence) -> list[Fitted]:
    """Fit chains, with and without rounding on the way, and free the best of idle parts."""
    found = []
    for chain in proposed:
        near = chain
        for carried in CARRIED:
            near, covariance = fit(replace(near, carried=carried), training)
            found.append(Fitted(near, bits_of(near, training), covariance))
    found.sort(key=lambda item: item.cost)
    return [pruned(fitted, training) for fitted in _distinct(found, kind_of)[: BEAM + 1]]


class Base:
    """A chain that may grow, with what its fitted parameters move on some of the evidence.

    Attributes
    ----------
    chain, sites
        The chain; what it is held against.
    """

    def __init__(self, chain: Chain, sites: Evidence) -> None:
        self.chain, self.sites = chain, sites
        self._passed: list[Passed] = []
        sent = chain.applied(sites.signal, sites.medium, self._passed)
        self._arriving = [*(passed.arriving for passed in self._passed), sent]
        left = sites.seen - sites.predicted(sent)
        self._moved: dict[tuple[int, str], FloatArray] = {}
        if chain.free:
            places = range(len(chain.free))
            moved = derivatives(chain, sites, left, self._passed, places)
            for (place, parameter), row in zip(chain.free, moved, strict=True):
                self._moved[id(chain.steps[place]), parameter.name] = row

    def promise(self, longer: Chain) -> Fitted:
        """Return a longer chain with what it costs once its values follow, to first order.

        The parameters that the shorter chain has are taken to move what they move in it.
        """
        chain = started(longer, self.chain, self.sites)
        if chain is not longer:
            return Fitted(chain, bits_of(chain, self.sites))
        same = 0
        for step, other in zip(chain, self.chain, strict=False):
            if step is not other:
                break
            same += 1
        passed = self._passed[:same]
        sent = chain.applied(self._arriving[same], self.sites.medium, passed)
        left = self.sites.seen - self.sites.predicted(sent)
        keys = [(id(chain.steps[place]), parameter.name) for place, parameter in chain.free]
        own = [n for n, key in enumerate(keys) if key not in self._moved]
        used, rows = [*range(len(keys))], dict(self._moved)
        if own:
            moved = derivatives(chain, self.sites, left, passed, own)
            rows |= {keys[n]: row for n, row in zip(own, moved, strict=True)}
        middle = 0.0
        if any(chain.steps[chain.free[n][0]].step.spatial for n in own):
            used = own  # others were fitted where there is no filter
            middle = _middle(np.abs(left.T.ravel()), np.stack([rows[keys[n]] for n in own]))
        if not used:
            return Fitted(chain, _bits_left(left, chain, self.sites))
        jacobian = np.stack([rows[keys[n]] for n in used])
        change, _ = _change(jacobian, left.T.ravel(), middle)
        low, high = np.array([(p.low, p.high) for _, p in chain.free]).T
        position = chain.position
        position[used] += change
        position = np.clip(position, low, high)
        left = left - (jacobian.T @ (position - chain.position)[used]).reshape(3, -1).T
        return Fitted(chain.moved(position), _bits_left(left, chain, self.sites))


def _change(
    jacobian: FloatArray, rest: FloatArray, middle: float = 0.0
) -> tuple[FloatArray, FloatArray]:
    """Return what to add to parameters (P,), and its covariance (P, P) for a variance of one.

    Of what is left (R,) that counts which is not far beyond its median, or that given.
    """
    away = np.abs(rest)
    used = away < FAR * max((middle or float(np.median(away))) / 0.6745, 0.3)
    weighted = jacobian * used
    equations = weighted @ jacobian.T
    scale = np.sqrt(np.maximum(np.diag(equations), 1e-12))
    inverse = np.linalg.pinv(equations / np.outer(scale, scale)) / np.outer(scale, scale)
    return inverse @ (weighted @ rest), inverse


def _of_each_kind(ranked: list[tuple[float, Chain]]) -> list[tuple[float, Chain]]:
    """Keep a few chains of the same steps, so that settings of one do not crowd out others."""
    seen: Counter[tuple[str, ...]] = Counter()
    kept = []
    for item in ranked:
        kind = tuple(step.name for step in item[1])
        seen[kind] += 1
        if seen[kind] <= OF_A_KIND:
            kept.append(item)
    return kept


def telling(chain: Chain, sites: Evidence) -> Evidence:
    """Return little of the evidence: some of all, and what a chain predicts worst."""
    if sites.in_pieces:
        return sites.thinned(FEW_PIECES)
    every = np.linspace(0, len(sites) - 1, min(SCAN, len(sites))).astype(np.int64)
    worst = np.argsort(-np.abs(residual(chain, sites)).max(axis=1), kind="stable")
    return sites[np.union1d(every, worst[: SCAN // 4])]


def grown(chain: Chain, sites: Evidence, tried: Callable[[Step], bool]) -> Iterator[Chain]:
    """Yield the chain with one more step, or with another in place of picture controls.

    Where it has no picture controls they are tried with a step that they may hide.
    """
    names = [step.name for step in chain]
    controlled = names.index(CONTROLS.name) if CONTROLS.name in names else None
    sent, captured = sites.judged(chain.applied(sites.signal, sites.medium)), sites.captured
    places = range(len(chain) + 1)
    if controlled is None and tried(CONTROLS.step):
        yield from (chain.with_step(n, CONTROLS) for n in places)
    for name, step in STEPS.items():
        if not tried(step) or name == CONTROLS.name or (step.once and name in names):
            continue
        for settings in step.tried(sites.medium, sent, captured):
            placed = Placed.of(name, settings)
            if placed in chain.steps:
                continue
            if controlled is not None and step.affine:
                yield chain.without(controlled).with_step(controlled, placed)
            for place in places if not step.last else places[-1:]:
                longer = chain.with_step(place, placed)
                if any(step.step.last for step in longer.steps[:-1]):
                    continue
                yield longer
                if controlled is None and step.affine:
                    yield longer.with_step(place, CONTROLS)
                    if not step.last:
                        yield longer.with_step(len(longer), CONTROLS)


def started(chain: Chain, before: Chain, sites: Evidence) -> Chain:
    """Return a chain with values to refine: picture controls that are new to it without a search.

    What follows them is taken to add to signals what it adds without them.
    """
    place = next((n for n, step in enumerate(chain) if step is CONTROLS), None)
    if place is None or CONTROLS in before.steps:
        return chain
    first = replace(chain, steps=chain.steps[:place])
    arriving = first.applied(sites.signal, sites.medium)
    leaving = chain.without(place).applied(sites.signal, sites.medium)
    source, added = (sites.judged(x) for x in (arriving, leaving - arriving))
    values = controls_between(source, sites.captured - added)
    return chain.without(place).with_step(place, replace(CONTROLS, values=values))


def controls_between(source: FloatArray, target: FloatArray) -> dict[str, float]:
    """Picture controls that bring signals (M, 3) nearest to others, without those furthest off."""
    ones = np.ones(len(source))
    chroma, wanted = source[:, 1] + 1j * source[:, 2], target[:, 1] + 1j * target[:, 2]
    used = np.ones(len(source), bool)
    for _ in range(2):
        luma = np.linalg.lstsq(
            np.column_stack([source[used, 0], ones[used]]), target[used, 0], rcond=None
        )[0]
        turn = np.linalg.lstsq(
            np.column_stack([chroma[used], ones[used]]), wanted[used], rcond=None
        )[0]
        rest = np.abs(source[:, 0] * luma[0] + luma[1] - target[:, 0])
        rest = np.maximum(rest, np.abs(chroma * turn[0] + turn[1] - wanted))
        used = rest <= max(FAR * float(np.median(rest)), 1e-3)
    found = {
        "contrast": luma[0], "brightness": luma[1], "saturation": np.abs(turn[0]),
        "hue": np.degrees(np.angle(turn[0])), "blue": turn[1].real, "red": turn[1].imag,
    }  # fmt: skip
    limits = CONTROLS.step.parameters
    return {n: float(np.clip(v, limits[n].low, limits[n].high)) for n, v in found.items()}


def kind_of(chain: Chain) -> str:
    """Name the steps and settings of a chain, whatever is fitted of them."""
    return repr([(step.name, [*step.settings.items()]) for step in chain])


def shape_of(chain: Chain) -> str:
    """Name the steps and settings of a chain, whatever its values."""
    steps = " > ".join(f"{s.name}{[*s.settings.items()]}{[*s.values]}" for s in chain)
    return f"{chain.carried}: {steps}"


def residual(chain: Chain, sites: Evidence, passed: list[Passed] | None = None) -> FloatArray:
    """Return captured codes less predicted ones, before the capture's own rounding, (N, 3)."""
    return sites.seen - sites.predicted(chain.applied(sites.signal, sites.medium, passed))


def bits_of(chain: Chain, sites: Evidence) -> float:
    """Bits that a sample's three codes cost, on the mean."""
    return _bits_left(residual(chain, sites), chain, sites)


def _bits_left(rest: FloatArray, chain: Chain, sites: Evidence) -> float:
    """Bits of what a chain leaves (N, 3)."""
    coarse = coarse_of(chain, sites)
    return sum(_bits(*planes, coarse) for planes in zip(rest.T, sites.seen.T, strict=True))


def coarse_of(chain: Chain, sites: Evidence) -> float:
    """Codes of the capture to which the end of a chain, or the capture, rounds."""
    return max(chain.coarse * 2.0 ** (sites.capture.bits - 10), sites.grain)


def _bits(apart: FloatArray, codes: FloatArray, coarse: float) -> float:
    """Bits of codes that lie so far from where they were predicted, with the spread that fits.

    ``coarse`` is the step of the codes that are possible.
    """
    place = np.maximum(np.abs(apart) - EDGE, 0.0) * (FINE / coarse)
    if coarse > 1:
        place[codes % coarse != 0] = FINEST
    found = np.bincount(np.minimum(place, FINEST).astype(np.int64), minlength=FINEST + 1)
    return float((_prices() @ found).min()) / len(apart)


@lru_cache(maxsize=1)
def _prices() -> FloatArray:
    """Bits of a code (spreads, FINEST + 1) by its distance from where it was predicted."""
    spreads = np.array(SPREADS)[:, None]
    # A hair beyond a half may be rounded either way: distances count as the lower end of theirs.
    scaled = np.arange(FINEST + 1) / FINE / spreads
    half = 0.5 / spreads
    likely = ndtr(scaled + half) - ndtr(scaled - half)
    likely[:, -1] = 0.0
    stray = STRAY / STRAY_CODES
    prices: FloatArray = -np.log2((1 - STRAY) * likely + stray)
    return prices


def fit(chain: Chain, sites: Evidence, passes: int = PASSES) -> tuple[Chain, FloatArray | None]:
    """Fit the free parameters; with their covariance (P, P).

    What steps that round add to each signal is taken as it is at the values of the last pass.
    """
    if not chain.free:
        return chain, None
    low, high = np.array([(p.low, p.high) for _, p in chain.free]).T
    best: tuple[float, Chain, FloatArray | None] = np.inf, chain, None
    within = 0.5 * sites.grain - EDGE
    filters = np.array([chain.steps[place].step.spatial for place, _ in chain.free])
    passed: list[Passed] = []
    left = residual(chain, sites, passed)
    places = range(len(chain.free))
    for number in range(passes):
        jacobian, rest = derivatives(chain, sites, left, passed, places), left.T.ravel()
        away = np.abs(rest)
        middle = float(np.median(away))
        if number < FILTERS_FIRST and filters.any():
            # Colours have shown the others.
            middle = _middle(away, jacobian[filters])
            jacobian[~filters] = 0.0
        used = away < FAR * max(middle / 0.6745, 0.3)
        if number > 1:
            # Wherever within the captured code a prediction lies, it is right.
            weight = np.where(away > within, 1.0, INSIDE)
            rest = np.where(weight == 1, rest - within * np.sign(rest), INSIDE * rest)
            jacobian *= weight
        rest, weighted = rest * used, jacobian * used
        equations = weighted @ jacobian.T
        scale = np.sqrt(np.maximum(np.diag(equations), 1e-12))
        inverse = np.linalg.pinv(equations / np.outer(scale, scale)) / np.outer(scale, scale)
        change = inverse @ (weighted @ rest)
        inverse = inverse * max(float(rest @ rest) / max(int(np.count_nonzero(used)), 1), 1 / 12)
        chain = chain.moved(np.clip(chain.position + change, low, high))
        passed = []
        left = residual(chain, sites, passed)
        # Rounding makes the way to the best values a rough one: the best on it is kept.
        if (bits := _bits_left(left, chain, sites)) < best[0]:
            best = bits, chain, inverse
        if np.all(np.abs(change) < SETTLED * np.sqrt(np.abs(np.diag(inverse)))):
            break
    return best[1], best[2]


def _middle(away: FloatArray, jacobian: FloatArray) -> float:
    """Median distance (R,) from predictions of what a parameter moves, of that with the largest.

    A filter moves edges alone, and pieces of pictures have more of what it leaves.
    """
    order = np.argsort(away)
    moved = np.cumsum(np.square(jacobian[:, order]), axis=1)
    middle = np.minimum((moved < moved[:, -1:] / 2).sum(axis=1), len(away) - 1)
    return float(away[order][middle].max())


def derivatives(
    chain: Chain,
    sites: Evidence,
    left: FloatArray,
    passed: Sequence[Passed],
    of: Sequence[int],
) -> FloatArray:
    """Return how predictions follow some free parameters (P, R), plane by plane.

    ``left`` (N, 3) is what the chain leaves, with what ``passed`` each of its steps.
    """
    rows = []
    free = chain.free
    for n in of:
        place, parameter = free[n]
        position = chain.position
        small = 1e-3 * (parameter.high - parameter.low)
        position[n] += small
        moved = chain.moved(position).applied_from(place, sites.medium, passed)
        rows.append(((left - sites.seen + sites.predicted(moved)) / small).T.ravel())
    return np.stack(rows)


def pruned(found: Fitted, sites: Evidence) -> Fitted:
    """Hold parameters of a fitted chain that are not needed at their defaults, one by one."""
    while (shorter := _held(found, sites)) is not None:
        found = shorter
    return _shortened(found, sites)


def _held(found: Fitted, sites: Evidence) -> Fitted | None:
    """Hold the parameter that is needed least, if it is not."""
    if found.covariance is None:
        return None
    sigma = np.sqrt(np.maximum(np.diag(found.covariance), 1e-18))
    default = np.array([parameter.default for _, parameter in found.chain.free])
    away = np.abs(found.chain.position - default) / sigma
    for index in np.argsort(away):
        if away[index] > NEEDED:
            break
        if sites.in_pieces and not found.chain.steps[found.chain.free[index][0]].step.spatial:
            continue
        chain, covariance = fit(_holding(found.chain, int(index)), sites, AGAIN)
        held = Fitted(chain, bits_of(chain, sites), covariance)
        if held.cost <= found.cost:
            return held
    return None


def _holding(chain: Chain, index: int) -> Chain:
    place, parameter = chain.free[index]
    step = chain.steps[place]
    values = {n: v for n, v in step.values.items() if n != parameter.name}
    shorter = chain.without(place)
    if not values:
        return shorter
    return shorter.with_step(place, replace(step, values=values))


def _shortened(found: Fitted, sites: Evidence) -> Fitted:
    """Leave out steps that save nothing now that others are there."""
    for place in reversed(range(len(found.chain))):
        # Few pieces show what colours have shown.
        if sites.in_pieces and not found.chain.steps[place].step.spatial:
            continue
        chain, covariance = fit(found.chain.without(place), sites, AGAIN)
        other = Fitted(chain, bits_of(chain, sites), covariance)
        if other.cost <= found.cost:
            found = other
    return found


def _distinct(ranked: list[Fitted], by: Callable[[Chain], str]) -> list[Fitted]:
    seen: dict[str, Fitted] = {}
    for item in ranked:
        seen.setdefault(by(item.chain), item)
    return list(seen.values())
