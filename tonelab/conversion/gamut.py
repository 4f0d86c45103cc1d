"""Gamut methods: from linear BT.2020 to linear BT.709.

A method is a 3x3 matrix on linear light, which may come before or after the tone curve, and a
finish that deals with what then lies outside BT.709. A finish takes and gives relative linear
BT.709 (N, 3), 1 = SDR nominal white.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, TypeAlias

import numpy as np

from tonelab.conversion.parameters import WITH_DEFAULTS, Param, Part, Tried, parts
from tonelab.signal.arrays import FloatArray
from tonelab.signal.colorimetry import matrix_rgb_to_rgb

Finish: TypeAlias = Callable[..., FloatArray]

TO_709 = matrix_rgb_to_rgb("bt2020", "bt709")
TO_2020 = matrix_rgb_to_rgb("bt709", "bt2020")


def _bt2407_matrix(**_: float) -> FloatArray:
    return TO_709


@dataclass(frozen=True, slots=True, kw_only=True)
class GamutMethod(Part[Finish]):
    """A gamut method: ``function(light, **parameters)`` is its finish.

    Attributes
    ----------
    matrix
        ``matrix(**parameters)``: 3x3, linear BT.2020 to linear BT.709.
    keeps_excursions
        Whether light below 0 survives into the signal.
    tried
        See `Part`; unless stated otherwise, identification tries the method with its defaults.
    """

    matrix: Callable[..., FloatArray] = _bt2407_matrix
    keeps_excursions: bool = False
    tried: Tried | None = WITH_DEFAULTS

    def convert(self, light: FloatArray, **parameters: float) -> FloatArray:
        """Matrix and finish: (N, 3) relative linear BT.2020 to relative linear BT.709.

        Raises
        ------
        UsageError
            When a parameter is unknown.
        """
        given = self.complete(parameters)
        return self.function(light @ self.matrix(**given).T, **given)


GAMUT_METHODS = parts("gamut method", "tonelab.gamut_methods", GamutMethod)


@GAMUT_METHODS.register("clip", label="matrix and clip", source="ITU-R BT.2407-0 section 2")
def clip(light: FloatArray) -> FloatArray:
    """Clamp at 0; the upper clamp belongs to the chain, which knows about super-white."""
    return np.maximum(light, 0.0)


@GAMUT_METHODS.register(
    "excursions",
    label="matrix, excursions kept",
    source="ITU-R BT.2407-0 section 2, without its clip",
    keeps_excursions=True,
)
def excursions(light: FloatArray) -> FloatArray:
    """Leave light below 0 for the encoding to mirror."""
    return light


@GAMUT_METHODS.register(
    "none",
    label="no gamut conversion",
    source="identity: BT.2020 components shown as BT.709",
    matrix=lambda: np.eye(3),
    tried=Tried(orders=("tone-first",)),  # without a matrix there is no order
)
def none(light: FloatArray) -> FloatArray:
    """Only clamp at 0."""
    return np.maximum(light, 0.0)


def _free_matrix(*, rg: float, rb: float, gr: float, gb: float, br: float, bg: float) -> FloatArray:
    return np.array([[1 - rg - rb, rg, rb], [gr, 1 - gr - gb, gb], [br, bg, 1 - br - bg]])


_SHARE = "share of {} in {}; rows sum to 1, so that greys stay grey"
_STANDARD = {
    "rg": TO_709[0, 1],
    "rb": TO_709[0, 2],
    "gr": TO_709[1, 0],
    "gb": TO_709[1, 2],
    "br": TO_709[2, 0],
    "bg": TO_709[2, 1],
}


@GAMUT_METHODS.register(
    "matrix",
    label="free matrix and clip",
    source="ITU-R BT.2407-0 section 2 with free coefficients",
    matrix=_free_matrix,
    tried=Tried(
        starts=(_STANDARD,),
        note="A saturation or hue control would look much like part of the free gamut matrix.",
    ),
)
def free_matrix(
    light: FloatArray,
    *,
    rg: Annotated[float, Param(-1, 0.5, "", _SHARE.format("G", "R"))] = _STANDARD["rg"],
    rb: Annotated[float, Param(-0.5, 0.5, "", _SHARE.format("B", "R"))] = _STANDARD["rb"],
    gr: Annotated[float, Param(-0.5, 0.5, "", _SHARE.format("R", "G"))] = _STANDARD["gr"],
    gb: Annotated[float, Param(-0.5, 0.5, "", _SHARE.format("B", "G"))] = _STANDARD["gb"],
    br: Annotated[float, Param(-0.5, 0.5, "", _SHARE.format("R", "B"))] = _STANDARD["br"],
    bg: Annotated[float, Param(-0.5, 0.5, "", _SHARE.format("G", "B"))] = _STANDARD["bg"],
) -> FloatArray:
    """Clamp at 0 after the free matrix."""
    del rg, rb, gr, gb, br, bg
    return np.maximum(light, 0.0)
