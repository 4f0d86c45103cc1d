"""Two captures that differ in one known thing are said to differ in that."""

from __future__ import annotations

import math

import jsonschema
import numpy as np
import pytest
from two_captures import (
    base,
    blurred,
    clip,
    rows_doubled,
    sharpened,
    usual,
)

from tonelab.differences.run import compare_clips, with_source
from tonelab.pixels.resampling import KERNELS, resample
from tonelab.signal.description import Signal
from tonelab.views.documents.differences import difference_document, difference_schema

A = clip("a.mkv")


def against_a(**options):
    return compare_clips(A, clip("b.mkv", **options), workers=1)


def value_of(found, name):
    return next(value for value in found.values if value.name == name)


def chroma_by(kernel):
    return lambda frame: (base(frame)[0], *(rows_doubled(p, kernel) for p in base(frame)[1:]))


def scaled_up(kernel):
    """A smaller picture at twice its size."""

    def shown(frame):
        y, *chroma = usual(frame)
        parts = y[:160, :256], *(plane[:160, :128] for plane in chroma)
        return tuple(
            resample(p, (320, 2 * p.shape[1]), (2.0, 2.0), (0.0, 0.0), KERNELS[kernel])[0]
            for p in parts
        )

    return shown


@pytest.fixture(scope="module")
def later():
    return against_a(start=3)


def test_identical_captures_are_matched_in_time(later):
    found = later
    assert found.kind == "none"
    assert found.sentence == "Identical: every sample is the same."
    assert found.offset_frames == 3
    assert all(plane.identical == 1 and plane.largest == 0 for plane in found.planes)
    jsonschema.validate(difference_document(found), difference_schema())


def test_a_gain_and_an_offset_are_levels():
    found = against_a(change=lambda p: (1.03 * p[0] + 6, *p[1:]))
    assert found.kind == "levels"
    gain, offset = (value_of(found, n) for n in ("gain of luma", "offset of luma at black"))
    assert gain.value == pytest.approx(1.03, abs=5e-4)
    assert offset.value == pytest.approx(64 * 0.03 + 6, abs=0.2)
    assert found.left < 0.5


def test_full_range_is_named():
    found = against_a(
        change=lambda p: (
            (p[0] - 64) * 1023 / 876,
            *((plane - 512) * 1023 / 896 + 512 for plane in p[1:]),
        )
    )
    assert found.names == ("A is in narrow range and B in full",)


def test_saturation_and_hue_are_colour():
    turn = math.radians(4)

    def turned(planes):
        y, cb, cr = planes
        cb, cr = cb - 512, cr - 512
        return (
            y,
            1.08 * (cb * math.cos(turn) - cr * math.sin(turn)) + 512,
            1.08 * (cb * math.sin(turn) + cr * math.cos(turn)) + 512,
        )

    found = against_a(change=turned)
    assert found.kind == "colour"
    assert not found.names
    assert value_of(found, "saturation").value == pytest.approx(1.08, abs=2e-3)
    assert value_of(found, "hue").value == pytest.approx(4, abs=0.1)


@pytest.mark.parametrize("kernel", ["nearest", "cubic"])
def test_ways_of_chroma_are_named(kernel):
    found = against_a(shown=chroma_by(kernel))
    assert found.kind == "chroma interpolation"
    assert found.names == ("chroma of A: linear rows", f"chroma of B: {kernel} rows")


@pytest.mark.parametrize(("change", "sharper"), [(sharpened, "B"), (blurred, "A")])
def test_a_filter_is_sharpness(change, sharper):
    found = against_a(change=change)
    assert found.kind == "sharpness or scaling"
    assert f"{sharper} is sharper" in found.sentence
    assert found.left < 1


@pytest.mark.long
def test_two_scalers_differ_only_by_scaling():
    first, second = (clip(k, shown=scaled_up(k)) for k in ("lanczos-3", "bilinear"))
    found = compare_clips(first, second, workers=1)
    assert found.kind == "sharpness or scaling"
    assert "A is sharper" in found.sentence
    assert found.left_chroma < 1
    small = clip("s.mkv", shown=lambda n: (usual(n)[0][:160, :256], *(
        plane[:160, :128] for plane in usual(n)[1:])))  # fmt: skip
    named = with_source(found, first, second, small, workers=1).names
    assert any(n.startswith(f"A is the source scaled with {KERNELS['lanczos-3'].label}")
               for n in named)  # fmt: skip
    assert any(n.startswith("B is the source scaled with bilinear") for n in named)


def test_a_filter_with_levels_is_not_only_sharpness():
    found = against_a(change=lambda p: (1.05 * blurred(p)[0], *p[1:]))
    assert found.kind == "real"
    assert "levels" in found.sentence


def test_a_curve_is_not_only_levels():
    found = against_a(change=lambda p: (64 + 876 * ((p[0] - 64) / 876).clip(0) ** 1.1, *p[1:]))
    assert found.kind == "real"
    assert "no straight line" in found.sentence


@pytest.mark.long
def test_depth_and_dither_are_within_rounding():
    found = against_a(bits=8)
    assert found.kind == "none"
    assert found.names == ("within dither",)
    assert found.floor == pytest.approx(4 / math.sqrt(6))


@pytest.mark.long
def test_noise_is_noise():
    rng = np.random.default_rng(4)
    found = against_a(change=lambda p: tuple(q + rng.normal(0, 3, q.shape) for q in p))
    assert found.kind == "dither or noise"
    assert found.left == pytest.approx(3, abs=0.1)


@pytest.mark.long
def test_a_local_change_is_real_and_placed():
    def local(planes):
        luma = planes[0].copy()
        luma[20:80, 350:450] += 20
        return luma, *planes[1:]

    found = against_a(change=local)
    assert found.kind == "real"
    assert "top right" in found.where[0]
    assert found.planes[0].largest == 20


@pytest.mark.long
def test_the_nearer_to_the_source_is_named(later):
    blunt = clip("b.mkv", change=blurred)
    found = with_source(later, A, blunt, A, workers=1)
    luma = [near.nearer for near in found.nearness if "luma" in near.sense]
    chroma = [near.nearer for near in found.nearness if "chroma" in near.sense]
    assert luma == ["first", "first"]
    assert chroma == ["no difference shown"] * 2
    jsonschema.validate(difference_document(found), difference_schema())


def test_nearness_of_conversions_is_not_given(later):
    hdr = clip("hdr.mkv", signal=Signal("bt2020", "narrow", "pq", "bt2020"))
    found = with_source(later, A, A, hdr, workers=1)
    assert not found.nearness
    assert any("nearness in codes means nothing" in text for text in found.open)
