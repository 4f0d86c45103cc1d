"""The chain against converters that nobody here wrote: FFmpeg's linear-light tone mapping."""

from __future__ import annotations

import numpy as np
import pytest
from converters import PARAMETERS, Curve, convert_patches, ffmpeg_tonemap

from tonelab.conversion import ChainPart, Conversion
from tonelab.signal.colorimetry import rgb_to_ycbcr
from tonelab.signal.description import Signal
from tonelab.signal.quantisation import quantise, ycbcr_to_codes

SOURCE = Signal("bt2020", "narrow", "pq", "bt2020")
WHITE = 100.0


def patches() -> np.ndarray:
    """Greys and BT.2020 colours up to about 1000 cd/m2, half of them outside BT.709."""
    grey = np.repeat(np.linspace(0, 1, 41)[:, None], 3, axis=1)
    colours = np.random.default_rng(2020).uniform(0, 0.75, (1000, 3))
    ycbcr = rgb_to_ycbcr(np.concatenate([grey, colours]), "bt2020")
    return quantise(ycbcr_to_codes(ycbcr, 10, "narrow"), 10)


def tone_step(curve: Curve, parameter: float | None, peak: float) -> ChainPart:
    """Our absolute parameters of the filter's relative ones."""
    match curve:
        case "linear":
            return ChainPart("linear", {"white": WHITE * peak / parameter})
        case "clip":
            return ChainPart("linear", {"white": WHITE / parameter})
        case "gamma":
            toe = 0.05 * WHITE
            return ChainPart("power", {"peak": WHITE * peak, "exponent": parameter, "toe": toe})
        case "reinhard":
            offset = (1 - parameter) / parameter
            return ChainPart(
                "reinhard-peak", {"semi_saturation": WHITE * offset, "peak": WHITE * peak}
            )
        case "hable":
            return ChainPart("hable", {"white": WHITE, "peak": WHITE * peak})
        case "mobius":
            knee = WHITE * parameter
            return ChainPart("mobius", {"white": WHITE, "knee": knee, "peak": WHITE * peak})


@pytest.mark.outside("FFmpeg, filters zscale and tonemap", "library")
@pytest.mark.parametrize("desaturation", [0.0, 2.0])
@pytest.mark.parametrize("peak", [4.0, 10.0, 40.0])
@pytest.mark.parametrize("curve", PARAMETERS)
def test_chain_reproduces_the_filter(curve: Curve, peak: float, desaturation: float) -> None:
    codes = patches()
    law = {"threshold": WHITE * desaturation}
    chain = Conversion(
        tone_step(curve, PARAMETERS[curve], peak),
        ChainPart("max-rgb"),
        "matrix-first",
        ChainPart("desaturate-before-sum", law) if desaturation else ChainPart("none"),
        ceiling=curve == "clip",
        super_white=True,
    )
    converter = ffmpeg_tonemap(curve, peak=peak, white=WHITE, desaturation=desaturation)
    ours = np.clip(chain.codes(codes, SOURCE, Signal()), 4, 1019)
    deviation = ours - convert_patches(codes, converter)
    # Half a code is rounding, the rest single precision; quantisation alone gives 0.289 RMS.
    assert np.abs(deviation[:41]).max() < 0.6
    assert np.sqrt(np.mean(deviation**2)) < 0.30
    assert np.percentile(np.abs(deviation), 99) < 0.55
