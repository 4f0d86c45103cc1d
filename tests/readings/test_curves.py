"""Curves and landmarks of devices whose law is known."""

from __future__ import annotations

import numpy as np
import pytest

from tonelab.errors import IdentificationError
from tonelab.readings.colours import Colours, as_ycbcr, coded_signal
from tonelab.readings.curves import chroma_transfer, landmarks, luminance_curve
from tonelab.signal.description import Signal
from tonelab.signal.transfer import eotf_inverse_pq, eotf_pq

SOURCE = Signal(matrix="bt2020", transfer="pq", primaries="bt2020")
CAPTURE = Signal()


def colours(source, capture):
    count = len(source)
    return Colours(
        source=np.asarray(source, float),
        capture=np.asarray(capture, float),
        variance=np.zeros((count, 3)),
        count=np.full((count, 3), 64),
        page=np.zeros(count, int),
        patch=np.arange(count),
    )


def neutrals(device, codes=None):
    """Neutral patches through ``device``: light in cd/m2 to luma signal, rounded to codes."""
    codes = np.arange(4, 1020) if codes is None else codes
    light = eotf_pq((codes - 64) / 876)
    out = np.floor(64 + 876 * np.clip(device(light), 0, 1) + 0.5)
    grey = np.full(len(codes), 512)
    return colours(np.stack([codes, grey, grey], 1), np.stack([out, grey, grey], 1))


def linear(white):
    return lambda light: (light / white) ** (1 / 2.4)


def shoulder(light):
    return (1.1 * light / (light + 100)) ** (1 / 2.4)


@pytest.mark.parametrize("device", [shoulder, linear(1000), linear(203)])
def test_smooth_curve_stays_within_rounding_and_halves_its_error(device):
    measured = neutrals(device)
    curve = luminance_curve(measured, SOURCE)
    truth = 64 + 876 * np.clip(device(curve.luminance), 0, 1)
    inside = ~curve.clipped & (curve.source_code >= 66)
    rounding = np.sqrt(np.mean((curve.code - truth)[inside] ** 2))
    left = np.sqrt(np.mean((curve.smooth - truth)[inside] ** 2))
    assert rounding == pytest.approx(1 / np.sqrt(12), rel=0.1)
    assert left < 0.75 * rounding
    assert np.all(np.diff(curve.smooth) >= 0)


def test_band_covers_the_truth_about_as_often_as_it_says():
    covered = []
    for semi in (20, 60, 100, 200, 500):
        device = lambda light, s=semi: (light / (light + s)) ** (1 / 2.4)  # noqa: E731
        curve = luminance_curve(neutrals(device), SOURCE)
        truth = 64 + 876 * device(curve.luminance)
        inside = ~curve.clipped & (curve.source_code >= 66)
        covered.append(((curve.low <= truth) & (truth <= curve.high))[inside])
    assert 0.9 <= np.concatenate(covered).mean() <= 0.995


def test_plateaus_are_bounds_and_not_values():
    curve = luminance_curve(neutrals(linear(100)), SOURCE)
    assert curve.clipped[curve.source_code < 62].all()
    assert not curve.clipped[(curve.luminance > 1) & (curve.luminance < 98)].any()
    assert curve.clipped[curve.luminance > 103].all()


@pytest.mark.outside("BT.2408-8 table 1; BT.1886-0 annex 1", "published")
def test_landmarks_of_a_straight_line_with_clip():
    found = {
        mark.id: mark
        for mark in landmarks(luminance_curve(neutrals(linear(203)), SOURCE), SOURCE, CAPTURE)
    }
    # BT.2408-8 table 1 levels on a straight line to 203 cd/m2, shown by BT.1886 at 100 cd/m2.
    assert found["grey-18"].output == pytest.approx(26 / 2.03, rel=0.005)
    # Neighbouring source codes are three capture codes apart here, with the clip between them.
    assert found["diffuse-white"].code == pytest.approx(940, abs=1.5)
    assert found["peak-1000"].code == pytest.approx(940, abs=0.1)
    assert found["mid-slope"].output == pytest.approx(1, abs=0.01)
    assert found["clip"].luminance == pytest.approx(203, rel=0.02)
    assert found["black"].code == pytest.approx(64, abs=0.6)


