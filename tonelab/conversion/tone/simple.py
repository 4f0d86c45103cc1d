"""Tone curves of one or two lines: linear, power, logarithmic, sigmoid, knees, Reinhard, Drago."""

from typing import Annotated

import numpy as np

from tonelab.conversion.parameters import Param, Tried
from tonelab.conversion.tone.registry import TONE_CURVES
from tonelab.signal.arrays import FloatArray

_WHITE = Param(20, 2000, "cd/m2", "light sent to SDR white by the straight part", log=True)
_PEAK = Param(100, 10000, "cd/m2", "light sent to SDR white", log=True)
_SEMI = Param(2, 5000, "cd/m2", "light at which the curve reaches half of its limit", log=True)


@TONE_CURVES.register(
    "linear",
    label="linear with clip",
    source="ITU-R BT.2408-8 5.2 (hard clip)",
    inverse=lambda y, *, white: y * white,
    derivative=lambda L, *, white: np.full_like(L, 1 / white),
    tried=Tried(note="A straight line scales all drives alike below its ceiling."),
)
def linear(
    L: FloatArray,
    *,
    white: Annotated[float, Param(20, 10000, "cd/m2", "light sent to SDR white", log=True)] = 203.0,
) -> FloatArray:
    """Straight line; the chain's ceiling clips it at SDR white."""
    return L / white


def _power_inverse(y: FloatArray, *, peak: float, exponent: float, toe: float) -> FloatArray:
    at_toe = (toe / peak) ** (1 / exponent)
    return np.where(y > at_toe, peak * np.maximum(y, 0.0) ** exponent, y * toe / at_toe)


def _power_derivative(L: FloatArray, *, peak: float, exponent: float, toe: float) -> FloatArray:
    at_toe = (toe / peak) ** (1 / exponent)
    light = np.maximum(L, toe)
    return np.where(toe < L, (light / peak) ** (1 / exponent) / (exponent * light), at_toe / toe)


@TONE_CURVES.register(
    "power",
    label="power with linear toe",
    source="power law of ITU-R BT.709-6 item 1.2 in general form: exponent and toe free",
    inverse=_power_inverse,
    derivative=_power_derivative,
)
def power(
    L: FloatArray,
    *,
    peak: Annotated[float, _PEAK] = 1000.0,
    exponent: Annotated[float, Param(1, 4, "", "the light is raised to 1 / exponent")] = 1.8,
    toe: Annotated[float, Param(0.01, 50, "cd/m2", "linear below this light", log=True)] = 5.0,
) -> FloatArray:
    """Power law through SDR white at the peak, straight to black below the toe."""
    at_toe = (toe / peak) ** (1 / exponent)
    return np.where(toe < L, (np.maximum(L, toe) / peak) ** (1 / exponent), L * (at_toe / toe))


@TONE_CURVES.register(
    "logarithmic",
    label="logarithmic",
    source="Drago, Myszkowski, Annen, Chiba 2003, section 3 (plain logarithm)",
    inverse=lambda y, *, toe, peak: toe * np.expm1(y * np.log1p(peak / toe)),
    derivative=lambda L, *, toe, peak: 1 / (toe + L) / np.log1p(peak / toe),
)
def logarithmic(
    L: FloatArray,
    *,
    toe: Annotated[float, Param(0.1, 5000, "cd/m2", "nearly linear below", log=True)] = 10.0,
    peak: Annotated[float, _PEAK] = 1000.0,
) -> FloatArray:
    """ln(1 + L/toe) / ln(1 + peak/toe)."""
    out: FloatArray = np.log1p(L / toe) / np.log1p(peak / toe)
    return out


def _sigmoid_inverse(y: FloatArray, *, semi_saturation: float, exponent: float) -> FloatArray:
    ratio = np.clip(y, 0.0, 1 - 1e-15)
    out: FloatArray = semi_saturation * (ratio / (1 - ratio)) ** (1 / exponent)
    return out


def _sigmoid_derivative(L: FloatArray, *, semi_saturation: float, exponent: float) -> FloatArray:
    light = np.maximum(L, 1e-9)
    ratio = (light / semi_saturation) ** exponent
    out: FloatArray = exponent * ratio / (light * (1 + ratio) ** 2)
    return out


@TONE_CURVES.register(
    "sigmoid",
    label="sigmoid (Naka-Rushton)",
    source="Naka, Rushton 1966",
    inverse=_sigmoid_inverse,
    derivative=_sigmoid_derivative,
)
def sigmoid(
    L: FloatArray,
    *,
    semi_saturation: Annotated[float, _SEMI] = 100.0,
    exponent: Annotated[float, Param(0.3, 3, "", "0.73 to 1 in physiology", log=True)] = 1.0,
) -> FloatArray:
    """L^n / (L^n + s^n); reaches SDR white nowhere."""
    ratio = (L / semi_saturation) ** exponent
    return ratio / (1 + ratio)


