"""Properties of drives and chroma laws."""

from __future__ import annotations

import numpy as np
import pytest

from tonelab.conversion import CHROMA_LAWS, DRIVES, TONE_CURVES, ChainPart, Conversion, FreeCurve
from tonelab.conversion.drives import luminance_weights
from tonelab.signal.transfer import eotf_inverse_pq, eotf_pq

RNG = np.random.default_rng(11)
LIGHT = eotf_pq(RNG.uniform(0.05, 0.75, (300, 3)))
GREYS = np.repeat(eotf_pq(np.linspace(0, 0.75, 50))[:, None], 3, axis=1)
TONE = TONE_CURVES["bt2390"].bind()
BLENDS = [name for name in DRIVES if name == "blend" or "+" in name]
# The published factor 1.1 leaves greys alone: a grey has no colour difference.
KEEPING_CHROMATICITY = ("max-rgb", "luminance")


@pytest.mark.parametrize("name", DRIVES)
@pytest.mark.parametrize("primaries", ["bt2020", "bt709"])
def test_greys_follow_the_curve_whatever_the_drive(name: str, primaries: str) -> None:
    """Greys fix the curve and say nothing about the drive."""
    relative = DRIVES[name].bind()(GREYS, TONE, primaries=primaries, white=100.0)
    np.testing.assert_allclose(relative, TONE(GREYS), atol=2e-6)


@pytest.mark.parametrize("name", DRIVES)
def test_black_stays_black_and_all_is_finite_near_it(name: str) -> None:
    dark = np.array([[0, 0, 0], [1e-12, 0, 0], [1e-6, 2e-6, 0], [0, 0, 1e-3]])
    relative = DRIVES[name].bind()(dark, TONE)
    assert np.isfinite(relative).all()
    assert np.abs(relative).max() < 1e-3
    np.testing.assert_allclose(relative[0], 0, atol=1e-6)


@pytest.mark.parametrize("name", DRIVES)
def test_black_lift_reaches_black_itself(name: str) -> None:
    lifted = TONE_CURVES["bt2390"].bind({"source_black": 0.005, "target_black": 0.1})
    relative = DRIVES[name].bind()(np.zeros((1, 3)), lifted)
    np.testing.assert_allclose(100 * relative, 0.1, rtol=1e-3)


@pytest.mark.parametrize("name", ["max-rgb", "luminance"])
def test_ratio_drives_keep_ratios_and_signs(name: str) -> None:
    light = np.concatenate([LIGHT, [[300.0, -20, 5], [50, 40, -3]]])
    relative = DRIVES[name].bind()(light, TONE, primaries="bt709")
    np.testing.assert_allclose(relative / relative[:, :1], light / light[:, :1], rtol=1e-9)


def test_per_channel_mirrors_negative_channels() -> None:
    relative = DRIVES["per-channel"].bind()(np.array([[300.0, -20, 0]]), TONE)
    assert relative[0, 1] == pytest.approx(-TONE(np.array([20.0]))[0], abs=1e-9)


@pytest.mark.parametrize("name", DRIVES)
def test_arguments_are_where_the_curve_is_evaluated(name: str) -> None:
    """A curve that changes only above the largest argument changes nothing."""
    drive = DRIVES[name]
    arguments = drive.arguments(LIGHT, primaries="bt2020")
    assert arguments.shape[0] == len(LIGHT)
    limit = arguments.max(axis=1)

    signal = np.linspace(0, 1, 60)
    plain = FreeCurve(signal, np.linspace(0, 1, 60) ** 2)
    for row in np.argsort(limit)[[0, 50, 150, 250]]:
        above = signal > eotf_inverse_pq(limit[row]) + 2 * signal[1]
        bent = FreeCurve(signal, np.where(above, 1.0, plain.relative))
        one = LIGHT[row : row + 1]
        np.testing.assert_allclose(
            drive.bind()(one, bent), drive.bind()(one, plain), rtol=1e-9, atol=1e-12
        )


@pytest.mark.parametrize("name", BLENDS)
def test_blends_end_in_their_parts(name: str) -> None:
    first, second = name.split("+") if "+" in name else ("per-channel", "max-rgb")
    for weight, part in ((0.0, first), (1.0, second)):
        np.testing.assert_allclose(
            DRIVES[name].bind({"weight": weight})(LIGHT, TONE), DRIVES[part].bind()(LIGHT, TONE)
        )
    middle = DRIVES[name].bind({"weight": 0.25})(LIGHT, TONE)
    parts = [DRIVES[part].bind()(LIGHT, TONE) for part in (first, second)]
    np.testing.assert_allclose(middle, 0.75 * parts[0] + 0.25 * parts[1])


