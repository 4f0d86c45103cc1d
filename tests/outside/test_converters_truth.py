"""The converters convert as documented: their closed forms in float64, and their known quirks."""

from __future__ import annotations

import numpy as np
import pytest
from converters import (
    CURVES,
    Curve,
    Truth,
    convert_patches,
    ffmpeg_tonemap,
    ocio_aces,
    swscale_intent,
)
from numpy.testing import assert_allclose, assert_array_equal

# BT.2020 to BT.709 in linear light (BT.2087-0 annex 2 states the inverse to four digits).
TO_709 = np.array(
    [
        [1.660491, -0.587641, -0.072850],
        [-0.124550, 1.132900, -0.008349],
        [-0.018151, -0.100579, 1.118730],
    ]
)
MATRIX_2020 = np.array([0.2627, 0.6780, 0.0593])
MATRIX_709 = np.array([0.2126, 0.7152, 0.0722])
LIMITED = np.array([64.0, 512.0, 512.0]), np.array([876.0, 896.0, 896.0])


def pq_light(codes):
    """cd/m2, BT.2020, of narrow 10-bit Y'CbCr codes (SMPTE ST 2084), continued above code 940."""
    y, cb, cr = ((codes - LIMITED[0]) / LIMITED[1]).T
    red, blue = y + 2 * (1 - MATRIX_2020[0]) * cr, y + 2 * (1 - MATRIX_2020[2]) * cb
    green = (y - MATRIX_2020[0] * red - MATRIX_2020[2] * blue) / MATRIX_2020[1]
    root = np.maximum(np.stack([red, green, blue], -1), 0) ** (1 / 78.84375)
    return 1e4 * (np.maximum(root - 0.8359375, 0) / (18.8515625 - 18.6875 * root)) ** (
        1 / 0.1593017578125
    )


def codes_709(rgb):
    """Real-valued narrow 10-bit codes of BT.709 R'G'B'."""
    luma = rgb @ MATRIX_709
    chroma = (rgb[:, 2] - luma) / 1.8556, (rgb[:, 0] - luma) / 1.5748
    return np.clip(LIMITED[0] + LIMITED[1] * np.stack([luma, *chroma], -1), 4, 1019)


def filmic(x):
    return (x * (0.15 * x + 0.05) + 0.004) / (x * (0.15 * x + 0.5) + 0.06) - 0.02 / 0.30


def tone_curve(truth: Truth, s):
    """Output in units of SDR white of light s in units of the converter's white."""
    p, peak = truth.parameter, truth.peak
    match truth.curve:
        case "linear":
            return s * p / peak
        case "clip":
            return np.minimum(s * p, 1)
        case "gamma":
            return np.where(s > 0.05, (s / peak) ** (1 / p), s * (0.05 / peak) ** (1 / p) / 0.05)
        case "reinhard":
            k = (1 - p) / p
            return s / (s + k) * (peak + k) / peak
        case "hable":
            return filmic(s) / filmic(peak)
        case "mobius":
            a = -p * p * (peak - 1) / (p * p - 2 * p + peak)
            b = (p * p - 2 * p * peak + peak) / (peak - 1)
            knee = (b * b + 2 * b * p + p * p) / (b - a) * (s + a) / (s + b)
            return np.where(s <= p, s, knee)


def expected(codes, truth: Truth):
    light = pq_light(codes.astype(float)) / truth.white @ TO_709.T
    if truth.desaturation:
        # The filter's luma of untagged RGB frames is the plain sum of the components.
        total = light.sum(-1, keepdims=True)
        weight = np.maximum(total - truth.desaturation, 1e-6) / np.maximum(total, 1e-6)
        light = light + weight * (total - light)
    drive = np.maximum(light.max(-1, keepdims=True), 1e-6)
    light = light * tone_curve(truth, drive) / drive
    return codes_709(np.maximum(light, 0) ** (1 / 2.4))


def greys(count=41):
    luma = np.rint(np.linspace(64, 940, count)).astype(np.uint16)
    return np.stack([luma, np.full_like(luma, 512), np.full_like(luma, 512)], -1)


def colours(count=1000):
    """BT.2020 colours up to PQ 0.75, which is about 1000 cd/m2, half of them outside BT.709."""
    rgb = np.random.default_rng(2020).uniform(0, 0.75, (count, 3))
    luma = rgb @ MATRIX_2020
    real = np.stack([luma, (rgb[:, 2] - luma) / 1.8814, (rgb[:, 0] - luma) / 1.4746], -1)
    return np.rint(LIMITED[0] + LIMITED[1] * real).astype(np.uint16)


def rms(deviation):
    return np.sqrt(np.mean(np.square(deviation)))


