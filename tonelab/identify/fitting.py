"""Fitting the parameters of a chain to codes, with intervals."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import least_squares
from scipy.stats import qmc

from tonelab.curves import Z95
from tonelab.identify.evidence import Evidence, rms
from tonelab.results import ParameterEstimate

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from tonelab.conversion import Conversion
    from tonelab.conversion.parameters import Parameter
    from tonelab.signal.quantisation import FloatArray

STARTS = 32
POLISHED = 3
CORRELATION_LIMIT = 0.995
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

    ``covariance`` is in positions 0..1, for the parameters in the order of ``free``.
    """

    conversion: Conversion
    free: tuple[Free, ...]
    position: FloatArray
    covariance: FloatArray
    rms: float

    def estimates(self) -> dict[str, ParameterEstimate]:
        """Values with 95 % intervals; those that the data do not fix say so."""
        return {free.parameter.name: self._estimate(index) for index, free in enumerate(self.free)}

    def _estimate(self, index: int) -> ParameterEstimate:
        free, place = self.free[index], float(self.position[index])
        spread = float(np.sqrt(max(self.covariance[index, index], 0.0)))
        value = free.value(place)
        low = free.value(max(place - Z95 * spread, 0.0))
        high = free.value(min(place + Z95 * spread, 1.0))
        note = self._doubt(index, value, low, high)
        return ParameterEstimate(value, low, high, free.parameter.unit, not note, note)

    def _doubt(self, index: int, value: float, low: float, high: float) -> str:
        place = float(self.position[index])
        name = self.free[index].parameter.name
        if name in LIKE_THE_CURVE:
            return f"not identifiable from this capture: {LIKE_THE_CURVE[name]}"
        if not np.isfinite(self.covariance[index, index]):
            return "not identifiable from this capture: it changes no code"
        if place < 1e-3 or place > 1 - 1e-3:
            return "at the bound of its range"
        if high - low > WIDTH_LIMIT * max(abs(value), 1e-9):
            return "not identifiable from this capture: its interval is wider than half its value"
        deviation = np.sqrt(np.maximum(np.diag(self.covariance), 1e-300))
        correlation = np.abs(self.covariance[index] / deviation[index] / deviation)
        correlation[index] = 0.0
        other = int(np.argmax(correlation))
        if correlation[other] > CORRELATION_LIMIT:
            partner = self.free[other].parameter.name
            return f"known only together with {partner} (correlation {correlation[other]:.3f})"
        return ""


def start_fits(
    evidence: Evidence, chain: Conversion, free: Sequence[Free], *, count: int = POLISHED
) -> list[Fit]:
    """Fit to the neutrals alone from many starts; the best first.

    Only the curve is at stake there, so this is quick and finds the right valley for
    `joint_fit`.
    """
    thin = evidence.thinned(0, neutrals=160)

    def cost(position: FloatArray) -> float:
        return float(np.sum(thin.neutral_residual(_set(chain, free, position))[:, 0] ** 2))

    defaults = np.array([f.unit(f.parameter.default) for f in free])
    starts = qmc.Halton(len(free), seed=0).random(STARTS)
    starts = np.vstack([np.clip(defaults, 0.02, 0.98), 0.02 + 0.96 * starts])
    costs = [cost(start) for start in starts]
    order = np.argsort(np.nan_to_num(costs, nan=np.inf))[:count]

    def residual(position: FloatArray) -> FloatArray:
        return thin.neutral_residual(_set(chain, free, position))[:, 0]

    fits = [_solve(chain, free, starts[index], residual, evidence.floor) for index in order]
    return sorted(fits, key=lambda fit: fit.rms)


def joint_fit(evidence: Evidence, fit: Fit, free: Sequence[Free]) -> Fit:
    """Refine a fit on colours and neutrals together."""
    start = np.array([item.unit(_current(fit.conversion, item)) for item in free])
    residual = _joint_residual(evidence, fit.conversion, free)
    return _solve(fit.conversion, free, start, residual, evidence.floor)


def with_rounding(evidence: Evidence, fit: Fit, *, draws: int = 96) -> Fit:
    """Widen the covariance by what rounding does to this very fit.

    Rounding errors of an undithered device are no noise: neighbouring codes err alike, and a fit
    follows them. So the fitted chain is moved at random by about a code, rounded, and the error
    that the rounding causes in each parameter is read off the linearised fit.
    """
    if not fit.free or evidence.dithered:
        return fit
    residual = _joint_residual(evidence, fit.conversion, fit.free)
    jacobian = _jacobian(residual, fit.position)
    information = jacobian.T @ jacobian
    inverse = _inverse(information)
    if not np.all(np.isfinite(inverse)):
        return fit
    gain = inverse @ jacobian.T
    size = 1.0 / np.maximum(np.sqrt(np.mean(jacobian**2, axis=0)), 1e-9)
    rng = np.random.default_rng(0)
    errors = []
    for _ in range(draws):
        moved = fit.position + size * rng.standard_normal(len(size)) / np.sqrt(len(size))
        left = residual(np.clip(moved, 0.0, 1.0)) / evidence.step
        errors.append(gain @ (evidence.step * (np.round(left) - left)))
    rounding = np.sqrt(np.mean(np.square(errors), axis=0))
    widening = np.maximum(rounding / np.sqrt(np.maximum(np.diag(fit.covariance), 1e-300)), 1.0)
    return replace(fit, covariance=fit.covariance * np.outer(widening, widening))


def _joint_residual(
    evidence: Evidence, chain: Conversion, free: Sequence[Free]
) -> Callable[[FloatArray], FloatArray]:
    """Predicted minus measured codes of colours and of the luma of neutrals, by position."""

    def residual(position: FloatArray) -> FloatArray:
        moved = _set(chain, free, position)
        return np.concatenate(
            [evidence.residual(moved).ravel(), evidence.neutral_residual(moved)[:, 0]]
        )

    return residual


def _jacobian(residual: Callable[[FloatArray], FloatArray], position: FloatArray) -> FloatArray:
    """Two-sided numerical derivative, shape (residuals, parameters)."""
    columns = []
    for index in range(len(position)):
        step = np.zeros(len(position))
        step[index] = 1e-4
        high, low = np.clip(position + step, 0, 1), np.clip(position - step, 0, 1)
        columns.append((residual(high) - residual(low)) / (high[index] - low[index]))
    return np.stack(columns, axis=1)


def fit_residual(
    chain: Conversion,
    free: Sequence[Free],
    residual: Callable[[Conversion], FloatArray],
    floor: float,
) -> Conversion:
    """Return the chain with the parameters that make ``residual(chain)`` smallest."""
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
        return Fit(chain, (), start, np.zeros((0, 0)), rms(residual(start)))
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
    values = residual(solution.x)
    spread = max(float(np.mean(values**2)), floor**2)
    jacobian = np.asarray(solution.jac, np.float64)
    covariance = _inverse(jacobian.T @ jacobian) * spread
    return Fit(_set(chain, free, solution.x), tuple(free), solution.x, covariance, rms(values))


def _inverse(information: FloatArray) -> FloatArray:
    """Invert; directions without information get infinite variance."""
    idle = np.diag(information) < 1e-9 * max(float(np.diag(information).max()), 1e-300)
    covariance = np.full_like(information, 0.0)
    active = np.flatnonzero(~idle)
    covariance[np.ix_(active, active)] = np.linalg.pinv(information[np.ix_(active, active)])
    covariance[np.flatnonzero(idle), np.flatnonzero(idle)] = np.inf
    return covariance


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
