"""What picture controls do to a signal: gain and lift of luma, complex gain of chroma."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import least_squares

from tonelab.signal.colorimetry import rgb_to_ycbcr, ycbcr_to_rgb

if TYPE_CHECKING:
    from collections.abc import Callable

    from tonelab.signal.arrays import FloatArray, Mask
    from tonelab.signal.colorimetry import Matrix

EDGE = 2.0 / 876  # signal by which rounded R'G'B' may miss a limit
_FEW = 20
_PILE = 4  # colours at one and the same end that are no chance
_MOST_BEFORE = 400  # colours of a fit through a whole conversion


@dataclass(frozen=True, slots=True)
class Operator:
    """Y' -> gain Y' + lift and Cb + i Cr -> chroma (Cb + i Cr), with standard errors."""

    gain: float
    lift: float
    chroma: complex
    gain_error: float
    lift_error: float
    chroma_error: float
    residual: float
    count: int

    @property
    def saturation(self) -> float:
        """Gain of chroma."""
        return abs(self.chroma)

    @property
    def hue(self) -> float:
        """Rotation of chroma, degrees."""
        return float(np.degrees(np.angle(self.chroma)))

    @property
    def hue_error(self) -> float:
        """Standard error of the rotation, degrees."""
        return float(np.degrees(self.chroma_error / max(abs(self.chroma), 1e-9)))


def apply(signal: FloatArray, gain: float, lift: float, chroma: complex) -> FloatArray:
    """Act on signals (N, 3)."""
    moved = chroma * (signal[:, 1] + 1j * signal[:, 2])
    return np.stack([gain * signal[:, 0] + lift, moved.real, moved.imag], axis=1)


def relative(operator: Operator, base: Operator) -> Operator:
    """Return what leads to the output of one operator from that of another."""
    gain = operator.gain / base.gain
    return replace(
        operator,
        gain=gain,
        lift=operator.lift - gain * base.lift,
        chroma=operator.chroma / base.chroma,
    )


def fit_after(before: FloatArray, after: FloatArray) -> Operator | None:
    """Fit the operator from one signal (N, 3) to another; None with too few colours."""
    if len(before) < _FEW:
        return None
    x, y = before[:, 0], after[:, 0]
    centre = x.mean()
    spread = float(np.sum((x - centre) ** 2))
    gain = float(np.sum((x - centre) * y)) / spread
    lift = float(y.mean() - gain * centre)
    left = y - gain * x - lift
    noise = float(np.sqrt(np.mean(left**2)))
    z, w = before[:, 1] + 1j * before[:, 2], after[:, 1] + 1j * after[:, 2]
    power = max(float(np.sum(np.abs(z) ** 2)), 1e-12)
    chroma = complex(np.sum(np.conj(z) * w)) / power
    left_chroma = w - chroma * z
    chroma_noise = float(np.sqrt(np.mean(np.abs(left_chroma) ** 2) / 2))
    return Operator(
        gain=gain,
        lift=lift,
        chroma=chroma,
        gain_error=noise / spread**0.5,
        lift_error=noise * float(np.sqrt(1 / len(x) + centre**2 / spread)),
        chroma_error=chroma_noise / power**0.5,
        residual=float(np.sqrt((noise**2 + 2 * chroma_noise**2) / 3)),
        count=len(before),
    )


def fit_before(
    source: FloatArray,
    shift: Callable[[FloatArray, FloatArray], FloatArray],
    base: FloatArray,
    after: FloatArray,
) -> Operator | None:
    """Fit an operator on the source signal (N, 3), before the conversion.

    ``shift(source, moved)`` says by how much the output signal moves when the source does.
    """
    if len(source) < _FEW:
        return None
    rows = np.unique(np.linspace(0, len(source) - 1, _MOST_BEFORE).astype(int))
    source, base, after = source[rows], base[rows], after[rows]

    def left(values: FloatArray) -> FloatArray:
        moved = apply(source, values[0], values[1], complex(values[2], values[3]))
        return (base + shift(source, moved) - after).ravel()

    found = least_squares(left, [1.0, 0.0, 1.0, 0.0], x_scale=[0.05, 0.02, 0.05, 0.05])
    noise = float(np.sqrt(np.mean(found.fun**2)))
    slopes = np.asarray(found.jac, np.float64)
    errors = noise * np.sqrt(np.diag(np.linalg.pinv(slopes.T @ slopes)))
    return Operator(
        gain=float(found.x[0]),
        lift=float(found.x[1]),
        chroma=complex(found.x[2], found.x[3]),
        gain_error=float(errors[0]),
        lift_error=float(errors[1]),
        chroma_error=float(errors[2:].max()),
        residual=noise,
        count=len(source),
    )


@dataclass(frozen=True, slots=True)
class OutputLimits:
    """Where the output signal ends.

    Attributes
    ----------
    rgb
        Whether R'G'B' stay between 0 and 1.
    luma, chroma
        Lowest and highest signal: what the codes of the format can carry, or less where captures
        pile up before.
    matrix
        Of the signal.
    """

    rgb: bool
    luma: tuple[float, float]
    chroma: tuple[float, float]
    matrix: Matrix = "bt709"

    def clip(self, signal: FloatArray) -> FloatArray:
        """Limit signals (N, 3)."""
        if self.rgb:
            rgb = np.clip(ycbcr_to_rgb(signal, self.matrix), 0.0, 1.0)
            signal = rgb_to_ycbcr(rgb, self.matrix)
        low, high = np.array([self.luma, self.chroma, self.chroma]).T
        return np.clip(signal, low, high)

    def touched(self, signal: FloatArray) -> Mask:
        """Whether each colour (N, 3) touches a limit, so that more may have been cut off; (N,)."""
        low, high = np.array([self.luma, self.chroma, self.chroma]).T
        at = ((signal <= low + EDGE) | (signal >= high - EDGE)).any(axis=1)
        if self.rgb:
            rgb = ycbcr_to_rgb(signal, self.matrix)
            at |= ((rgb < EDGE) | (rgb > 1 - EDGE)).any(axis=1)
        return np.asarray(at)


def limits_of(signals: list[FloatArray], format_limits: OutputLimits) -> OutputLimits:
    """Read from the signals (N, 3) of all captures where the output ends.

    Within ``format_limits``, what the codes of the format can carry.
    """
    rgb = np.concatenate([ycbcr_to_rgb(one, format_limits.matrix) for one in signals])
    bounded = float(rgb.min()) > -EDGE and float(rgb.max()) < 1 + EDGE
    low, high = format_limits.luma
    if not bounded:
        low = max(low, -_pile([-one[:, 0] for one in signals], -low))
        high = min(high, _pile([one[:, 0] for one in signals], high))
    return replace(format_limits, rgb=bounded, luma=(low, high))


def _pile(lumas: list[FloatArray], otherwise: float) -> float:
    """Return the highest luma when several captures pile up at it."""
    top = max(float(luma.max()) for luma in lumas)
    piled = [luma for luma in lumas if (luma > top - EDGE / 4).sum() >= _PILE]
    return top if len(piled) > 1 else otherwise
