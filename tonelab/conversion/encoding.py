"""Encodings: relative linear light to signal, and back.

Light and signal have one shape, any, and run from 0 to 1 = SDR nominal white and beyond.
Negative light mirrors: an encoding is odd about black, so that out-of-gamut excursions survive
where a converter keeps them; the chain clamps first where it does not.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, TypeAlias

import numpy as np

from tonelab.conversion.parameters import Param, Part, Tried, parts
from tonelab.signal.arrays import FloatArray
from tonelab.signal.transfer import (
    eotf_inverse_srgb,
    eotf_srgb,
    oetf_bt709,
    oetf_inverse_bt709,
)

Encode: TypeAlias = Callable[..., FloatArray]


@dataclass(frozen=True, slots=True, kw_only=True)
class Encoding(Part[Encode]):
    """An encoding: ``function(light, **parameters)`` is the signal.

    Attributes
    ----------
    inverse
        ``inverse(signal, **parameters)``: relative light.
    power
        Whether it is a plain power with its defaults. There a gain of the signal is a gain of
        light (exact), which any tone curve can hold.
    """

    inverse: Encode
    power: bool = False


ENCODINGS = parts("encoding", "tonelab.encodings", Encoding)


def _odd_power(x: FloatArray, exponent: float) -> FloatArray:
    powered: FloatArray = np.abs(x) ** exponent
    return np.copysign(powered, x)


def _bt1886_lift(black: float) -> tuple[float, float]:
    root = black ** (1 / 2.4)
    return (1 - root) ** 2.4, root / (1 - root)


def _bt1886_inverse(signal: FloatArray, *, black: float) -> FloatArray:
    a, b = _bt1886_lift(black)
    return a * _odd_power(signal + b, 2.4)


@ENCODINGS.register(
    "bt1886",
    label="BT.1886 inverse",
    source="ITU-R BT.1886-0 annex 1",
    inverse=_bt1886_inverse,
    power=True,
    tried=Tried(),
)
def bt1886(
    light: FloatArray,
    *,
    black: Annotated[float, Param(0, 0.01, "1", "display black relative to its white")] = 0.0,
) -> FloatArray:
    """Pure power 1/2.4 when black is 0."""
    a, b = _bt1886_lift(black)
    return _odd_power(light / a, 1 / 2.4) - b


@ENCODINGS.register(
    "gamma",
    label="free power",
    source="power law of ITU-R BT.1886-0 with a free exponent",
    inverse=lambda signal, *, exponent: _odd_power(signal, exponent),
    power=True,
)
def gamma(
    light: FloatArray,
    *,
    exponent: Annotated[float, Param(1.6, 3, "", "light is raised to 1 / exponent")] = 2.4,
) -> FloatArray:
    """Power 1/exponent."""
    return _odd_power(light, 1 / exponent)


@ENCODINGS.register(
    "gamma22",
    label="power 1/2.2",
    source="ITU-R BT.470-6 (assumed display gamma 2.2)",
    inverse=lambda signal: _odd_power(signal, 2.2),
    power=True,
    tried=Tried(),
)
def gamma22(light: FloatArray) -> FloatArray:
    """Power 1/2.2."""
    return _odd_power(light, 1 / 2.2)


@ENCODINGS.register(
    "srgb",
    label="sRGB",
    source="IEC 61966-2-1",
    inverse=lambda signal: np.copysign(eotf_srgb(np.abs(signal)), signal),
    tried=Tried(),
)
def srgb(light: FloatArray) -> FloatArray:
    """Inverse of the sRGB display function."""
    return np.copysign(eotf_inverse_srgb(np.abs(light)), light)


@ENCODINGS.register(
    "bt709-oetf",
    label="BT.709 camera curve",
    source="ITU-R BT.709-6 item 1.2",
    inverse=lambda signal: np.copysign(oetf_inverse_bt709(np.abs(signal)), signal),
    tried=Tried(),
)
def bt709_oetf(light: FloatArray) -> FloatArray:
    """Camera curve, used by some converters where a display inverse belongs."""
    return np.copysign(oetf_bt709(np.abs(light)), light)