def test_a_curve_that_never_clips_has_no_ceiling():
    found = {
        mark.id: mark
        for mark in landmarks(luminance_curve(neutrals(shoulder), SOURCE), SOURCE, CAPTURE)
    }
    codes = eotf_pq((np.arange(64, 1020) - 64) / 876)
    top = codes[np.searchsorted(np.floor(64.5 + 876 * np.clip(shoulder(codes), 0, 1)), 940)]
    assert found["clip"].luminance == pytest.approx(top, rel=0.05)
    assert 60 < found["roll-off"].luminance < 200


def test_too_few_neutrals_are_refused_with_the_mend():
    with pytest.raises(IdentificationError, match="capture the whole clip"):
        luminance_curve(neutrals(shoulder, np.arange(100, 110)), SOURCE)


def test_gaps_stay_gaps():
    codes = np.concatenate([np.arange(64, 400, 7), np.arange(700, 940, 7)])
    curve = luminance_curve(neutrals(shoulder, codes), SOURCE)
    np.testing.assert_array_equal(curve.source_code, codes)


@pytest.mark.parametrize(("degrees", "gain"), [(0, 1), (5, 0.9), (-12, 1.2), (0.2, 1.002)])
def test_chroma_transfer_finds_a_rotation_and_a_gain(degrees, gain):
    rng = np.random.default_rng(3)
    luma = rng.integers(200, 700, 4000)
    angle, radius = rng.uniform(0, 2 * np.pi, 4000), rng.uniform(30, 300, 4000)
    z = np.rint(radius * np.cos(angle)) + 1j * np.rint(radius * np.sin(angle))
    turned = z * gain * np.exp(1j * np.radians(degrees))
    source = np.stack([luma, 512 + z.real, 512 + z.imag], 1)
    shown = 512 + np.rint([turned.real, turned.imag])
    capture = np.stack([np.full(4000, 500), *shown], 1)
    found = chroma_transfer(colours(source, capture), SOURCE, CAPTURE)
    seen = found.count >= 3
    assert seen.sum() > 60
    error = np.abs(found.rotation - degrees)[seen]
    assert np.mean(error <= found.rotation_bound[seen]) > 0.85
    assert np.mean(np.abs(found.ratio - gain)[seen] <= found.ratio_bound[seen]) > 0.85
    assert np.median(error) < 0.1
    assert np.median(np.abs(found.ratio - gain)[seen]) < 0.002


def test_a_rotation_that_moves_no_code_stays_within_the_bound():
    angle = np.radians(np.arange(0, 360, 0.5))
    z = np.rint(60 * np.cos(angle)) + 1j * np.rint(60 * np.sin(angle))
    turned = z * np.exp(1j * np.radians(0.3))
    source = np.stack([np.full(720, 500), 512 + z.real, 512 + z.imag], 1)
    capture = np.stack([source[:, 0], 512 + np.rint(turned.real), 512 + np.rint(turned.imag)], 1)
    found = chroma_transfer(colours(source, capture), SOURCE, CAPTURE)
    seen = found.count >= 3
    assert np.all(np.abs(found.rotation - 0.3)[seen] <= found.rotation_bound[seen])


def test_clipped_colours_say_nothing_about_chroma():
    source = np.array([[500, 600, 600]] * 5)
    capture = np.array([[940, 512, 512]] * 5)
    assert chroma_transfer(colours(source, capture), SOURCE, CAPTURE).count.sum() == 0


@pytest.mark.outside("BT.2408-8 table 1", "published")
def test_luminance_axis_is_absolute():
    curve = luminance_curve(neutrals(shoulder), SOURCE)
    # BT.2408-8 table 1: 203 cd/m2 is 58 % PQ.
    row = np.argmin(np.abs(curve.luminance - 203))
    assert curve.source_code[row] == pytest.approx(64 + 876 * eotf_inverse_pq(203), abs=0.5)


def test_rgb_captures_are_reported_as_ycbcr_of_the_same_colour():
    rgb = Signal(matrix="rgb", range="full", bits=8)
    measured = colours([[0, 0, 0]] * 3, [[255, 255, 255], [0, 0, 0], [255, 0, 0]])
    coded, signal = as_ycbcr(measured, rgb), coded_signal(rgb)
    # BT.709-6 items 3.2 to 3.5: white, black and red of 8-bit narrow range.
    expected = [[235, 128, 128], [16, 128, 128], [62.56, 102.34, 240]]
    np.testing.assert_allclose(coded.capture, expected, atol=0.01)
    assert (signal.matrix, signal.range, signal.bits) == ("bt709", "narrow", 8)
