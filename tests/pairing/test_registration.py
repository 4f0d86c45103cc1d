"""Scale and shift between pictures, against SciPy and scikit-image."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from moving import simple_device, window
from scipy import ndimage
from skimage.registration import phase_cross_correlation

from tonelab.pairing.covers import still_covers
from tonelab.pairing.picture import clear_pixels, combed_share, covered_blocks
from tonelab.pairing.registration import Relation, agreeing, refine, register, resample
from tonelab.pairing.thumbnails import Area

SIZE = (480, 270)
ALL = clear_pixels(Area(0, 0, *SIZE), SIZE)


def pictures(frames=(5, 40, 90), names=("astronaut", "coffee", "chelsea")):
    return [
        window(name, n)[..., 0].astype(np.float32) for name, n in zip(names, frames, strict=True)
    ]


def moved(picture, scale, offset, size=SIZE):
    """SciPy's spline rendering of a scaled and shifted picture."""
    blurred = ndimage.gaussian_filter(picture, 0.5 / min(*scale)) if min(scale) < 0.9 else picture
    step = 1 / np.array(scale[::-1])  # in source pixels, down and across
    start = (0.5 - np.array(offset[::-1])) * step - 0.5
    shown = ndimage.affine_transform(
        blurred, step, start, size[::-1], order=3, mode="nearest", output=np.float64
    )
    return shown.astype(np.float32)


def device(picture):
    grey = np.full((picture.shape[0] // 2, picture.shape[1] // 2), 512, np.uint16)
    luma = np.rint(np.clip(picture, 4, 1019)).astype(np.uint16)
    return simple_device((luma, grey, grey))[0].astype(np.float32)


def corner_error(found, scale, offset):
    ends = np.array([(0, 0), SIZE])
    apart = ends * np.array(found.scale) + found.offset - (ends * np.array(scale) + offset)
    return np.abs(apart).max()


@pytest.mark.outside("SciPy, ndimage", "library")
@pytest.mark.parametrize(
    ("scale", "offset"), [((1.0, 1.0), (0.3, -0.6)), ((1.04, 1.03), (-9.6, -4.0))]
)
def test_resampling_is_scipys_within_a_fraction_of_a_code(scale, offset):
    picture = ndimage.gaussian_filter(pictures()[0], 1.5)
    ours = resample(picture, Relation(scale, offset), SIZE)
    apart = np.abs(ours - moved(picture, scale, offset))[8:-8, 12:-12]
    assert np.sqrt((apart**2).mean()) < 0.4


def test_halving_keeps_means():
    picture = pictures()[0]
    half = resample(picture, Relation((0.5, 0.5), (0.0, 0.0)), (240, 135))
    assert half.mean() == pytest.approx(picture.mean(), abs=0.3)
    area = picture[:268].reshape(134, 2, 240, 2).mean(axis=(1, 3))
    assert np.corrcoef(half[:134].ravel(), area.ravel())[0, 1] > 0.99


@pytest.mark.long
@given(
    st.floats(0.94, 1.06),
    st.floats(0.94, 1.06),
    st.floats(-4, 4),
    st.floats(-4, 4),
)
@example(0.9921875, 0.94140625, 0.0, 0.0)
@settings(max_examples=8, deadline=None)
def test_scale_and_shift_are_found_through_a_tone_curve(across, down, right, below):
    scale = (across, down)
    offset = (right + 240 * (1 - across), below + 135 * (1 - down))
    pairs = [(p, device(moved(p, scale, offset))) for p in pictures()]
    found = register(pairs, Relation((1.0, 1.0), (0.0, 0.0)), ALL)
    assert corner_error(found.relation, scale, offset) < 0.5
    assert found.residual < 0.4
    assert corner_error(refine(pairs, found.relation, ALL), scale, offset) < 0.05


@pytest.mark.outside("scikit-image, phase_cross_correlation", "library")
def test_shift_is_that_of_scikit_image():
    picture = pictures()[0]
    capture = moved(picture, (1.0, 1.0), (1.37, -2.61))
    found = register([(picture, capture)], Relation((1.0, 1.0), (0.0, 0.0)), ALL).relation
    hann = np.outer(np.hanning(SIZE[1]), np.hanning(SIZE[0]))
    flat = [hann * (p - p.mean()) for p in (capture, picture)]
    (down, across), *_ = phase_cross_correlation(*flat, upsample_factor=50, normalization=None)
    middle = np.array(found.scale) * (240, 135) + found.offset - (240, 135)
    np.testing.assert_allclose(middle, (across, down), atol=0.1)


def test_pictures_of_other_things_do_not_register():
    one, other, _ = pictures()
    found = register([(one, other)], Relation((1.0, 1.0), (0.0, 0.0)), ALL)
    assert found.windows < 6 or found.residual > 1.0 or found.peak < 0.4


def test_moments_that_move_differently_settle_the_frame_of_a_pan():
    moments, shift = [], (3.4, -1.6)
    for name, n in (("astronaut", 5), ("coffee", 21), ("chelsea", 40), ("rocket", 58)):
        near = [window(name, n + k)[..., 0].astype(np.float32) for k in (-2, -1, 0, 1, 2)]
        moments.append((near, device(moved(near[2], (1.0, 1.0), shift))))
    chosen = agreeing(moments, Relation((1.0, 1.0), (0.0, 0.0)), ALL)
    right = sum(pair[0] is moment[0][2] for pair, moment in zip(chosen, moments, strict=True))
    assert right == len(moments)


def test_woven_fields_are_combed_and_pictures_are_not():
    first, second = (window("astronaut", n)[..., 0].astype(np.float32) for n in (5, 12))
    woven = first.copy()
    woven[1::2] = second[1::2]
    assert combed_share(first, ALL) < 0.02
    assert combed_share(woven, ALL) > 0.5


def test_a_standing_overlay_over_a_moving_picture_is_found():
    pairs = []
    for n in (2, 9, 16, 23, 30):
        picture = window("coffee", n)[..., 0].astype(np.float32)
        capture = device(picture)
        capture[32:64, 48:144] = 640 + 4 * np.arange(96) % 120
        pairs.append((picture, capture))
    (box,) = still_covers(pairs, Relation((1.0, 1.0), (0.0, 0.0)), ALL)
    np.testing.assert_allclose((box.x, box.y, box.width, box.height), (48, 32, 96, 32), atol=2)
    found = covered_blocks([box], (480, 270))
    assert found[2:4, 3:9].mean() > 0.8
    found[1:5, 2:10] = False
    assert not found.any()
