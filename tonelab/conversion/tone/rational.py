"""Tone curves that are a ratio of two polynomials: Hable, the ACES fits, three points."""

from typing import Annotated, NamedTuple

import numpy as np

from tonelab.conversion.parameters import Param
from tonelab.conversion.tone.registry import TONE_CURVES, Curve
from tonelab.signal.arrays import FloatArray


class Quadratics(NamedTuple):
    """(a x^2 + b x + c) / (d x^2 + e x + f), rising for x >= 0."""

    a: float
    b: float
    c: float
    d: float
    e: float
    f: float

    def __call__(self, x: FloatArray) -> FloatArray:
        """Value at x, any shape."""
        return (x * (self.a * x + self.b) + self.c) / (x * (self.d * x + self.e) + self.f)

    def slope(self, x: FloatArray) -> FloatArray:
        """Return the derivative at x, any shape."""
        below = x * (self.d * x + self.e) + self.f
        return (2 * self.a * x + self.b - self(x) * (2 * self.d * x + self.e)) / below

    def inverse(self, y: FloatArray) -> FloatArray:
        """Return the x >= 0 of values, any shape; 0 where a value would need x below 0."""
        a, b, c = self.a - y * self.d, self.b - y * self.e, self.c - y * self.f
        root = np.sqrt(np.maximum(b * b - 4 * a * c, 0.0))
        # Two forms of the quadratic formula, so that neither cancels nor divides by zero.
        upper = np.where(b >= 0, -2 * c, root - b)
        lower = np.where(b >= 0, b + root, 2 * a)
        x: FloatArray = np.maximum(upper / np.where(lower == 0, 1.0, lower), 0.0)
        return x


def hable_curve(A: float, B: float, C: float, D: float, E: float, F: float) -> Quadratics:
    """Hable's curve with its subtraction of E/F carried out."""
    return Quadratics(A * (1 - E / F), B * (C - E / F), 0.0, A, B, D * F)


HABLE_BLOG = hable_curve(0.15, 0.50, 0.10, 0.20, 0.02, 0.30)
HABLE_TALK = hable_curve(0.22, 0.30, 0.10, 0.20, 0.01, 0.30)
NARKOWICZ = Quadratics(2.51, 0.03, 0.0, 2.43, 0.59, 0.14)
HILL = Quadratics(1.0, 0.0245786, -0.000090537, 0.983729, 0.4329510, 0.238081)

_UNIT = Param(5, 2000, "cd/m2", "light that counts as 1; exposure is the same thing", log=True)
_PEAK = Param(100, 10000, "cd/m2", "light sent to SDR white", log=True)


def _hable_parts(curve: Quadratics) -> tuple[Curve, Curve]:
    def inverse(y: FloatArray, *, white: float, peak: float) -> FloatArray:
        return white * curve.inverse(np.asarray(y) * curve(np.array(peak / white)))

    def derivative(L: FloatArray, *, white: float, peak: float) -> FloatArray:
        return curve.slope(L / white) / white / curve(np.array(peak / white))

    return inverse, derivative


_inverse, _derivative = _hable_parts(HABLE_BLOG)


@TONE_CURVES.register(
    "hable",
    label="Hable (blog constants)",
    source="Hable 2010, constants .15 .50 .10 .20 .02 .30",
    inverse=_inverse,
    derivative=_derivative,
)
def hable(
    L: FloatArray,
    *,
    white: Annotated[float, _UNIT] = 100.0,
    peak: Annotated[float, _PEAK] = 1000.0,
) -> FloatArray:
    """h(L/white) / h(peak/white)."""
    return HABLE_BLOG(L / white) / HABLE_BLOG(np.array(peak / white))


_inverse, _derivative = _hable_parts(HABLE_TALK)


@TONE_CURVES.register(
    "hable-talk",
    label="Hable (talk constants)",
    source="Hable 2010, constants .22 .30 .10 .20 .01 .30",
    inverse=_inverse,
    derivative=_derivative,
)
def hable_talk(
    L: FloatArray,
    *,
    white: Annotated[float, _UNIT] = 100.0,
    peak: Annotated[float, _PEAK] = 1000.0,
) -> FloatArray:
    """As `hable`, with the constants of the talk."""
    return HABLE_TALK(L / white) / HABLE_TALK(np.array(peak / white))


@TONE_CURVES.register(
    "aces-narkowicz",
    label="ACES fit by Narkowicz",
    source="Narkowicz 2016",
    inverse=lambda y, *, white: white * NARKOWICZ.inverse(y),
    derivative=lambda L, *, white: NARKOWICZ.slope(L / white) / white,
)
def aces_narkowicz(L: FloatArray, *, white: Annotated[float, _UNIT] = 100.0) -> FloatArray:
    """Rational fit x (2.51 x + 0.03) / (x (2.43 x + 0.59) + 0.14); exceeds 1 from about 7.2."""
    return NARKOWICZ(L / white)


@TONE_CURVES.register(
    "aces-hill",
    label="ACES fit by Hill, per channel",
    source="Hill 2017, without its two colour matrices",
    inverse=lambda y, *, white: white * HILL.inverse(y),
    derivative=lambda L, *, white: HILL.slope(L / white) / white,
)
def aces_hill(L: FloatArray, *, white: Annotated[float, _UNIT] = 100.0) -> FloatArray:
    """Black lands at -0.0004, as published."""
    return HILL(L / white)


GREY = 26.0  # 18 % grey of BT.2408, cd/m2


def _three_point(black: float, grey: float, peak: float) -> Quadratics:
    # A negative bend would have a pole within the domain.
    bend = max(grey - black - GREY / peak * (1 - black), 0.0) / (GREY * (1 - grey))
    return Quadratics(0.0, (1 - black) / peak + bend, black, 0.0, bend, 1.0)


@TONE_CURVES.register(
    "three-point",
    label="three-point rational",
    source="SMPTE ST 2094-10 in form: (c1 + c2 L) / (1 + c3 L)",
    inverse=lambda y, *, black, grey, peak: _three_point(black, grey, peak).inverse(y),
    derivative=lambda L, *, black, grey, peak: _three_point(black, grey, peak).slope(L),
)
def three_point(
    L: FloatArray,
    *,
    black: Annotated[float, Param(0, 0.02, "1", "relative light of black", published=True)] = 0.0,
    grey: Annotated[float, Param(0.03, 0.6, "1", "relative light of 26 cd/m2", log=True)] = 0.15,
    peak: Annotated[float, _PEAK] = 1000.0,
) -> FloatArray:
    """Through black at 0, grey at 26 cd/m2 and 1 at the peak; straight where grey asks for less."""
    return _three_point(black, grey, peak)(L)