@pytest.mark.outside("FFmpeg, filters zscale and tonemap", "library")
@pytest.mark.parametrize("desaturation", [0.0, 2.0])
@pytest.mark.parametrize("peak", [4.0, 10.0, 40.0])
@pytest.mark.parametrize("curve", CURVES)
def test_tonemap_has_its_closed_form(curve: Curve, peak: float, desaturation: float):
    converter = ffmpeg_tonemap(curve, peak=peak, desaturation=desaturation)
    patches = np.concatenate([greys(), colours()])
    deviation = convert_patches(patches, converter) - expected(patches, converter.truth)
    # Half a code is rounding; the rest is the filters' single precision.
    assert np.abs(deviation[:41]).max() < 0.6
    # Quantisation alone gives 0.289.
    assert rms(deviation) < 0.30
    assert np.percentile(np.abs(deviation), 99) < 0.55


@pytest.mark.outside("FFmpeg, filters zscale and tonemap", "library")
@pytest.mark.parametrize(
    "converter",
    [
        ffmpeg_tonemap("reinhard", 0.3, peak=10, white=203),
        ffmpeg_tonemap("mobius", 0.5, peak=5, white=203),
        ffmpeg_tonemap("gamma", 2.2, peak=10, white=412),
        ffmpeg_tonemap("linear", 4.0, peak=10, white=100),
        ffmpeg_tonemap("clip", 0.8, white=203),
    ],
    ids=lambda converter: converter.name,
)
def test_tonemap_parameters_and_white(converter):
    patches = np.concatenate([greys(), colours()])
    deviation = convert_patches(patches, converter) - expected(patches, converter.truth)
    assert np.abs(deviation[:41]).max() < 0.6
    assert rms(deviation) < 0.30


def test_chroma_subsampling_does_not_reach_the_centre_of_a_patch():
    converter, patches = ffmpeg_tonemap("hable"), colours(5000)
    whole = convert_patches(patches, converter, "444")
    assert_array_equal(convert_patches(patches, converter), whole)


def test_codes_outside_nominal_range():
    luma = np.concatenate([np.arange(4, 64, 4), np.arange(944, 1020, 4)]).astype(np.uint16)
    patches = np.stack([luma, np.full_like(luma, 512), np.full_like(luma, 512)], -1)
    converter = ffmpeg_tonemap("reinhard", peak=100)
    deviation = convert_patches(patches, converter) - expected(patches, converter.truth)
    assert np.abs(deviation).max() < 0.6


@pytest.mark.outside("FFmpeg, filters zscale and tonemap", "library")
def test_desaturation_moves_the_grey_axis():
    grey = np.array([[509, 512, 512]], np.uint16)  # 100 cd/m2
    codes = [
        convert_patches(grey, ffmpeg_tonemap("hable", desaturation=strength))[0, 0]
        for strength in (0.0, 2.0)
    ]
    assert_allclose(codes, [603, 692], atol=1)


@pytest.mark.outside("FFmpeg, swscale", "library")
def test_swscale_relative_colorimetric_clips_at_reference_white():
    """BT.2408's 203 cd/m2 and a pure 1/2.4, between the two gains of its 16-bit RGB stage."""
    patches = greys(877)
    read = convert_patches(patches, swscale_intent("relative"))
    gain = 65280 / 65535
    scaled = np.stack([64 + (patches[:, 0] - 64) * gain, *patches[:, 1:].T], -1)
    light = np.minimum(pq_light(scaled) / 203, 1)
    deviation = read - codes_709(light ** (1 / 2.4) / gain)
    assert np.median(np.abs(deviation[:, 0])) < 0.5
    assert rms(deviation[:, 0]) < 0.75
    assert_array_equal(read[:, 1:], 512)


@pytest.mark.long
@pytest.mark.outside("FFmpeg, swscale", "library")
@pytest.mark.parametrize("intent", ["perceptual", "saturation"])
def test_swscale_maps_greys_monotonically_without_tint(intent):
    read = convert_patches(greys(877), swscale_intent(intent)).astype(int)
    assert np.all(np.diff(read[:, 0]) >= 0)
    assert read[0, 0] == 64
    assert 930 <= read[-1, 0] <= 944
    assert_array_equal(read[:, 1:], 512)


@pytest.mark.outside("OpenColorIO, ACES output transforms", "library")
# ACES 1.x puts 0.18 at 4.8 of 48 cd/m2 above a 0.02 cd/m2 black, then applies the exponent 0.9811
# of a dim surround; ACES 2.0 puts it at 10 of 100 cd/m2.
@pytest.mark.parametrize(("version", "grey"), [("1.0", (4.78 / 47.98) ** 0.9811), ("2.0", 0.10)])
def test_aces_mid_grey(version, grey):
    luma = np.array([[353, 512, 512]], np.uint16)
    white = float(pq_light(luma.astype(float))[0, 1] / 0.18)
    read = convert_patches(luma, ocio_aces(version, white=white))
    assert_allclose(read[0, 0], 64 + 876 * grey ** (1 / 2.4), atol=0.6)
    assert_array_equal(read[:, 1:], 512)
