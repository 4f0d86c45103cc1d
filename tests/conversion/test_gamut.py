"""Properties of gamut methods and encodings."""

from __future__ import annotations

import numpy as np
import pytest

from tonelab.conversion import ENCODINGS, GAMUT_METHODS
from tonelab.conversion.gamut import TO_709, TO_2020
from tonelab.signal.colorimetry import matrix_rgb_to_xyz

RNG = np.random.default_rng(3)
WIDE = RNG.uniform(0, 1, (500, 3)) ** 2
GREYS = np.repeat(np.linspace(0, 1, 33)[:, None], 3, axis=1)
INSIDE = RNG.uniform(0, 1, (500, 3)) @ TO_2020.T
COMPRESSING = ("soft-clip", "lightness-chroma", "hue-preserving")


@pytest.mark.parametrize("name", GAMUT_METHODS)
def test_greys_stay(name: str) -> None:
    np.testing.assert_allclose(GAMUT_METHODS[name].convert(GREYS), GREYS, atol=1e-6)


@pytest.mark.parametrize("name", GAMUT_METHODS)
def test_nothing_below_black_unless_excursions_are_kept(name: str) -> None:
    method = GAMUT_METHODS[name]
    light = method.convert(WIDE)
    assert np.isfinite(light).all()
    assert (light.min() < 0) == method.keeps_excursions


@pytest.mark.parametrize("name", COMPRESSING)
def test_compressing_methods_end_in_gamut(name: str) -> None:
    light = GAMUT_METHODS[name].convert(WIDE)
    assert light.min() >= 0
    assert light.max() <= 1


@pytest.mark.parametrize("name", ["clip", "excursions", "lightness-chroma", "hue-preserving"])
def test_colours_inside_stay(name: str) -> None:
    np.testing.assert_allclose(GAMUT_METHODS[name].convert(INSIDE), INSIDE @ TO_709.T, atol=1e-9)


def test_soft_clip_keeps_luminance() -> None:
    """BT.2407-0 annex 5: constant Y."""
    before = (WIDE @ TO_709.T) @ matrix_rgb_to_xyz("bt709")[1]
    after = GAMUT_METHODS["soft-clip"].convert(WIDE) @ matrix_rgb_to_xyz("bt709")[1]
    np.testing.assert_allclose(after, before, atol=1e-9)


def test_lightness_chroma_keeps_hue() -> None:
    """BT.2407-0 annex 2 without hue mapping: CIELAB hue is constant, chroma never grows."""
    from tonelab.conversion.standards.bt2407 import _to_lab

    to_xyz = matrix_rgb_to_xyz("bt709")
    before = _to_lab(WIDE @ TO_709.T, to_xyz)
    after = _to_lab(GAMUT_METHODS["lightness-chroma"].convert(WIDE), to_xyz)
    chroma_before = np.hypot(before[:, 1], before[:, 2])
    chroma_after = np.hypot(after[:, 1], after[:, 2])
    assert np.all(chroma_after <= chroma_before + 1e-6)
    coloured = chroma_after > 1
    turn = np.arctan2(after[:, 2], after[:, 1]) - np.arctan2(before[:, 2], before[:, 1])
    turn = np.rad2deg((turn + np.pi) % (2 * np.pi) - np.pi)
    assert np.abs(turn[coloured]).max() < 0.1


def test_lightness_chroma_lands_on_the_boundary() -> None:
    outside = WIDE[np.any(WIDE @ TO_709.T < -0.01, axis=1)]
    light = GAMUT_METHODS["lightness-chroma"].convert(outside)
    assert np.minimum(light.min(axis=1), 1 - light.max(axis=1)).max() < 1e-3


def test_distance_compression_reaches_the_boundary_at_the_corners() -> None:
    """The limits are the distances of the corners of BT.2020, where each lands on 0."""
    corners = np.array([[0.0, 1, 1], [1, 0, 1], [1, 1, 0]])
    light = GAMUT_METHODS["distance-compression"].convert(corners)
    np.testing.assert_allclose(light.min(axis=1), 0, atol=1e-9)


def test_free_matrix_keeps_greys_for_any_coefficients() -> None:
    coefficients = dict.fromkeys(("rg", "rb", "gr", "gb", "br", "bg"), 0.1)
    np.testing.assert_allclose(
        GAMUT_METHODS["matrix"].convert(GREYS, **coefficients), GREYS, atol=1e-12
    )


@pytest.mark.parametrize("name", ENCODINGS)
def test_encoding_inverse_leads_back(name: str) -> None:
    entry = ENCODINGS[name]
    light = np.concatenate([-np.geomspace(1, 0.05, 20), np.geomspace(1e-6, 1.5, 60)])
    signal = entry.bind()(light)
    assert np.diff(signal).min() > 0
    # BT.709 prints its two branches with three digits, so that they miss each other at 0.018.
    tolerance = 2e-3 if name == "bt709-oetf" else 1e-6
    np.testing.assert_allclose(entry.inverse(signal, **entry.complete({})), light, rtol=tolerance)


@pytest.mark.parametrize("name", ENCODINGS)
def test_encodings_keep_black_and_white_and_mirror(name: str) -> None:
    encode = ENCODINGS[name].bind()
    np.testing.assert_allclose(encode(np.array([0.0, 1.0])), (0, 1), atol=1e-12)
    light = np.linspace(0, 1, 20)
    np.testing.assert_allclose(encode(-light), -encode(light))


def test_display_black_changes_the_code_of_dark_light() -> None:
    """BT.1886-0: 0.1 cd/m2 is code 113 at black 0, 100 at 0.005, 77 at 0.05, 64 at 0.1."""
    codes = [
        64 + 876 * ENCODINGS["bt1886"].bind({"black": black / 100})(np.array([0.001]))[0]
        for black in (0, 0.005, 0.05, 0.1)
    ]
    np.testing.assert_allclose(codes, (113, 100, 77, 64), atol=0.5)