@TONE_CURVES.register(
    "reinhard",
    label="Reinhard",
    source="Reinhard, Stark, Shirley, Ferwerda 2002, equation 3",
    inverse=lambda y, *, semi_saturation: semi_saturation * y / (1 - np.minimum(y, 1 - 1e-15)),
    derivative=lambda L, *, semi_saturation: semi_saturation / (L + semi_saturation) ** 2,
)
def reinhard(L: FloatArray, *, semi_saturation: Annotated[float, _SEMI] = 100.0) -> FloatArray:
    """L / (L + s); reaches SDR white nowhere."""
    return L / (L + semi_saturation)


def _extended_inverse(y: FloatArray, *, semi_saturation: float, peak: float) -> FloatArray:
    w2 = (peak / semi_saturation) ** 2
    out: FloatArray = semi_saturation * w2 / 2 * (y - 1 + np.sqrt((1 - y) ** 2 + 4 * y / w2))
    return out


def _extended_derivative(L: FloatArray, *, semi_saturation: float, peak: float) -> FloatArray:
    x, w2 = L / semi_saturation, (peak / semi_saturation) ** 2
    return (1 + (2 * x + x * x) / w2) / (1 + x) ** 2 / semi_saturation


@TONE_CURVES.register(
    "reinhard-extended",
    label="Reinhard extended",
    source="Reinhard, Stark, Shirley, Ferwerda 2002, equation 4",
    inverse=_extended_inverse,
    derivative=_extended_derivative,
)
def reinhard_extended(
    L: FloatArray,
    *,
    semi_saturation: Annotated[float, _SEMI] = 100.0,
    peak: Annotated[float, _PEAK] = 1000.0,
) -> FloatArray:
    """Evaluate x (1 + x/w^2) / (1 + x) with x = L/s, w = peak/s."""
    x, w = L / semi_saturation, peak / semi_saturation
    return x * (1 + x / w**2) / (1 + x)


@TONE_CURVES.register(
    "reinhard-peak",
    label="Reinhard, peak-normalised",
    source="Reinhard, Stark, Shirley, Ferwerda 2002, equation 3, scaled to 1 at the peak",
    inverse=lambda y, *, semi_saturation, peak: (
        semi_saturation * y * peak / np.maximum(peak + semi_saturation - y * peak, 1e-12)
    ),
    derivative=lambda L, *, semi_saturation, peak: (
        semi_saturation / (L + semi_saturation) ** 2 * (peak + semi_saturation) / peak
    ),
)
def reinhard_peak(
    L: FloatArray,
    *,
    semi_saturation: Annotated[float, _SEMI] = 100.0,
    peak: Annotated[float, _PEAK] = 1000.0,
) -> FloatArray:
    """L / (L + s) * (peak + s) / peak."""
    return L / (L + semi_saturation) * ((peak + semi_saturation) / peak)


def _drago_derivative(L: FloatArray, *, adaptation: float, peak: float, bias: float) -> FloatArray:
    light = np.maximum(L, 1e-9)
    exponent = np.log(bias) / np.log(0.5)
    growth = 8 * (light / peak) ** exponent
    base = np.log(2 + growth)
    base_slope = growth * exponent / light / (2 + growth)
    rising = base / (adaptation + light) - np.log1p(light / adaptation) * base_slope
    slope: FloatArray = rising / base**2 / np.log10(peak / adaptation + 1)
    return np.where(peak < L, 0.0, slope)


@TONE_CURVES.register(
    "drago",
    label="Drago adaptive logarithm",
    source="Drago, Myszkowski, Annen, Chiba 2003, equation 4",
    derivative=_drago_derivative,
)
def drago(
    L: FloatArray,
    *,
    adaptation: Annotated[float, Param(1, 1000, "cd/m2", "light that counts as 1", log=True)] = 10,
    peak: Annotated[float, _PEAK] = 1000.0,
    bias: Annotated[
        float, Param(0.81, 1, "", "0.85 in the article; less may fall again", published=True)
    ] = 0.85,
) -> FloatArray:
    """Logarithm whose base grows from 2 to 10 at the peak, its end; display maximum 100 cd/m2."""
    L = np.minimum(L, peak)
    base = np.log(2 + 8 * (L / peak) ** (np.log(bias) / np.log(0.5)))
    out: FloatArray = np.log1p(L / adaptation) / base / np.log10(peak / adaptation + 1)
    return out


def _mobius(white: float, knee: float, peak: float) -> tuple[float, float, float, float]:
    # The form needs knee < white < peak; a fit may stray from that.
    j, p = min(knee / white, 0.999), max(peak / white, 1.001)
    a = -j * j * (p - 1) / (j * j - 2 * j + p)
    c = (j * j - 2 * j * p + p) / max(p - 1, 1e-6)
    return j, a, c, (c * c + 2 * c * j + j * j) / (c - a)


