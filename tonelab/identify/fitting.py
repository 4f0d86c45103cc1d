"""Fitting the parameters of a chain to codes, with intervals."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import least_squares

from tonelab.identify.evidence import Evidence, rms
from tonelab.readings.curves import Z95
from tonelab.results import Correlation, ParameterEstimate

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from tonelab.conversion import Conversion
    from tonelab.conversion.parameters import Parameter
    from tonelab.signal.arrays import FloatArray

STARTS = 32
POLISHED = 3
# Beyond it the valley is so narrow that its bend, and not its width, sets the interval.
CORRELATION_LIMIT = 0.98
DRAWS = 96
BOUND = 1e-3  # of a range, within which a parameter sits on its end
# Exact degeneracies: one capture holds the product, never the factors.
LIKE_THE_CURVE = {
    "contrast": "a contrast control and the curve's own ceiling look alike",
    "brightness": "a brightness control and a lift of black by the curve look alike",
}
WIDTH_LIMIT = 0.5  # of the value, beyond which an interval says that nothing is known


@dataclass(frozen=True, slots=True)
class Free:
    """One parameter of one part of a chain, searched on its own scale from 0 to 1."""

    part: str  # field of Conversion: tone, chroma, controls, ...
    parameter: Parameter

    def value(self, unit: float) -> float:
        """Turn a position 0..1 into a value."""
        p = self.parameter
        if p.log:
            return float(p.low * (p.high / p.low) ** unit)
        return p.low + (p.high - p.low) * unit

    def unit(self, value: float) -> float:
        """Turn a value into a position 0..1."""
        p = self.parameter
        clipped = min(max(value, p.low), p.high)
        if p.log:
            return float(np.log(clipped / p.low) / np.log(p.high / p.low))
        return (clipped - p.low) / (p.high - p.low)


@dataclass(frozen=True, slots=True)
class Fit:
    """A chain with fitted parameters.

    ``position`` and ``covariance`` are in positions 0..1, for the parameters in the order of
    ``free``; the covariance is None until `with_intervals` has found it.
    """

    conversion: Conversion
    free: tuple[Free, ...]
    position: FloatArray
    rms: float
    covariance: FloatArray | None = None

    def estimates(self) -> dict[str, ParameterEstimate]:
        """Values with 95 % intervals; those that the data do not fix say so."""
        return {free.parameter.name: self._estimate(index) for index, free in enumerate(self.free)}

    def correlations(self) -> tuple[Correlation, ...]:
        """Correlation of every pair of parameters."""
        names, matrix = [free.parameter.name for free in self.free], self._correlation()
        return tuple(
            Correlation(names[first], names[second], float(matrix[first, second]))
            for first, second in combinations(range(len(names)), 2)
        )

    def _correlation(self) -> FloatArray:
        """Correlations (P, P) of the parameters."""
        if self.covariance is None:
            return np.eye(len(self.free))
        deviation = np.sqrt(np.diag(self.covariance))
        return np.asarray(self.covariance / np.outer(deviation, deviation), np.float64)

    def partner(self, free: Free) -> tuple[str, float] | None:
        """Name the parameter that a parameter is known only together with, and by how much."""
        index = self.free.index(free)
        correlation = np.abs(self._correlation()[index])
        correlation[index] = 0.0
        other = int(np.argmax(correlation))
        if correlation[other] <= CORRELATION_LIMIT:
            return None
        return self.free[other].parameter.name, float(correlation[other])

    def _estimate(self, index: int) -> ParameterEstimate:
        free, place = self.free[index], float(self.position[index])
        spread = 0.0 if self.covariance is None else float(np.sqrt(self.covariance[index, index]))
        value = free.value(place)
        low = free.value(max(place - Z95 * spread, 0.0))
        high = free.value(min(place + Z95 * spread, 1.0))
        note = self._doubt(index, spread, value, high - low)
        return ParameterEstimate(value, low, high, free.parameter.unit, not note, note)

    def _doubt(self, index: int, spread: float, value: float, width: float) -> str:
        place, name = float(self.position[index]), self.free[index].parameter.name
        if name in LIKE_THE_CURVE:
            return f"not identifiable from this capture: {LIKE_THE_CURVE[name]}"
        if place < BOUND or place > 1 - BOUND:
            return "at the bound of its range"
        if (partner := self.partner(self.free[index])) is not None:
            return f"known only together with {partner[0]} (correlation {partner[1]:.3f})"
        if spread > 1:
            return "not identifiable from this capture: it changes no code"
        if width > WIDTH_LIMIT * max(abs(value), 1e-9):
            return "not identifiable from this capture: its interval is wider than half its value"
        return ""


def start_fits(
    evidence: Evidence, chain: Conversion, free: Sequence[Free], *, count: int = POLISHED
) -> list[Fit]:
    """Fit to the neutrals alone from many starts; the best first.

    Only the curve is at stake there, so this is quick and finds the right valley for
    `joint_fit`.
    """
    from scipy.stats import qmc

    thin = evidence.thinned(0, neutrals=160)
    # The tone curve and picture controls, which alone are fitted here, stand behind them.
    greys = thin.greys_of(chain)

    def residual(position: FloatArray) -> FloatArray:
        return thin.neutral_residual(_set(chain, free, position), greys)

    here = np.array([f.unit(_current(chain, f)) for f in free])
    starts = 0.02 + 0.96 * qmc.Halton(len(free), seed=0).random(STARTS)
    known = [n for n, f in enumerate(free) if f.part != "tone"]
    starts[:, known] = here[known]
    starts = np.vstack([np.clip(here, 0.02, 0.98), starts])
    costs = [float(np.sum(residual(start) ** 2)) for start in starts]
    order = np.argsort(np.nan_to_num(costs, nan=np.inf))[:count]
    fits = [_solve(chain, free, starts[index], residual, evidence.floor) for index in order]
    return sorted(fits, key=lambda fit: fit.rms)


def joint_fit(evidence: Evidence, chain: Conversion, free: Sequence[Free]) -> Fit:
    """Refine a chain's parameters on colours and neutrals together."""
    start = np.array([item.unit(_current(chain, item)) for item in free])
    return _solve(chain, free, start, _joint_residual(evidence, chain, free), evidence.floor)


