"""Picture controls: what a device's own menu does to its Y'CbCr signal.

Parameters are named after menus; all act on signals (Y' 0..1, Cb and Cr -0.5..0.5). A set takes and
gives Y'CbCr signals (N, 3); ``matrix`` is theirs.
"""

from collections.abc import Callable
from typing import Annotated, TypeAlias

import numpy as np

from tonelab.conversion.parameters import Param, Part, parts
from tonelab.registry import Registry
from tonelab.signal.arrays import FloatArray
from tonelab.signal.colorimetry import Matrix, rgb_to_ycbcr, ycbcr_to_rgb

ControlFunction: TypeAlias = Callable[..., FloatArray]


CONTROLS: Registry[Part[ControlFunction]] = parts(
    "set of picture controls", "tonelab.controls", Part
)

_CONTRAST = Param(0.5, 1.5, "", "gain of luma about the pivot")
_BRIGHTNESS = Param(-0.2, 0.2, "1", "added to luma")
_SATURATION = Param(0, 2, "", "gain of chroma")
_HUE = Param(-45, 45, "deg", "rotation of chroma, positive from Cb towards Cr")
_PIVOT = Param(0, 0.5, "1", "luma that contrast leaves alone: 0 black, 0.5 mid-grey")
_COUPLING = Param(0, 1, "", "1 when contrast scales chroma too, 0 when it does not")


@CONTROLS.register("none", label="no picture controls", source="identity")
def none(ycbcr: FloatArray, *, matrix: Matrix = "bt709") -> FloatArray:  # noqa: ARG001
    """Leave the signal alone."""
    return ycbcr


def _turned(ycbcr: FloatArray, gain: float, degrees: float) -> FloatArray:
    angle = np.deg2rad(degrees)
    turn = gain * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return ycbcr[:, 1:] @ turn.T


@CONTROLS.register(
    "contrast-first",
    label="contrast, then brightness",
    source="customary: Y' = c (Y' - p) + p + b",
)
def contrast_first(
    ycbcr: FloatArray,
    *,
    matrix: Matrix = "bt709",  # noqa: ARG001
    contrast: Annotated[float, _CONTRAST] = 1.0,
    brightness: Annotated[float, _BRIGHTNESS] = 0.0,
    saturation: Annotated[float, _SATURATION] = 1.0,
    hue: Annotated[float, _HUE] = 0.0,
    pivot: Annotated[float, _PIVOT] = 0.0,
    coupling: Annotated[float, _COUPLING] = 1.0,
) -> FloatArray:
    """Contrast about the pivot, then brightness; chroma gain is s c^coupling."""
    luma = contrast * (ycbcr[:, :1] - pivot) + pivot + brightness
    chroma = _turned(ycbcr, saturation * contrast**coupling, hue)
    return np.concatenate([luma, chroma], axis=1)


@CONTROLS.register(
    "brightness-first",
    label="brightness, then contrast",
    source="customary: Y' = c (Y' + b - p) + p",
)
def brightness_first(
    ycbcr: FloatArray,
    *,
    matrix: Matrix = "bt709",
    contrast: Annotated[float, _CONTRAST] = 1.0,
    brightness: Annotated[float, _BRIGHTNESS] = 0.0,
    saturation: Annotated[float, _SATURATION] = 1.0,
    hue: Annotated[float, _HUE] = 0.0,
    pivot: Annotated[float, _PIVOT] = 0.0,
    coupling: Annotated[float, _COUPLING] = 1.0,
) -> FloatArray:
    """Brightness goes through the contrast gain; otherwise as `contrast_first`."""
    return contrast_first(
        ycbcr,
        matrix=matrix,
        contrast=contrast,
        brightness=contrast * brightness,
        saturation=saturation,
        hue=hue,
        pivot=pivot,
        coupling=coupling,
    )


@CONTROLS.register(
    "rgb-clipped",
    label="contrast, then brightness on R'G'B', clipped",
    source="customary: R'G'B' = c R'G'B' + b, kept within 0 and 1",
)
def rgb_clipped(
    ycbcr: FloatArray,
    *,
    matrix: Matrix = "bt709",
    contrast: Annotated[float, _CONTRAST] = 1.0,
    brightness: Annotated[float, _BRIGHTNESS] = 0.0,
    saturation: Annotated[float, _SATURATION] = 1.0,
    hue: Annotated[float, _HUE] = 0.0,
) -> FloatArray:
    """Contrast, saturation and hue about black, brightness added to R'G'B' and clipped there."""
    turned = contrast_first(ycbcr, matrix=matrix, contrast=contrast, saturation=saturation, hue=hue)
    return rgb_to_ycbcr(np.clip(ycbcr_to_rgb(turned, matrix) + brightness, 0.0, 1.0), matrix)
