"""Integer settings nearest to a target, with what the captures leave uncertain."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from scipy.optimize import Bounds, differential_evolution, minimize
from scipy.stats.qmc import Sobol

from tonelab.compare.shared import DisplayedColours, as_codes, coordinates
from tonelab.readings.colours import shown_light
from tonelab.signal.quantisation import luma_scale
from tonelab.tune.model import Model, operators, predict
from tonelab.tune.operators import apply
from tonelab.tune.response import DRAWS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tonelab.signal.arrays import FloatArray, IntArray
    from tonelab.signal.description import Signal

    SettingArray = IntArray

_SEARCH_COLOURS = 240
_EVOLVED_COLOURS = 600
_SCATTER, _GENERATIONS = 6, 90  # 2^6 settings all over the ranges, and how often they are crossed
_FINISHED = 3  # settings followed to the end with all colours
_SEED = 2124
_STARTS = 2  # captured settings from which to search
_DRAW_COLOURS = 800
_CHUNK = 200_000  # colours evaluated at once
_NEAR = 1.25  # times the best, up to which settings are examined
_EXAMINED = 40
_DRAWN = 6  # models whose own best settings are examined
_MOST_CORNERS = 5  # controls up to which all neighbours are tried
_SETTLED = 0.02  # ΔE_ITP below which a difference is none
_TIED = 0.3  # ΔE_ITP by which nobody sees that one setting is worse than another


@dataclass(frozen=True, slots=True)
class Aim:
    """A mode's model, its target on the same colours, and how its output is shown.

    ``target`` has shape (N, 3), see `coordinates`; ``draw`` chooses one of the models that agree
    with the captures, 0 the likeliest.
    """

    model: Model
    target: FloatArray
    signal: Signal
    draw: int = 0

    def thinned(self, most: int) -> Aim:
        """Return the same on at most so many colours, evenly taken."""
        rows = np.unique(np.linspace(0, len(self.target) - 1, most).astype(int))
        model = self.model
        few = replace(
            model,
            latent=model.latent[rows],
            hidden=model.hidden[rows],
            source=model.source[rows],
        )
        return Aim(few, self.target[rows], self.signal, self.draw)

    def distances(self, settings: SettingArray, draw: int = 0) -> FloatArray:
        """ΔE_ITP (B, N) of the output from the target, for settings (B, controls)."""
        gain, lift, chroma, moved = operators(self.model, settings, draw or self.draw)
        size = len(self.target)
        rows = max(_CHUNK // size, 1)
        found = np.empty((len(settings), size))
        for start in range(0, len(settings), rows):
            some = slice(start, min(start + rows, len(settings)))
            signals = [
                apply(
                    self.model.latent if moved is None else self.model.latent + moved[at],
                    float(gain[at]), float(lift[at]), complex(chroma[at]),
                )
                for at in range(some.start, some.stop)
            ]  # fmt: skip
            found[some] = self.of_signals(np.concatenate(signals)).reshape(-1, size)
        return found

    def of_signals(self, signals: FloatArray) -> FloatArray:
        """ΔE_ITP of signals (k N, 3) from the target, once limited.

        Not rounded: which way a colour is rounded cannot be predicted, and a smooth objective is
        searched better. Intervals allow for rounding.
        """
        codes = as_codes(self.model.limits.clip(signals), self.signal)
        apart = coordinates(shown_light(codes, self.signal))
        apart -= np.tile(self.target, (len(signals) // len(self.target), 1))
        return np.asarray(np.sqrt(np.einsum("ij,ij->i", apart, apart)))

    def rounding(self, settings: SettingArray) -> float:
        """95th percentile of ΔE_ITP that rounding to codes causes at settings (controls,)."""
        signal = self.model.limits.clip(predict(self.model, settings[None])[0])
        step = self.model.step * luma_scale(self.signal.bits, self.signal.range)[1]
        shown = DisplayedColours.of(as_codes(signal, self.signal), self.signal, step)
        return float(np.percentile(shown.rounding, 95))

    def p95(self, settings: SettingArray, draw: int = 0) -> FloatArray:
        """95th percentile of ΔE_ITP (B,)."""
        return np.asarray(np.percentile(self.distances(settings, draw), 95, axis=1))


@dataclass(frozen=True, slots=True)
class Proposal:
    """Settings and what they are predicted to give.

    Attributes
    ----------
    settings
        By control.
    p95, low, high
        95th percentile of ΔE_ITP that the models which agree with the captures predict on average,
        with its 95 % interval. Proposals are ranked by it.
    mean
        Predicted mean ΔE_ITP.
    behind
        By how much the p95 exceeds that of the first proposal, with ``behind_low`` the lower
        end of its 95 % interval.
    promise
        Expected gain on the first, should this turn out to be better.
    tie
        Whether the captures do not distinguish it from the first, and it is expected to be worse by
        less than 0.3 ΔE_ITP.
    """

    settings: dict[str, int]
    p95: float
    low: float
    high: float
    mean: float
    behind: float
    behind_low: float
    promise: float
    tie: bool


def search(
    aims: Sequence[Aim],
    ranges: Sequence[tuple[int, int]],
    starts: SettingArray,
    alone: Sequence[float] = (0.0,),
) -> SettingArray:
    """Return the integer settings (controls,) whose p95 exceeds ``alone`` least at the worst aim.

    Parameters
    ----------
    aims
        One, or one for each mode.
    ranges
        Lowest and highest setting of each control.
    starts
        Shape (S, controls): where to start from.
    alone
        For each aim the p95 that it could have by itself.
    """
    coarse = [aim.thinned(_SEARCH_COLOURS) for aim in aims]
    low, high = np.array(ranges).T
    begin = np.unique(np.clip(starts, low, high), axis=0)
    begin = begin[np.argsort(_worst(coarse, begin, alone), kind="stable")[:_STARTS]]
    ends = [_descend(coarse, ranges, start, alone) for start in begin]
    ends.append(_evolved(aims, ranges, begin, alone))
    found = np.unique(ends, axis=0)
    order = np.argsort(_worst(coarse, found, alone), kind="stable")[:_FINISHED]
    found = np.unique([_polish(aims, ranges, found[at], alone) for at in order], axis=0)
    chosen: SettingArray = found[int(np.argmin(_worst(aims, found, alone)))]
    return chosen


def settle(aims: Sequence[Aim], alone: Sequence[float], candidates: SettingArray) -> SettingArray:
    """Return the candidate whose worst excess is least over all models that agree."""
    few = [aim.thinned(_SEARCH_COLOURS) for aim in aims]
    candidates = np.unique(candidates, axis=0)
    worst = [
        _worst([replace(aim, draw=draw) for aim in few], candidates, alone)
        for draw in range(DRAWS + 1)
    ]
    chosen: SettingArray = candidates[int(np.argmin(np.mean(worst, axis=0)))]
    return chosen


def _worst(aims: Sequence[Aim], settings: SettingArray, alone: Sequence[float]) -> FloatArray:
    excess = [aim.p95(settings) - own for aim, own in zip(aims, alone, strict=True)]
    return np.asarray(np.max(excess, axis=0))


def _descend(
    aims: Sequence[Aim],
    ranges: Sequence[tuple[int, int]],
    start: SettingArray,
    alone: Sequence[float],
) -> SettingArray:
    """Scan each control over its range until nothing moves, then look around."""
    here = np.array(start)
    for _ in range(4):
        before = here.copy()
        for at, (low, high) in enumerate(ranges):
            line = np.repeat(here[None], high - low + 1, axis=0)
            line[:, at] = np.arange(low, high + 1)
            values = np.max([(aim.distances(line) ** 2).mean(axis=1) for aim in aims], axis=0)
            here = line[int(np.argmin(values))]
        if (here == before).all():
            break
    return _polish(aims, ranges, here, alone)


def _evolved(
    aims: Sequence[Aim],
    ranges: Sequence[tuple[int, int]],
    starts: SettingArray,
    alone: Sequence[float],
) -> SettingArray:
    """Search everywhere: the 95th percentile has valleys of its own, which a mean does not see."""
    few = [aim.thinned(_EVOLVED_COLOURS) for aim in aims]
    low, high = np.array(ranges).T
    scattered = low + Sobol(len(ranges), rng=_SEED).random_base2(_SCATTER) * (high - low)

    def worst(settings: FloatArray, /) -> FloatArray:
        return _worst(few, np.round(settings.T).astype(np.int64), alone)

    found = differential_evolution(
        cast("Any", worst),  # its hints do not know functions of many points
        Bounds(low, high),
        strategy="currenttobest1bin",
        init=np.concatenate([starts, scattered]),
        maxiter=_GENERATIONS,
        mutation=(0.4, 0.9),
        recombination=0.9,
        tol=0.0,
        polish=False,
        vectorized=True,
        updating="deferred",
        integrality=np.ones(len(ranges), bool),
        rng=_SEED,
    )
    return np.round(found.x).astype(np.int64)


def _polish(
    aims: Sequence[Aim],
    ranges: Sequence[tuple[int, int]],
    start: SettingArray,
    alone: Sequence[float],
) -> SettingArray:
    """Move to the best neighbour, near ones in all directions and far ones along axes."""
    steps = _steps(len(ranges), (-16, -8, -4, -2, -1, 1, 2, 4, 8, 16))
    low, high = np.array(ranges).T
    here = np.array(start)
    value = float(_worst(aims, here[None], alone)[0])
    while True:
        around = np.unique(np.clip(here + steps, low, high), axis=0)
        values = _worst(aims, around, alone)
        best = int(np.argmin(values))
        if values[best] >= value - 1e-9:
            return here
        here, value = around[best], float(values[best])


def _steps(size: int, far: tuple[int, ...]) -> SettingArray:
    """Return moves along axes and diagonals of pairs, and to all corners."""
    axes = np.eye(size, dtype=np.int64)
    moves = [n * axis for axis in axes for n in far]
    moves += [
        n * (axes[one] + sign * axes[other])
        for one in range(size)
        for other in range(one)
        for sign in (-1, 1)
        for n in far
    ]
    if size <= _MOST_CORNERS:
        moves += [np.array(move) for move in product((-1, 0, 1), repeat=size)]
    return np.unique(np.array(moves), axis=0)


def rank(
    aim: Aim,
    ranges: Sequence[tuple[int, int]],
    best: SettingArray,
    names: Sequence[str],
    own: float,
    others: SettingArray | None = None,
) -> tuple[list[Proposal], float]:
    """Rank settings around the best, with intervals over all models that agree with the captures.

    Parameters
    ----------
    aim, ranges, names
        What is searched.
    best
        Settings that the likeliest model calls best.
    own
        Error of the prediction itself, ΔE_ITP, that the captures show.
    others
        More settings to examine, such as those captured.

    Returns
    -------
    list of Proposal
        That of the least p95 first.
    float
        By how much, with 97.5 % confidence, other settings can at most be better than the first.
    """
    near = _candidates(aim, ranges, best, others)
    mean = aim.distances(near).mean(axis=1)
    drawn = aim.thinned(_DRAW_COLOURS)
    spread = np.array([drawn.p95(near, draw) for draw in range(DRAWS + 1)])
    # The likeliest model on all colours, and by how much the others differ from it on few.
    expected = aim.p95(near) + spread.mean(axis=0) - spread[0]
    order = np.argsort(expected, kind="stable")
    first = order[0]
    ends = np.percentile(spread[1:] - spread.mean(axis=0), (2.5, 97.5), axis=0)
    apart = spread[1:] - spread[1:, [first]]
    behind = np.minimum(np.percentile(apart, 2.5, axis=0), expected - expected[first])
    noise = aim.rounding(near[first])
    promise = np.maximum(-apart, 0.0).mean(axis=0)
    found = [
        Proposal(
            settings=dict(zip(names, map(int, near[at]), strict=True)),
            p95=float(expected[at]),
            low=_without(expected[at] + min(ends[0, at], 0) - own, noise),
            high=float(np.hypot(expected[at] + max(ends[1, at], 0) + own, noise)),
            mean=float(mean[at]),
            behind=float(expected[at] - expected[first]),
            behind_low=float(behind[at]),
            promise=float(promise[at]),
            tie=bool(behind[at] <= _SETTLED and expected[at] - expected[first] < _TIED),
        )
        for at in order
    ]
    return found, float(np.percentile(-apart.min(axis=1), 97.5)) + own


def _without(p95: float, noise: float) -> float:
    """Take away what rounding may have added to a distance, as it adds to small ones alone."""
    return float(max(max(p95, 0.0) ** 2 - noise**2, 0.0) ** 0.5)


def _candidates(
    aim: Aim, ranges: Sequence[tuple[int, int]], best: SettingArray, others: SettingArray | None
) -> SettingArray:
    """Return settings worth examining: near the best, others, and the best of other models."""
    low, high = np.array(ranges).T
    if (low == high).all():
        return best[None]
    size = len(ranges)
    around = np.concatenate([_steps(size, (-2, -1, 1, 2)), np.zeros((1, size), int)])
    around = np.unique(np.clip(best + around, low, high), axis=0)
    coarse = aim.thinned(_SEARCH_COLOURS)
    values = coarse.p95(around)
    order = np.argsort(values, kind="stable")
    near = around[order[values[order] <= _NEAR * values[order[0]] + _SETTLED]][:_EXAMINED]
    few = aim.thinned(_SEARCH_COLOURS // 2)
    drawn = [_polish([replace(few, draw=n)], ranges, best, (0.0,)) for n in range(1, _DRAWN + 1)]
    extra = [] if others is None else [np.clip(others, low, high)]
    return np.unique(np.concatenate([best[None], near, drawn, *extra]), axis=0)


def out_of_reach(aim: Aim, settings: SettingArray) -> float:
    """Return the least p95 of any gain, lift, chroma gain and hue, steps and ranges aside."""
    few = aim.thinned(_SEARCH_COLOURS)
    gain, lift, chroma, moved = operators(few.model, settings[None])
    latent = few.model.latent if moved is None else few.model.latent + moved[0]
    start = np.array([gain[0], lift[0], chroma[0].real, chroma[0].imag])

    def p95(values: FloatArray) -> float:
        signal = apply(latent, values[0], values[1], complex(values[2], values[3]))
        return float(np.percentile(few.of_signals(signal), 95))

    simplex = np.vstack([start, start + np.diag([0.03, 0.02, 0.03, 0.03])])
    found = minimize(
        p95, start, method="Nelder-Mead", options={"maxfev": 400, "initial_simplex": simplex}
    )
    here = float(np.percentile(few.distances(settings[None])[0], 95))
    full = float(aim.p95(settings[None])[0])
    return min(float(found.fun), here) * full / max(here, 1e-9)