def fit_from(evidence: Evidence, fit: Fit, start: FloatArray) -> Fit:
    """Fit the same parameters on colours and neutrals from a position (P,) of 0..1 each."""
    residual = _joint_residual(evidence, fit.conversion, fit.free)
    return _solve(fit.conversion, fit.free, start, residual, evidence.floor)


def with_intervals(evidence: Evidence, fit: Fit) -> Fit:
    """Find the covariance of a fit.

    Where dither makes the errors of colours independent, what each colour leaves is its error
    (the sandwich of White 1980, the three components of a colour taken together). Rounding alone
    is no noise: neighbouring codes err alike and a fit follows them, so there the errors that
    rounding causes in this very fit are drawn, and the larger of the two is kept.
    """
    if not fit.free:
        return fit
    residual = _joint_residual(evidence, fit.conversion, fit.free)
    left, jacobian = residual(fit.position), _jacobian(residual, fit.position)
    gain = _gain(jacobian)
    if evidence.dithered:
        colours = 3 * len(evidence.light)
        effect = gain * left
        grouped = effect[:, :colours].reshape(len(gain), -1, 3).sum(axis=2)
        effect = np.concatenate([grouped, effect[:, colours:]], axis=1)
        return replace(fit, covariance=effect @ effect.T)
    spread = max(float(np.mean(left**2)), evidence.floor**2)
    covariance = gain @ gain.T * spread
    errors = _rounding_errors(evidence, fit, residual, jacobian) @ gain.T
    rounding = np.sqrt(np.mean(np.square(errors), axis=0))
    widening = np.maximum(rounding / np.sqrt(np.diag(covariance)), 1.0)
    return replace(fit, covariance=covariance * np.outer(widening, widening))


