"""The free monotone curve."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from tonelab.conversion.tone.itu import pq_slope
from tonelab.errors import UsageError
from tonelab.signal.transfer import eotf_inverse_pq, eotf_pq

if TYPE_CHECKING:
    from numpy.typing import ArrayLike
    from scipy.interpolate import PchipInterpolator

    from tonelab.signal.arrays import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class FreeCurve:
    """Monotone cubic (PCHIP) through knots, held constant beyond the first and last.

    Between the knots the power 1/2.4 of relative light is interpolated over the PQ signal, so
    that equal steps weigh about equally in capture codes, near black too.

    Parameters
    ----------
    signal
        Shape (K,), rising, PQ signals 0..1 of the knots.
    relative
        Shape (K,), not falling, >= 0, relative light (1 = SDR nominal white) at the knots.

    Raises
    ------
    UsageError
        When the knots are not ordered, or fewer than two.
    """

    signal: FloatArray
    relative: FloatArray
    _root: PchipInterpolator = field(init=False, repr=False)
    _slope: PchipInterpolator = field(init=False, repr=False)

    def __post_init__(self) -> None:
        from scipy.interpolate import PchipInterpolator

        signal = np.asarray(self.signal, np.float64)
        relative = np.asarray(self.relative, np.float64)
        if signal.ndim != 1 or signal.shape != relative.shape or signal.size < 2:
            raise UsageError("A free curve needs as many values as knots, two or more.")
        if np.any(np.diff(signal) <= 0) or np.any(np.diff(relative) < 0) or relative[0] < 0:
            raise UsageError("The knots of a free curve must rise and its values must not fall.")
        root = PchipInterpolator(signal, relative ** (1 / 2.4))
        for name, value in (
            ("signal", signal),
            ("relative", relative),
            ("_root", root),
            ("_slope", root.derivative()),
        ):
            object.__setattr__(self, name, value)

    def __call__(self, L: ArrayLike) -> FloatArray:
        """Relative light of light in cd/m2, any shape."""
        root: FloatArray = self._root(self._within(L))
        return np.maximum(root, 0.0) ** 2.4

    def derivative(self, L: ArrayLike) -> FloatArray:
        """Change of relative light per cd/m2 at light in cd/m2, any shape."""
        inside = self._within(L)
        by_signal = 2.4 * np.maximum(self._root(inside), 0.0) ** 1.4 * self._slope(inside)
        moving = inside == eotf_inverse_pq(L)
        return np.where(moving, by_signal * pq_slope(np.asarray(L, np.float64)), 0.0)

    def inverse(self, relative: ArrayLike) -> FloatArray:
        """Light in cd/m2 of relative light, any shape; the first light where the curve is flat."""
        wanted = np.asarray(relative, np.float64)
        low = np.full_like(wanted, self.signal[0])
        high = np.full_like(wanted, self.signal[-1])
        root = np.maximum(wanted, 0.0) ** (1 / 2.4)
        for _ in range(54):
            middle = (low + high) / 2
            below = self._root(middle) < root
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        return eotf_pq(high)

    def _within(self, L: ArrayLike) -> FloatArray:
        return np.clip(eotf_inverse_pq(L), self.signal[0], self.signal[-1])