def _mobius_inverse(y: FloatArray, *, white: float, knee: float, peak: float) -> FloatArray:
    j, a, c, s = _mobius(white, knee, peak)
    upper = np.maximum(y, j)
    return white * np.where(y <= j, y, (s * a - upper * c) / np.minimum(upper - s, -1e-12))


def _mobius_derivative(L: FloatArray, *, white: float, knee: float, peak: float) -> FloatArray:
    j, a, c, s = _mobius(white, knee, peak)
    x = L / white
    return np.where(x <= j, 1.0, s * (c - a) / (np.maximum(x, j) + c) ** 2) / white


@TONE_CURVES.register(
    "mobius",
    label="Möbius",
    source="Möbius transformation with unit slope at the knee, 1 at the peak (FFmpeg, tonemap)",
    inverse=_mobius_inverse,
    derivative=_mobius_derivative,
)
def mobius(
    L: FloatArray,
    *,
    white: Annotated[float, _WHITE] = 100.0,
    knee: Annotated[float, Param(0.5, 1000, "cd/m2", "straight below; under white", log=True)] = 30,
    peak: Annotated[float, _PEAK] = 1000.0,
) -> FloatArray:
    """L / white below the knee, s (x + a)/(x + c) above, 1 at the peak."""
    j, a, c, s = _mobius(white, knee, peak)
    x = L / white
    upper = np.maximum(x, j)
    return np.where(x <= j, x, s * (upper + a) / (upper + c))


_CEILING = Param(0.5, 1.2, "1", "relative light never exceeded")
_KNEE = Param(0.5, 1000, "cd/m2", "straight below", log=True)


def _room(white: float, knee: float, ceiling: float) -> tuple[float, float]:
    start = knee / white
    return start, max(ceiling - start, 1e-6)


def _exponential_inverse(y: FloatArray, *, white: float, knee: float, ceiling: float) -> FloatArray:
    start, room = _room(white, knee, ceiling)
    over = np.clip((np.asarray(y) - start) / room, 0.0, 1 - 1e-15)
    return white * (np.minimum(y, start) - room * np.log1p(-over))


def _exponential_derivative(
    L: FloatArray, *, white: float, knee: float, ceiling: float
) -> FloatArray:
    start, room = _room(white, knee, ceiling)
    out: FloatArray = np.exp(-np.maximum(L / white - start, 0.0) / room) / white
    return out


@TONE_CURVES.register(
    "exponential-knee",
    label="exponential knee",
    source="plain form: straight, then exponential with continuous slope",
    inverse=_exponential_inverse,
    derivative=_exponential_derivative,
)
def exponential_knee(
    L: FloatArray,
    *,
    white: Annotated[float, _WHITE] = 100.0,
    knee: Annotated[float, _KNEE] = 80.0,
    ceiling: Annotated[float, _CEILING] = 1.0,
) -> FloatArray:
    """Straight below the knee k, k + (m - k)(1 - exp(-(x - k)/(m - k))) above, x = L / white."""
    start, room = _room(white, knee, ceiling)
    x = L / white
    out: FloatArray = np.minimum(x, start) - room * np.expm1(-np.maximum(x - start, 0.0) / room)
    return out


def _rational_inverse(y: FloatArray, *, white: float, knee: float, ceiling: float) -> FloatArray:
    start, room = _room(white, knee, ceiling)
    over = np.clip(np.asarray(y) - start, 0.0, room * (1 - 1e-15))
    return white * (np.minimum(y, start) + over / (1 - over / room))


def _rational_derivative(L: FloatArray, *, white: float, knee: float, ceiling: float) -> FloatArray:
    start, room = _room(white, knee, ceiling)
    out: FloatArray = 1 / (1 + np.maximum(L / white - start, 0.0) / room) ** 2 / white
    return out


@TONE_CURVES.register(
    "rational-knee",
    label="rational knee",
    source="plain form: straight, then Reinhard's equation 3 with continuous slope",
    inverse=_rational_inverse,
    derivative=_rational_derivative,
)
def rational_knee(
    L: FloatArray,
    *,
    white: Annotated[float, _WHITE] = 100.0,
    knee: Annotated[float, _KNEE] = 80.0,
    ceiling: Annotated[float, _CEILING] = 1.0,
) -> FloatArray:
    """Straight below the knee k, k + d/(1 + d/(m - k)) above, d = x - k, x = L / white."""
    start, room = _room(white, knee, ceiling)
    x = L / white
    over = np.maximum(x - start, 0.0)
    return np.minimum(x, start) + over / (1 + over / room)
