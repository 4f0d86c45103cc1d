"""Chroma laws: what a conversion does to colour besides the drive.

A law wraps the tone mapping: ``law(light, mapping, *, primaries, **parameters)`` receives
linear RGB (N, 3) in cd/m2 and a function from such light to relative light (N, 3), and gives
relative light (N, 3), 1 = SDR nominal white. It may act before, after, or both.
"""

from collections.abc import Callable
from itertools import product
from typing import Annotated, TypeAlias

import numpy as np

from tonelab.conversion.drives import luminance_weights
from tonelab.conversion.parameters import Param, Part, Tried, parts
from tonelab.conversion.tone.registry import Tone
from tonelab.registry import Registry
from tonelab.signal.arrays import FloatArray
from tonelab.signal.colorimetry import Primaries

Law: TypeAlias = Callable[..., FloatArray]


CHROMA_LAWS: Registry[Part[Law]] = parts("chroma law", "tonelab.chroma_laws", Part)


@CHROMA_LAWS.register("none", label="no chroma law", source="identity")
def none(light: FloatArray, mapping: Tone, *, primaries: Primaries = "bt2020") -> FloatArray:  # noqa: ARG001
    """Leave colour to the drive."""
    return mapping(light)


_THRESHOLDS = tuple({"threshold": float(light)} for light in np.geomspace(40, 4000, 13))


def _register_desaturation(suffix: str, label: str, weights: FloatArray) -> None:
    @CHROMA_LAWS.register(
        f"desaturate-before-{suffix}",
        label=f"desaturation above a threshold, before the curve, luma by {label}",
        source="FFmpeg, tonemap filter, option desat",
        tried=Tried(starts=_THRESHOLDS),
    )
    def desaturate_before(
        light: FloatArray,
        mapping: Tone,
        *,
        primaries: Primaries = "bt2020",  # noqa: ARG001
        threshold: Annotated[
            float, Param(10, 10000, "cd/m2", "luma above which colour fades", log=True)
        ] = 200.0,
    ) -> FloatArray:
        luma = (light @ weights)[:, None]
        fade = np.maximum(luma - threshold, 0.0) / np.maximum(luma, threshold)
        return mapping(light + (luma - light) * fade)


_register_desaturation("bt709", "BT.709 weights", luminance_weights("bt709"))
_register_desaturation("bt2020", "BT.2020 weights", luminance_weights("bt2020"))
# Moves greys: their sum is three times their level.
_register_desaturation("sum", "the sum R + G + B", np.ones(3))


@CHROMA_LAWS.register(
    "desaturate-highlights",
    label="desaturation towards white, after the curve",
    source="plain form: mix with luminance by a power of the relative luminance",
    tried=Tried(
        starts=tuple(
            {"start": start, "strength": strength, "exponent": 1.0}
            for start, strength in product((0.1, 0.5), (0.3, 0.8))
        )
    ),
)
def desaturate_highlights(
    light: FloatArray,
    mapping: Tone,
    *,
    primaries: Primaries = "bt2020",
    start: Annotated[float, Param(0, 0.95, "1", "relative luminance where it sets in")] = 0.5,
    strength: Annotated[float, Param(0, 1, "", "share of grey at SDR white")] = 0.5,
    exponent: Annotated[float, Param(0.5, 4, "", "1 rises straight")] = 1.0,
) -> FloatArray:
    """Mix with grey of equal luminance by strength * ((Y - start) / (1 - start))^exponent."""
    mapped = mapping(light)
    level = (mapped @ luminance_weights(primaries))[:, None]
    mix = strength * np.clip((level - start) / (1 - start), 0.0, 1.0) ** exponent
    return mapped + (level - mapped) * mix


@CHROMA_LAWS.register(
    "preserved-ratio",
    label="source ratios restored after the curve",
    source="Mantiuk, Tomaszewska, Heidrich 2009, equation 2",
)
def preserved_ratio(
    light: FloatArray,
    mapping: Tone,
    *,
    primaries: Primaries = "bt2020",
    saturation: Annotated[float, Param(0, 1.5, "", "exponent of the source's ratios")] = 1.0,
) -> FloatArray:
    """(C / L)^s times the mapped luminance."""
    weights = luminance_weights(primaries)
    before = (light @ weights)[:, None]
    after = (mapping(light) @ weights)[:, None]
    ratio = np.maximum(light, 0.0) / np.where(before > 0, before, 1.0)
    out: FloatArray = ratio**saturation * after
    return out


@CHROMA_LAWS.register(
    "crosstalk",
    label="crosstalk around the curve",
    source="ITU-R BT.2446-1 6.1.2 and 6.1.6",
    tried=Tried(starts=tuple({"alpha": alpha} for alpha in (0.03, 0.1, 0.2))),
)
def crosstalk(
    light: FloatArray,
    mapping: Tone,
    *,
    primaries: Primaries = "bt2020",  # noqa: ARG001
    alpha: Annotated[float, Param(0, 0.3, "", "share taken from each other channel")] = 0.04,
) -> FloatArray:
    """Mix the channels, map, and unmix."""
    mix = alpha + (1 - 3 * alpha) * np.eye(3)
    return mapping(light @ mix) @ np.linalg.inv(mix)
