"""Finding the time of captured frames from thumbnails alone."""

from __future__ import annotations

from dataclasses import fields
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from moving import moving_planes, simple_device

from tonelab.pairing.alignment import Coarse, cuts, find_places, follow, is_still, rough_tone
from tonelab.pairing.thumbnails import (
    COLUMNS,
    FINE,
    ROWS,
    Area,
    RoughTone,
    fingerprints,
    shrinker,
)

FRAMES = 192
SHOT = 48
SHRINK = shrinker(Area(0, 0, 480, 270), (270, 480))


@cache
def thumbs():
    """Thumbnails of the source and of its conversion, frame by frame."""
    pictures = [moving_planes(n, shot=SHOT) for n in range(FRAMES)]
    converted = [simple_device(picture) for picture in pictures]
    return tuple(
        np.array([SHRINK(planes[0].astype(np.float32)) for planes in clips])
        for clips in (pictures, converted)
    )


def place(capture, step=1.0):
    source, _ = thumbs()
    coarse = find_places(source, capture, step, 24)
    return follow(source, capture, coarse, rough_tone(source, capture, coarse), step)


def wrong(path, order):
    """Captured frames placed on a source frame that differs visibly from the true one."""
    source, _ = thumbs()
    order = np.array(order)
    apart = np.abs(source[path.places].astype(float) - source[order]).mean(axis=(1, 2))
    return np.count_nonzero((path.places != order) & (apart > 0.05 * FINE))


@st.composite
def orders(draw):
    """Source frames in the order in which a careless device shows them."""
    start = draw(st.integers(0, 60))
    stop = draw(st.integers(start + 60, FRAMES))
    odd = draw(st.dictionaries(st.integers(start, stop), st.integers(0, 4), max_size=8))
    return [n for n in range(start, stop) for _ in range(odd.get(n, 1))]


@pytest.mark.long
@given(orders(), st.integers(0, 2**32 - 1))
@settings(max_examples=12, deadline=None)
def test_offset_drops_and_repeats_are_followed_exactly(order, seed):
    _, converted = thumbs()
    noise = np.random.default_rng(seed).normal(0, 0.1 * FINE, (len(order), ROWS, COLUMNS))
    noisy = np.rint(converted[order] + noise).astype(np.uint16)
    assert wrong(place(noisy), order) == 0


@pytest.mark.parametrize(
    ("source_rate", "capture_rate"),
    [(24, 60), (30, 60), (24, 25), (24, 23), (50, 60), (24, 24)],
)
def test_cadences_are_followed_exactly(source_rate, capture_rate):
    _, converted = thumbs()
    order = [n * source_rate // capture_rate for n in range(20, 150 * capture_rate // source_rate)]
    assert wrong(place(converted[order], source_rate / capture_rate), order) == 0


@given(
    st.floats(0.35, 0.5), st.sets(st.integers(4, 19).map(lambda n: 8 * n), min_size=1, max_size=5)
)
@settings(max_examples=6, deadline=None)
def test_the_share_of_a_blended_frame_is_estimated(share, frames):
    source, converted = thumbs()
    capture = converted[20:170].copy()
    moving = [
        n
        for n in frames
        if np.abs(source[n + 1] * 1.0 - source[n]).mean() > 3 * FINE and n % SHOT < 30
    ]
    for n in moving:
        capture[n - 20] = np.rint((1 - share) * converted[n] + share * converted[n + 1])
    path = place(capture)
    for n in moving:
        near = path.places[n - 20] == n
        found = path.blend[n - 20] if near else 1 - path.blend[n - 20]
        assert found == pytest.approx(share, abs=0.2)
        assert path.explained[n - 20] > 0.4


def test_unblended_frames_are_not_taken_for_blends():
    _, converted = thumbs()
    path = place(converted[10:180])
    assert np.count_nonzero((path.blend > 0.1) & (path.explained > 0.5)) <= 1


@given(st.floats(0.3, 3.0), st.floats(1.0, 1.3))
@settings(max_examples=20, deadline=None)
def test_no_rising_curve_changes_fingerprints(power, gain):
    source, _ = thumbs()
    few = source[::20]
    mapped = gain * (few / FINE - 60) ** power
    mapped = np.rint(1000 * FINE * mapped / mapped.max()).astype(np.uint16)
    alike = (fingerprints(few) * fingerprints(mapped)).sum(axis=1)
    assert alike.min() > 0.9


def test_unlike_pictures_have_unlike_fingerprints():
    source, _ = thumbs()
    features = fingerprints(source[12::SHOT])
    likeness = features @ features.T
    assert np.abs(likeness - np.eye(len(features))).max() < 0.3


def test_cuts_are_found_and_pans_are_none():
    source, _ = thumbs()
    assert cuts(source).tolist() == [0, 48, 96, 144]


def test_a_still_source_is_known():
    source, _ = thumbs()
    assert is_still(source[[5, 5, 5]])
    assert not is_still(source[:20])


def test_rough_tone_is_the_curve_between_thumbnails():
    source, _ = thumbs()
    x = (source[::10] / FINE).astype(np.float32)
    tone = RoughTone.fit(x, (100 + 0.5 * x).astype(np.float32))
    middle = np.linspace(150, 550, 9, dtype=np.float32)
    np.testing.assert_allclose(tone(middle), 100 + 0.5 * middle, atol=1.5)


def test_thumbnail_cells_are_area_means_with_cut_pixels():
    picture = np.arange(54 * 96, dtype=np.float32).reshape(54, 96) / 8
    whole = shrinker(Area(0, 0, 96, 54), picture.shape)(picture) / FINE
    np.testing.assert_allclose(whole, picture.reshape(27, 2, 48, 2).mean(axis=(1, 3)), atol=0.01)
    moved = shrinker(Area(0.5, 0, 48.5, 27), picture.shape)(picture) / FINE
    between = (picture[:27, :48] + picture[:27, 1:49]) / 2
    np.testing.assert_allclose(moved, between, atol=0.01)


def test_light_that_few_pictures_show_is_on_the_rough_curve_too():
    """A shot whose darkest cells no other shot has is no foreign picture."""
    generator = np.random.default_rng(3)
    source = generator.uniform(300 * FINE, 600 * FINE, (96, ROWS, COLUMNS)).astype(np.uint16)
    source[40:44, :4] = generator.uniform(90 * FINE, 200 * FINE, (4, 4, COLUMNS))
    source[70, :4] = generator.uniform(700 * FINE, 720 * FINE, (4, COLUMNS))
    capture = (64 * FINE + 0.7 * (source - 64.0 * FINE)).astype(np.uint16)
    coarse = find_places(source, capture, 1.0, 24)
    seen = np.flatnonzero(coarse.frames != 70)  # among many more the sample misses some
    coarse = Coarse(*(getattr(coarse, field.name)[seen] for field in fields(Coarse)))
    path = follow(source, capture, coarse, rough_tone(source, capture, coarse), 1.0)
    assert path.places.tolist() == list(range(96))
    assert path.misfit.max() < 0.5
