"""What a tone curve is, and the registry of them."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from tonelab.conversion.parameters import WITH_DEFAULTS, Parameter, Part, Tried, parts
from tonelab.signal.arrays import FloatArray
from tonelab.signal.transfer import eotf_inverse_pq, eotf_pq

Tone: TypeAlias = Callable[[FloatArray], FloatArray]
Curve: TypeAlias = Callable[..., FloatArray]


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneCurve(Part[Curve]):
    """A tone curve: absolute light in cd/m2 (>= 0) to relative light, 1 = SDR nominal white.

    All its functions take and give arrays of any shape, element by element.

    Attributes
    ----------
    inverse
        ``inverse(y, **parameters)``: light in cd/m2 of relative light; closed form or bisection.
    derivative
        ``derivative(L, **parameters)``: change of relative light per cd/m2.
    tried
        See `Part`; unless stated otherwise, identification fits the curve to every capture, from
        starts within the bounds of its parameters.
    """

    inverse: Curve
    derivative: Curve
    tried: Tried | None = WITH_DEFAULTS

    def guess(self, light: FloatArray, relative: FloatArray) -> dict[str, float]:
        """Return the best of a fixed coarse sample of the parameter space, to start a fit from.

        Parameters
        ----------
        light, relative
            Shape (N,), cd/m2 and relative light.
        """
        samples = _low_discrepancy(256, len(self.parameters))
        trials = [
            {p.name: _within(p, u) for p, u in zip(self.parameters.values(), row, strict=True)}
            for row in samples
        ]
        trials.append(self.complete({}))
        wanted = np.clip(relative, 0.0, 1.0) ** (1 / 2.4)

        def distance(trial: dict[str, float]) -> float:
            with np.errstate(all="ignore"):
                got = np.clip(self.function(light, **trial), 0.0, 1.0) ** (1 / 2.4)
            return float(np.nan_to_num(np.sum((got - wanted) ** 2), nan=np.inf))

        return min(trials, key=distance)


def _tone_curve(
    *,
    function: Curve,
    inverse: Curve | None = None,
    derivative: Curve | None = None,
    **facts: Any,
) -> ToneCurve:
    """Make the entry of a curve; numerical forms stand in for closed ones."""
    return ToneCurve(
        function=function,
        inverse=inverse or partial(inverse_by_bisection, function),
        derivative=derivative or partial(derivative_by_difference, function),
        **facts,
    )


def inverse_by_bisection(curve: Curve, relative: ArrayLike, **parameters: float) -> FloatArray:
    """Light in cd/m2, 0 to 10,000, of relative light (any shape), bisecting in PQ signal."""
    wanted = np.asarray(relative, np.float64)
    low, high = np.zeros_like(wanted), np.ones_like(wanted)
    for _ in range(60):
        middle = (low + high) / 2
        below = curve(eotf_pq(middle), **parameters) < wanted
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return eotf_pq((low + high) / 2)


def derivative_by_difference(curve: Curve, L: ArrayLike, **parameters: float) -> FloatArray:
    """Change of relative light per cd/m2 at light in cd/m2 (any shape), by difference in PQ."""
    signal = eotf_inverse_pq(L)
    low, high = eotf_pq(signal - 1e-5), eotf_pq(signal + 1e-5)
    return (curve(high, **parameters) - curve(low, **parameters)) / (high - low)


def _low_discrepancy(count: int, dimensions: int) -> FloatArray:
    """Additive recurrence of the generalised golden ratio, shape (count, dimensions) in 0..1."""
    ratio = 2.0
    for _ in range(40):
        ratio = (1 + ratio) ** (1 / (dimensions + 1))
    steps = ratio ** -np.arange(1.0, dimensions + 1)
    fractions: FloatArray = np.mod(0.5 + np.outer(np.arange(1.0, count + 1), steps), 1.0)
    return fractions


def _within(parameter: Parameter, fraction: float) -> float:
    low, high = parameter.low, parameter.high
    if parameter.log:
        return float(low * (high / low) ** fraction)
    return float(low + (high - low) * fraction)


TONE_CURVES = parts("tone curve", "tonelab.tone_curves", _tone_curve)
