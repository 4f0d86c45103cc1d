"""Finding and reading the marks in pictures as devices and capture cards leave them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from tonelab.chart import Geometry, Layout, locate, read_marker, render_planes, sample_windows
from tonelab.chart.marker import marker_cells
from tonelab.errors import PairingError

LAYOUT = Layout.create("quick", 1280, 720, "pq", 1000, hold=8)


def seen(luma, *, scale=(1.0, 1.0), offset=(0.0, 0.0), size=None, blur=0.0, noise=0.0, curve=None):
    """Show a 10-bit luma plane as another device would; pixel centres at index + 0.5."""
    picture = luma.astype(float) if curve is None else curve(luma.astype(float))
    for axis, factor in enumerate(scale[::-1]):
        # What a scaler does before it leaves out samples.
        if factor < 0.99:
            picture = ndimage.gaussian_filter1d(picture, 0.5 * (1 / factor**2 - 1) ** 0.5, axis)
    width, height = size or (round(luma.shape[1] * scale[0]), round(luma.shape[0] * scale[1]))
    x = (np.arange(width) + 0.5 - offset[0]) / scale[0] - 0.5
    y = (np.arange(height) + 0.5 - offset[1]) / scale[1] - 0.5
    black = picture.min()
    picture = stretched(stretched(picture, y, black).T, x, black).T
    picture = ndimage.gaussian_filter(picture, blur) if blur else picture
    return picture + np.random.default_rng(0).normal(0, noise, picture.shape) if noise else picture


def stretched(rows, position, outside):
    """Interpolate linearly between rows; positions beyond the outermost rows are black bars."""
    low = np.clip(np.floor(position).astype(int), 0, len(rows) - 2)
    share = np.clip(position - low, 0, 1)[:, None]
    result = (1 - share) * rows[low] + share * rows[low + 1]
    result[(position < -0.5) | (position > len(rows) - 0.5)] = outside
    return result


def codes(picture, bits=10):
    return np.clip(np.rint(picture / 2 ** (10 - bits)), 0, 2**bits - 1).astype(np.uint16)


def assert_read(picture, bits, frame, layout=LAYOUT):
    geometry = locate(picture, bits)
    marker = read_marker(picture, geometry, bits)
    assert marker is not None
    assert marker.ok
    assert not marker.blended
    assert (marker.frame, marker.page) == (frame, layout.page_of(frame))
    assert marker.descriptor == layout.descriptor
    return geometry


@pytest.mark.parametrize("frame", range(0, LAYOUT.frame_count, LAYOUT.hold))
def test_an_untouched_picture_is_located_exactly_on_every_page(frame):
    luma, _, _ = render_planes(LAYOUT, frame)
    geometry = assert_read(luma, 10, frame)
    np.testing.assert_allclose(geometry.scale, 16, atol=1e-9)
    np.testing.assert_allclose(geometry.offset, 0, atol=1e-9)
    assert geometry.confidence == 1


@settings(deadline=None, max_examples=20)
@given(
    frame=st.integers(0, LAYOUT.frame_count - 1),
    factor=st.floats(0.45, 1.3),
    aspect=st.floats(0.9, 1.1),
    shift=st.tuples(st.floats(0, 40), st.floats(0, 40)),
    gamma=st.floats(0.4, 1.6),
    white=st.floats(350, 960),
    black=st.floats(0, 120),
    blur=st.floats(0, 1.2),
    noise=st.floats(0, 2),
    bits=st.sampled_from([8, 10]),
)
def test_marks_survive_tone_mapping_scaling_shift_blur_noise_and_eight_bits(
    frame, factor, aspect, shift, gamma, white, black, blur, noise, bits
):
    def curve(code):
        light = np.clip((code - 64) / 700, 0, 1) ** gamma
        return black + (white - black) * light

    scale = (factor, factor * aspect)
    size = (round(1280 * scale[0]) + 80, round(720 * scale[1]) + 80)
    luma, _, _ = render_planes(LAYOUT, frame)
    picture = seen(luma, scale=scale, offset=shift, size=size, blur=blur, noise=noise, curve=curve)
    geometry = assert_read(codes(picture, bits), bits, frame)
    corners = np.array([[0, 0], [80, 45]])
    x, y = geometry.to_picture(*corners.T)
    np.testing.assert_allclose(x, corners[:, 0] * 16 * scale[0] + shift[0], atol=0.2)
    np.testing.assert_allclose(y, corners[:, 1] * 16 * scale[1] + shift[1], atol=0.2)


@pytest.mark.parametrize("frame", range(0, LAYOUT.frame_count, LAYOUT.hold))
@pytest.mark.parametrize("power", [1.0, 5.0])
def test_marks_are_read_where_ten_codes_lie_between_dark_and_bright(frame, power):
    luma, _, _ = render_planes(LAYOUT, frame)

    def dark(code):
        # The marks, at code 509, come to stand ten codes above black.
        return 64 + 10 * (np.maximum(code - 64, 0) / (509 - 64)) ** power

    assert_read(codes(seen(luma, curve=dark)), 10, frame)


@pytest.mark.parametrize("factor", [0.5, 2 / 3, 1.5, 2.0, 2.2])
def test_scaled_captures_are_located_to_a_twentieth_of_a_pixel(factor):
    luma, _, _ = render_planes(LAYOUT, 20)
    geometry = locate(codes(seen(luma, scale=(factor, factor))), 10)
    np.testing.assert_allclose(np.array(geometry.scale) * 80, 1280 * factor, atol=0.05)
    np.testing.assert_allclose(geometry.offset, 0, atol=0.05)


def test_two_percent_of_overscan_at_each_side_leaves_the_marks_readable():
    luma, _, _ = render_planes(LAYOUT, 20)
    scale = 1 / 0.96
    offset = (-0.02 * 1280 * scale, -0.02 * 720 * scale)
    picture = codes(seen(luma, scale=(scale, scale), offset=offset, size=(1280, 720)))
    geometry = assert_read(picture, 10, 20)
    np.testing.assert_allclose(geometry.offset, offset, atol=0.2)
    windows, chroma = sample_windows(LAYOUT, geometry, "420")
    lost = windows[:, 2] == 0
    left = LAYOUT.patches.x + 16 / 3
    right = LAYOUT.patches.x + LAYOUT.patches.width - 16 / 3
    assert np.array_equal(lost, (left < 0.02 * 1280) | (right > 0.98 * 1280))
    assert np.array_equal(lost, chroma[:, 2] == 0)


@pytest.mark.parametrize("share", [0.2, 0.5, 0.8])
def test_a_blend_of_neighbouring_frames_is_recognised(share):
    first, second = (render_planes(LAYOUT, n)[0].astype(float) for n in (20, 21))
    picture = codes(share * first + (1 - share) * second)
    marker = read_marker(picture, locate(picture, 10), 10)
    assert marker is not None
    assert marker.blended


@pytest.mark.parametrize(
    "picture",
    [
        np.full((720, 1280), 64, np.uint16),
        np.random.default_rng(1).integers(64, 940, (720, 1280)).astype(np.uint16),
        np.tile(np.linspace(64, 940, 1280).astype(np.uint16), (720, 1)),
        np.kron(np.indices((18, 32)).sum(0) % 2 * 600 + 64, np.ones((40, 40))).astype(np.uint16),
        np.zeros((8, 8), np.uint16),
    ],
    ids=["black", "noise", "ramp", "checkerboard", "tiny"],
)
def test_pictures_without_the_chart_are_refused_with_the_mend(picture):
    with pytest.raises(PairingError, match="no chart marks in the picture: capture the chart full"):
        locate(picture, 10)


def test_a_body_full_of_isolated_bright_squares_does_not_mislead():
    luma = render_planes(LAYOUT, 20)[0].copy()
    luma[48:-48] = 64
    luma[48:-48].reshape(39, 16, 80, 16)[::2, :, ::2, :] = 700
    assert_read(luma, 10, 20)


def test_a_menu_in_place_of_the_chart_reads_as_no_marker():
    geometry = Geometry((16.0, 16.0), (0.0, 0.0), (1280, 720))
    assert read_marker(np.full((720, 1280), 300, np.uint16), geometry, 10) is None
    assert read_marker(np.full((300, 1280), 300, np.uint16), geometry, 10) is None


def test_a_wrong_bit_fails_the_check():
    luma = render_planes(LAYOUT, 20)[0].copy()
    row, column = slice(16, 32), slice(16 * 20, 16 * 22)
    luma[row, column] = luma[row, column][:, ::-1]
    marker = read_marker(luma, locate(luma, 10), 10)
    assert marker is not None
    assert not marker.ok


@given(
    frame=st.integers(0, 2**24 - 2), page=st.integers(0, 255), descriptor=st.integers(0, 2**48 - 1)
)
def test_every_frame_has_as_many_bright_cells_and_gray_neighbours(frame, page, descriptor):
    cells = marker_cells(frame, page, descriptor)
    assert cells.sum() == cells.size / 2
    # The first row holds the frame number alone.
    assert (cells[0] != marker_cells(frame + 1, page, descriptor)[0]).sum() == 2