def test_drives_differ_on_saturated_colours() -> None:
    """Whatever separates them lies off the neutral axis: more than a code everywhere."""
    signals = {
        name: Conversion(ChainPart("bt2390"), ChainPart(name), white=100).rgb_signal(LIGHT)
        for name in DRIVES
        if name not in BLENDS
    }
    names = list(signals)
    for i, one in enumerate(names):
        for other in names[i + 1 :]:
            rms = 876 * np.sqrt(np.mean((signals[one] - signals[other]) ** 2))
            assert rms > 1, (one, other)


def test_ictcp_in_bt709_equals_bt2020_of_the_same_light() -> None:
    from tonelab.signal.colorimetry import matrix_rgb_to_rgb

    inside = LIGHT @ matrix_rgb_to_rgb("bt709", "bt2020").T
    wide = DRIVES["ictcp"].bind()(inside, TONE, primaries="bt2020")
    narrow = DRIVES["ictcp"].bind()(LIGHT, TONE, primaries="bt709")
    np.testing.assert_allclose(
        narrow @ matrix_rgb_to_rgb("bt709", "bt2020").T, wide, rtol=1e-6, atol=1e-9
    )


def identity(light: np.ndarray) -> np.ndarray:
    return light / 100


@pytest.mark.parametrize("name", [name for name in CHROMA_LAWS if name != "desaturate-before-sum"])
def test_chroma_laws_leave_greys_alone(name: str) -> None:
    relative = CHROMA_LAWS[name].bind()(GREYS, identity)
    np.testing.assert_allclose(relative, GREYS / 100, rtol=1e-4, atol=1e-9)


def test_desaturation_by_the_sum_moves_greys() -> None:
    """FFmpeg 9 tags RGB so that its luma is R + G + B: greys rise with the threshold passed."""
    law = CHROMA_LAWS["desaturate-before-sum"].bind({"threshold": 200})
    grey = np.full((1, 3), 100.0)
    # luma 300, weight (300 - 200) / 300, so 100 + (300 - 100) / 3.
    np.testing.assert_allclose(law(grey, lambda light: light), 166.667, rtol=1e-5)
    dark = np.full((1, 3), 60.0)
    np.testing.assert_allclose(law(dark, lambda light: light), dark, rtol=1e-5)


def test_desaturation_mixes_towards_luma_above_the_threshold_only() -> None:
    law = CHROMA_LAWS["desaturate-before-bt2020"].bind({"threshold": 100})
    bright, dark = np.array([[1000.0, 50, 50]]), np.array([[200.0, 50, 50]])
    luma = bright @ luminance_weights("bt2020")
    weight = (luma - 100) / luma
    expected = (1 - weight) * bright + weight * luma
    np.testing.assert_allclose(law(bright, lambda light: light), expected)
    np.testing.assert_allclose(law(dark, lambda light: light), dark, rtol=1e-6)


def test_highlights_fade_to_grey_at_constant_luminance() -> None:
    law = CHROMA_LAWS["desaturate-highlights"].bind({"start": 0.2, "strength": 1.0})
    relative = np.array([[1.0, 0.9, 1.2], [0.2, 0.1, 0.05]])
    out = law(100 * relative, identity)
    weights = luminance_weights("bt2020")
    np.testing.assert_allclose(out @ weights, relative @ weights)
    assert np.ptp(out[0]) < 0.2 * np.ptp(relative[0])
    np.testing.assert_allclose(out[1], relative[1])


def test_preserved_ratio_restores_the_source() -> None:
    per_channel = lambda light: DRIVES["per-channel"].bind()(light, TONE)  # noqa: E731
    law = CHROMA_LAWS["preserved-ratio"]
    out = law.bind({"saturation": 1.0})(LIGHT, per_channel)
    np.testing.assert_allclose(out / out[:, :1], LIGHT / LIGHT[:, :1], rtol=1e-9)
    weights = luminance_weights("bt2020")
    np.testing.assert_allclose(out @ weights, per_channel(LIGHT) @ weights)
