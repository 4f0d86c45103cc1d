"""What stands over the picture: small and large, over content and over the chart."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from charted import MemoryClip, capture_signal, clean, layout_of, pointwise, source_clip
from faults.study import to_sdr
from moving import PQ, moving_planes

from tonelab.chart import render_planes, sample_windows
from tonelab.checks import examine
from tonelab.checks.run import gather_pair
from tonelab.pairing import pair
from tonelab.signal.description import Signal

LAYOUT = layout_of(hold=8)
PLACE = (602, 250)


@cache
def page(number):
    return clean(render_planes(LAYOUT, number))


def with_pointer(planes, x=PLACE[0], y=PLACE[1]):
    """Lay a pointer of 12 x 18 pixels over a picture, black with a white outline."""
    luma = planes[0].copy()
    luma[y : y + 18, x : x + 12] = 940
    luma[y + 2 : y + 16, x + 2 : x + 10] = 64
    return luma, *planes[1:]


def over_numbers(rows):
    """Lay a flat bar over some rows of the middle of the picture."""

    def change(planes):
        luma = planes[0].copy()
        luma[rows, 300:640] = 400
        return luma, *planes[1:]

    return change


def captured(change):
    return MemoryClip(
        "capture.mov", lambda n: change(page(n)), LAYOUT.frame_count, capture_signal(), "422"
    )


@pytest.fixture(scope="module")
def pointed():
    return pair(source_clip(LAYOUT), captured(with_pointer))


def test_a_pointer_over_the_chart_is_found_in_place_and_size(pointed):
    (found,) = [f for f in pointed.findings if f.id == "static-overlay"]
    (left, top, right, bottom) = pointed.geometry_capture.covers[0]
    np.testing.assert_allclose((left, top, right, bottom), (600, 248, 616, 270), atol=3)
    assert "12 x 18 pixels at (602, 250)" in found.text


def test_what_a_pointer_covers_is_left_out_of_all_other_questions(pointed):
    luma, _ = sample_windows(LAYOUT, pointed.geometry_capture, "422")
    covered = luma[:, 2] == 0
    assert 0 < covered.sum() < 0.02 * len(covered)
    verdicts = {}
    for result in examine(gather_pair(pointed))[0]:
        verdicts |= {f.id: f.verdict for f in result.findings}
    assert verdicts.pop("static-overlay") == "not transparent"
    assert verdicts.pop("identity") == "transparent"
    assert "not transparent" not in verdicts.values()


@pytest.mark.parametrize("rows", [slice(8, 38), slice(502, 532)], ids=["upper", "lower"])
def test_a_covered_strip_of_marks_is_read_from_the_other(rows):
    paired = pair(source_clip(LAYOUT), captured(over_numbers(rows)))
    assert "blended" not in paired.facts.left_out
    assert "unreadable" not in paired.facts.left_out
    assert (paired.matches[:, 0] == paired.matches[:, 1]).all()
    assert [f.id for f in paired.findings] == ["static-overlay"]
    assert len(paired.matches) > LAYOUT.frame_count / 2


@pytest.mark.long
def test_a_small_logo_over_content_is_found_in_place_and_size():
    def device(n):
        return with_pointer(clean(moving_planes(n, shot=36)), 200, 120)

    source = MemoryClip("film.mkv", lambda n: moving_planes(n, shot=36), 100, PQ, "420")
    paired = pair(source, MemoryClip("capture.mov", device, 100, PQ, "422"))
    (found,) = [f for f in paired.findings if f.id == "static-overlay"]
    assert "at (2" in found.text
    assert not paired.usable[120 // 16 : 138 // 16 + 1, 200 // 16 : 212 // 16 + 1].any()
    assert paired.usable[10:, :8].any()


def wandering(n):
    return 180 + 3 * n, 60 + n


@pytest.mark.long
def test_a_pointer_that_moves_over_content_is_found_in_size_and_place():
    def device(n):
        return with_pointer(clean(moving_planes(n, shot=36)), *wandering(n))

    source = MemoryClip("film.mkv", lambda n: moving_planes(n, shot=36), 72, PQ, "420")
    paired = pair(source, MemoryClip("capture.mov", device, 72, PQ, "422"))
    (found,) = [f for f in paired.findings if f.id == "moving-overlay"]
    assert found.value == pytest.approx(12 * 18, rel=0.3)
    on_its_way = {wandering(n) for n in range(72)}
    for left, top, _, _ in paired.geometry_capture.covers:
        assert min(abs(left + 2 - x) + abs(top + 2 - y) for x, y in on_its_way) <= 4


def test_a_pointer_that_moves_over_the_chart_is_found():
    def device(n):
        return with_pointer(page(n), 200 + 6 * n, 120 + 3 * n)

    capture = MemoryClip("capture.mov", device, LAYOUT.frame_count, capture_signal(), "422")
    paired = pair(source_clip(LAYOUT), capture)
    (found,) = [f for f in paired.findings if f.id == "moving-overlay"]
    assert found.value == pytest.approx(12 * 18, rel=0.4)


@pytest.mark.long
def test_colours_that_a_conversion_makes_darker_are_no_pointer():
    """Patches of the chart whose luma no curve predicts, beside a large bar that stands still."""
    device = pointwise(to_sdr)

    def shown(planes):
        luma = planes[0].copy()
        luma[334:442, 114:438] = 300
        return luma, *planes[1:]

    capture = MemoryClip(
        "capture.mov", lambda n: shown(device(page(n))), LAYOUT.frame_count, Signal(), "422"
    )
    found = {f.id for f in pair(source_clip(LAYOUT), capture).findings}
    assert "static-overlay" in found
    assert "moving-overlay" not in found


@pytest.mark.long
def test_a_moving_object_of_the_source_is_no_cover_though_its_levels_change():
    """A disc whose luma comes out far too low: it looks the same, but so does its source."""

    def picture(n):
        luma, *chroma = moving_planes(n, shot=36)
        y, x = np.mgrid[:270, :480]
        disc = (x - 100 - 3 * n) ** 2 + (y - 135) ** 2 < 15**2
        return np.where(disc, 600, luma).astype(np.uint16), *chroma, disc

    def device(n):
        *planes, disc = picture(n)
        luma, *chroma = clean(planes)
        return np.where(disc, 450, luma).astype(np.uint16), *chroma

    source = MemoryClip("film.mkv", lambda n: picture(n)[:3], 72, PQ, "420")
    paired = pair(source, MemoryClip("capture.mov", device, 72, PQ, "422"))
    assert "moving-overlay" not in {f.id for f in paired.findings}
