"""Drives: the quantity a tone curve is applied to, and what becomes of the colour.

A drive takes linear RGB (N, 3) in cd/m2 and a tone curve, and gives relative linear RGB (N, 3) in
the same primaries
(1 = SDR nominal white). Drives that scale RGB by a ratio keep the sign of negative
channels.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, TypeAlias

import numpy as np

from tonelab.conversion.parameters import ORDERS, Param, Part, Tried, parts
from tonelab.conversion.tone.registry import Tone
from tonelab.signal.arrays import FloatArray
from tonelab.signal.colorimetry import (
    ICTCP_TO_LMS,
    LMS_TO_ICTCP,
    LMS_TO_RGB2020,
    LUMA_WEIGHTS,
    RGB2020_TO_LMS,
    Matrix,
    Primaries,
    matrix_rgb_to_rgb,
    matrix_rgb_to_xyz,
    rgb_to_ycbcr,
    ycbcr_to_rgb,
)
from tonelab.signal.transfer import eotf_inverse_pq, eotf_pq

DriveFunction: TypeAlias = Callable[..., FloatArray]


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive(Part[DriveFunction]):
    """A drive: ``function(light, tone, *, primaries, white, **parameters)``.

    ``light`` is (N, 3) linear RGB in cd/m2 of ``primaries``, ``white`` the cd/m2 of SDR nominal
    white; the result is (N, 3) relative light.

    Attributes
    ----------
    arguments
        ``arguments(light, *, primaries)``: shape (N, k), cd/m2, the lights at which the curve
        is evaluated.
    """

    arguments: DriveFunction


DRIVES = parts("drive", "tonelab.drives", Drive)

_SMALLEST = 1e-9  # cd/m2; below it a ratio says nothing and the result is neutral

# Drives that code colour as BT.2020 does come before the gamut matrix.
_TONE_FIRST = Tried(orders=("tone-first",))
_WEIGHTS = (0.25, 0.5, 0.75)  # of the second drive of a blend, from which its own is fitted


def luminance_weights(primaries: Primaries) -> FloatArray:
    """Luminance weights (3,) of linear RGB, four digits where a standard prints them so."""
    if primaries in LUMA_WEIGHTS:
        red, blue = LUMA_WEIGHTS[primaries]
        return np.array([red, 1 - red - blue, blue])
    weights: FloatArray = matrix_rgb_to_xyz(primaries)[1]
    return weights


def _scaled(light: FloatArray, measure: FloatArray, tone: Tone) -> FloatArray:
    """Scale RGB so that its measure (N, 1) follows the curve."""
    mapped = tone(np.maximum(measure, 0.0))
    usable = measure > _SMALLEST
    ratio = mapped / np.where(usable, measure, 1.0)
    return np.where(usable, light * ratio, mapped)


def _each_channel(light: FloatArray, *, primaries: Primaries) -> FloatArray:  # noqa: ARG001
    return np.maximum(light, 0.0)


@DRIVES.register(
    "per-channel",
    label="R, G and B each",
    source="ITU-R BT.2390-11 5.4.1 (R'G'B')",
    arguments=_each_channel,
    tried=Tried(),
)
def per_channel(
    light: FloatArray,
    tone: Tone,
    *,
    primaries: Primaries = "bt2020",  # noqa: ARG001
    white: float = 100.0,  # noqa: ARG001
) -> FloatArray:
    """Curve on each channel; negative channels mirror it about black."""
    mapped = tone(np.abs(light))
    if light.size and light.min() < 0:
        mapped = np.where(light < 0, 2 * tone(np.zeros(1)) - mapped, mapped)
    return mapped


def _largest(light: FloatArray, *, primaries: Primaries) -> FloatArray:  # noqa: ARG001
    largest: FloatArray = np.maximum(np.maximum(light[:, :1], light[:, 1:2]), light[:, 2:])
    return largest


@DRIVES.register(
    "max-rgb",
    label="max(R, G, B)",
    source="ITU-R BT.2390-11 5.4.1 (maxRGB)",
    arguments=_largest,
    tried=Tried(),
)
def max_rgb(
    light: FloatArray,
    tone: Tone,
    *,
    primaries: Primaries = "bt2020",
    white: float = 100.0,  # noqa: ARG001
) -> FloatArray:
    """RGB scaled so that its largest channel follows the curve."""
    return _scaled(light, _largest(light, primaries=primaries), tone)


def _luminance(light: FloatArray, *, primaries: Primaries) -> FloatArray:
    return (light @ luminance_weights(primaries))[:, None]


@DRIVES.register(
    "luminance",
    label="luminance",
    source="ITU-R BT.2390-11 5.4.1 (YRGB)",
    arguments=_luminance,
    tried=Tried(),
)
def luminance(
    light: FloatArray,
    tone: Tone,
    *,
    primaries: Primaries = "bt2020",
    white: float = 100.0,  # noqa: ARG001
) -> FloatArray:
    """RGB scaled so that its luminance follows the curve."""
    return _scaled(light, _luminance(light, primaries=primaries), tone)


def _compensation(before: FloatArray, after: FloatArray) -> FloatArray:
    """Chroma factor min(before/after, after/before) of BT.2390, 1 at black."""
    low, high = np.minimum(before, after), np.maximum(before, after)
    return np.where(high > 0, low / np.where(high > 0, high, 1.0), 1.0)


def _pq_tone(signal: FloatArray, tone: Tone, white: float) -> FloatArray:
    return eotf_inverse_pq(tone(eotf_pq(signal)) * white)


def _luma(light: FloatArray, *, primaries: Primaries) -> FloatArray:
    return eotf_pq((eotf_inverse_pq(light) @ luminance_weights(primaries))[:, None])


@DRIVES.register(
    "luma",
    label="PQ luma with chroma compensation",
    source="ITU-R BT.2390-11 5.4.1 (Y'C'BC'R)",
    arguments=_luma,
    tried=_TONE_FIRST,
)
def luma(
    light: FloatArray, tone: Tone, *, primaries: Primaries = "bt2020", white: float = 100.0
) -> FloatArray:
    """Y' of PQ R'G'B' follows the curve; C'B and C'R shrink by min(Y1'/Y2', Y2'/Y1')."""
    signal = eotf_inverse_pq(light)
    before = (signal @ luminance_weights(primaries))[:, None]
    after = _pq_tone(before, tone, white)
    # Scaling both colour differences scales R'-Y', G'-Y' and B'-Y' alike.
    return eotf_pq(after + (signal - before) * _compensation(before, after)) / white


def _rgb_to_lms(primaries: Primaries) -> FloatArray:
    return RGB2020_TO_LMS @ matrix_rgb_to_rgb(primaries, "bt2020")


def _intensity(light: FloatArray, *, primaries: Primaries) -> FloatArray:
    lms = eotf_inverse_pq(light @ _rgb_to_lms(primaries).T)
    return eotf_pq((lms @ LMS_TO_ICTCP[0])[:, None])


@DRIVES.register(
    "ictcp",
    label="ICtCp intensity with chroma compensation",
    source="ITU-R BT.2390-11 5.4.1 (ICTCP)",
    arguments=_intensity,
    tried=_TONE_FIRST,
)
def ictcp(
    light: FloatArray, tone: Tone, *, primaries: Primaries = "bt2020", white: float = 100.0
) -> FloatArray:
    """I follows the curve; CT and CP shrink by min(I1/I2, I2/I1)."""
    signal = eotf_inverse_pq(light @ _rgb_to_lms(primaries).T) @ LMS_TO_ICTCP.T
    before = signal[:, :1].copy()
    after = _pq_tone(before, tone, white)
    signal *= _compensation(before, after)
    signal[:, :1] = after
    lms = eotf_pq(signal @ ICTCP_TO_LMS.T)
    return lms @ (matrix_rgb_to_rgb("bt2020", primaries) @ LMS_TO_RGB2020).T / white


def _gamma_luma(light: FloatArray, *, primaries: Primaries) -> FloatArray:
    root = np.maximum(light, 0.0) ** (1 / 2.4)
    gamma_light: FloatArray = (root @ luminance_weights(primaries))[:, None] ** 2.4
    return gamma_light


@DRIVES.register(
    "gamma-luma",
    label="gamma-2.4 luma with chroma correction",
    source="ITU-R BT.2446-1 4.1, tables 2 and 3",
    arguments=_gamma_luma,
    tried=_TONE_FIRST,
)
def gamma_luma(
    light: FloatArray,
    tone: Tone,
    *,
    primaries: Primaries = "bt2020",
    white: float = 100.0,  # noqa: ARG001
    chroma_divisor: Annotated[float, Param(0.8, 1.4, "", "1.1 as published")] = 1.1,
    red_share: Annotated[float, Param(0, 0.3, "", "share of C'R taken from luma")] = 0.1,
) -> FloatArray:
    """Luma of gamma-2.4 R'G'B' follows the curve, colour differences follow its ratio."""
    root = np.maximum(light, 0.0) ** (1 / 2.4)
    before = (root @ luminance_weights(primaries))[:, None]
    after = np.maximum(tone(before**2.4), 0.0) ** (1 / 2.4)
    factor = after / (chroma_divisor * np.where(before > 0, before, 1.0))
    matrix: Matrix = "bt709" if primaries == "bt709" else "bt2020"
    ycbcr = rgb_to_ycbcr(root, matrix) * factor
    ycbcr[:, 0] = after[:, 0] - np.maximum(red_share * ycbcr[:, 2], 0.0)
    signal = ycbcr_to_rgb(ycbcr, matrix)
    return np.sign(signal) * np.abs(signal) ** 2.4