def _rounding_errors(
    evidence: Evidence,
    fit: Fit,
    residual: Callable[[FloatArray], FloatArray],
    jacobian: FloatArray,
) -> FloatArray:
    """Errors of rounding (DRAWS, residuals) of the fitted chain, moved by about a code."""
    size = 1.0 / np.maximum(np.sqrt(np.mean(jacobian**2, axis=0)), 1e-9)
    rng = np.random.default_rng(0)
    errors = []
    for _ in range(DRAWS):
        moved = fit.position + size * rng.standard_normal(len(size)) / np.sqrt(len(size))
        left = residual(np.clip(moved, 0.0, 1.0)) / evidence.step
        errors.append(evidence.step * (np.round(left) - left))
    return np.array(errors)


def _joint_residual(
    evidence: Evidence, chain: Conversion, free: Sequence[Free]
) -> Callable[[FloatArray], FloatArray]:
    """Predicted minus measured codes of colours and of the luma of neutrals, by position."""

    def residual(position: FloatArray) -> FloatArray:
        moved = _set(chain, free, position)
        return np.concatenate([evidence.residual(moved).ravel(), evidence.neutral_residual(moved)])

    return residual


def _jacobian(residual: Callable[[FloatArray], FloatArray], position: FloatArray) -> FloatArray:
    """Two-sided numerical derivative, shape (residuals, parameters).

    What changes on one side alone is at an end of the codes, whose place between two ends would
    pass for knowledge of what moves it there.
    """
    here, columns = residual(position), []
    for index in range(len(position)):
        step = np.zeros(len(position))
        step[index] = 1e-4
        high, low = np.clip(position + step, 0, 1), np.clip(position - step, 0, 1)
        above, below = residual(high) - here, here - residual(low)
        slope = (above + below) / (high[index] - low[index])
        if low[index] < position[index] < high[index]:
            slope[(above == 0) | (below == 0)] = 0.0
        columns.append(slope)
    return np.stack(columns, axis=1)


def fit_residual(
    chain: Conversion,
    free: Sequence[Free],
    residual: Callable[[Conversion], FloatArray],
    floor: float,
) -> Conversion:
    """Return the chain with the parameters that make ``residual(chain)`` (R,), codes, smallest."""
    start = np.array([item.unit(_current(chain, item)) for item in free])
    return _solve(chain, free, start, lambda p: residual(_set(chain, free, p)), floor).conversion


def free_parameters(part: str, parameters: Mapping[str, Parameter]) -> tuple[Free, ...]:
    """All parameters of one part."""
    return tuple(Free(part, parameter) for parameter in parameters.values())


def _solve(
    chain: Conversion,
    free: Sequence[Free],
    start: FloatArray,
    residual: Callable[[FloatArray], FloatArray],
    floor: float,
) -> Fit:
    if not free:
        return Fit(chain, (), start, rms(residual(start)))
    solution = least_squares(
        residual,
        np.clip(start, 1e-6, 1 - 1e-6),
        bounds=(0.0, 1.0),
        loss="soft_l1",
        f_scale=4 * floor,
        x_scale=0.05,
        diff_step=np.full(len(free), 1e-5),
        max_nfev=60,
    )
    position = np.asarray(solution.x, np.float64)
    return Fit(_set(chain, free, position), tuple(free), position, rms(residual(position)))


def _gain(jacobian: FloatArray) -> FloatArray:
    """Pseudo-inverse (parameters, residuals) in which directions without information stay huge."""
    size = np.maximum(np.linalg.norm(jacobian, axis=0), 1e-6)
    left, singular, right = np.linalg.svd(jacobian / size, full_matrices=False)
    inverse = (right.T / np.maximum(singular, 1e-9)) @ left.T / size[:, None]
    return np.asarray(inverse, np.float64)


def _set(chain: Conversion, free: Sequence[Free], position: FloatArray) -> Conversion:
    values: dict[str, dict[str, float]] = {}
    for item, place in zip(free, position, strict=True):
        values.setdefault(item.part, {})[item.parameter.name] = item.value(float(place))
    parts = {}
    for part, given in values.items():
        step = getattr(chain, part)
        parts[part] = replace(step, parameters={**step.parameters, **given})
    return replace(chain, **parts)


def _current(chain: Conversion, free: Free) -> float:
    step = getattr(chain, free.part)
    return float(step.parameters.get(free.parameter.name, free.parameter.default))