def _register_blend(first: str, second: str, name: str = "") -> None:
    """Register the blend of two drives, weighted in linear light."""
    one, two = DRIVES.registered(first), DRIVES.registered(second)
    shared = [set(part.tried.orders) if part.tried else set() for part in (one, two)]
    orders = tuple(order for order in ORDERS if order in shared[0] & shared[1])

    def arguments(light: FloatArray, *, primaries: Primaries) -> FloatArray:
        lights = [part.arguments(light, primaries=primaries) for part in (one, two)]
        return np.concatenate(lights, axis=1)

    @DRIVES.register(
        name or f"{first}+{second}",
        label=f"blend of {one.label} and {two.label}",
        source="ITU-R BT.2408-8 annex 5 (blend of R'G'B' and maxRGB)",
        arguments=arguments,
        tried=Tried(orders=orders, starts=tuple({"weight": weight} for weight in _WEIGHTS)),
    )
    def blend(
        light: FloatArray,
        tone: Tone,
        *,
        primaries: Primaries = "bt2020",
        white: float = 100.0,
        weight: Annotated[float, Param(0, 1, "", "share of the second drive")] = 0.5,
    ) -> FloatArray:
        parts = [
            part.function(light, tone, primaries=primaries, white=white) for part in (one, two)
        ]
        mixed: FloatArray = (1 - weight) * parts[0] + weight * parts[1]
        return mixed


_register_blend("per-channel", "max-rgb", "blend")
for _pair in (
    ("per-channel", "luminance"),
    ("per-channel", "luma"),
    ("per-channel", "ictcp"),
    ("max-rgb", "luminance"),
    ("max-rgb", "luma"),
    ("max-rgb", "ictcp"),
):
    _register_blend(*_pair)
