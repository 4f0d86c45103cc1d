"""Pairing whole clips without a chart: moving photographs, and what is refused."""

from __future__ import annotations

from fractions import Fraction
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from moving import PQ, SDR, moving_planes, simple_device
from scipy import ndimage

from tonelab.errors import PairingError
from tonelab.media import Clip, Frame
from tonelab.pairing import pair, pair_captures

FRAMES = 144
source_planes = cache(lambda n: moving_planes(n, shot=36))


@cache
def converted(n):
    return simple_device(source_planes(n))


class StubClip:
    """A clip in memory, as far as pairing looks at one."""

    bits = 10
    entries = Clip.entries

    def __init__(self, name, pictures, signal, rate=24, interlaced=False):
        self.path = Path(name)
        self.pictures = pictures
        self.frame_count = len(pictures)
        self.signal = signal
        self.rate = Fraction(rate)
        self.interlaced = interlaced
        self.subsampling = "420" if signal.is_hdr else "422"
        self.height, self.width = pictures[0]()[0].shape

    def frames(self, start=0, stop=None):
        for index in range(self.frame_count)[start:stop]:
            yield Frame(index, self.pictures[index]())


def source(frames=range(FRAMES), **options):
    return StubClip("film.mkv", [lambda n=n: source_planes(n) for n in frames], PQ, **options)


def capture(order, change=lambda planes: planes, **options):
    shown = cache(lambda n: change(converted(n)))
    pictures = [lambda n=n: shown(n) for n in order]
    return StubClip("capture.mov", pictures, SDR, **options)


def finding(paired, id_):
    return next(f for f in paired.findings if f.id == id_)


def moved(scale, offset):
    """Scale and shift 4:2:2 planes with SciPy's splines."""

    def change(planes):
        shown = []
        for plane, factor in zip(planes, (1, 2, 2), strict=True):
            step = 1 / np.array(scale[::-1])  # in source samples, down and across
            start = (0.5 - np.array([offset[1], offset[0] / factor])) * step - 0.5
            values = ndimage.affine_transform(
                plane.astype(float), step, start, order=3, mode="nearest"
            )
            shown.append(np.rint(np.clip(values, 4, 1019)).astype(np.uint16))
        return tuple(shown)

    return change


def letterboxed(planes):
    shown = [plane.copy() for plane in planes]
    for plane, black in zip(shown, (64, 512, 512), strict=True):
        plane[:30] = plane[-30:] = black
    return tuple(shown)


def with_menu(planes):
    luma = planes[0].copy()
    luma[32:96, 48:176] = 500 + np.arange(128) % 90
    return luma, *planes[1:]


def menu():
    luma = np.full((270, 480), 300, np.uint16)
    luma[40:90, 60:300] = 700
    grey = np.full((270, 240), 512, np.uint16)
    return luma, grey, grey


@pytest.mark.long
def test_offset_drops_and_a_menu_are_distinguished_from_the_film():
    order = [n for n in range(20, 130) if n not in {60, 61, 95}]
    clip = capture(order)
    clip.pictures = [menu] * 6 + clip.pictures
    clip.frame_count += 6
    paired = pair(source(), clip)
    truth = np.array([-1] * 6 + order)
    np.testing.assert_array_equal(truth[paired.matches[:, 0]], paired.matches[:, 1])
    facts = paired.facts
    assert facts.method == "content"
    assert facts.used + sum(facts.left_out.values()) == len(truth)
    assert facts.left_out["no match"] >= 4
    assert finding(paired, "frames-dropped").value == pytest.approx(3, abs=1)
    assert paired.layout is None
    assert (facts.scale, facts.offset) == ((1.0, 1.0), (0.0, 0.0))
    assert not paired.matches.flags.writeable


def test_film_at_sixty_hertz_is_read_as_three_two():
    order = [n * 24 // 60 for n in range(40, 300)]
    paired = pair(source(), capture(order, rate=60))
    np.testing.assert_array_equal(np.array(order)[paired.matches[:, 0]], paired.matches[:, 1])
    assert "3:2" in finding(paired, "cadence").text
    assert not [f for f in paired.findings if f.severity == "warning"]


@pytest.mark.parametrize(
    ("scale", "offset"),
    [
        pytest.param((1.0, 1.0), (3.37, -1.61), marks=pytest.mark.long),
        pytest.param((1.04, 1.04), (-9.6, -5.4), marks=pytest.mark.long),
        pytest.param((1.0, 0.75), (0.0, 33.75), marks=pytest.mark.long),
    ],
    ids=["shift", "overscan", "squeezed"],
)
def test_scale_and_shift_are_found_to_a_twentieth_of_a_pixel(scale, offset):
    def change(planes):
        shown = moved(scale, offset)(planes)
        return letterboxed(shown) if scale[1] < 1 else shown

    paired = pair(source(), capture(range(10, 90), change))
    ends = np.array([(0, 0), (480, 270)])
    apart = ends * paired.facts.scale + paired.facts.offset - (ends * scale + np.array(offset))
    assert np.abs(apart).max() < 0.05
    truth = paired.matches[:, 0] + 10
    np.testing.assert_array_equal(truth, paired.matches[:, 1])


@pytest.fixture(scope="module")
def barred():
    """The film and a capture of it under letterbox bars."""
    return pair(source(), capture(range(10, 120), letterboxed))


@pytest.mark.long
def test_letterbox_bars_are_left_out(barred):
    assert finding(barred, "picture-bars").value == 30
    assert not barred.usable[0].any()
    assert barred.usable[5:10, 5:20].all()


def test_a_standing_menu_is_left_out():
    paired = pair(source(), capture(range(10, 120), with_menu))
    assert finding(paired, "static-overlay").severity == "warning"
    assert paired.usable[2:6, 3:11].mean() < 0.2
    assert paired.usable[8:15, 14:28].all()


def test_a_still_stands_for_every_frame():
    paired = pair(source([30] * 5), capture([30] * 40))
    assert len(paired.matches) == 40
    assert "any of its frames" in finding(paired, "time-ambiguous").text


@pytest.mark.long
def test_two_captures_of_one_film_pair_with_each_other():
    first = capture(range(10, 90), moved((1.0, 1.0), (2.0, 0.0)))
    paired = pair_captures(first, capture(range(20, 110)))
    assert paired.facts.offset == (-2.0, 0.0)
    np.testing.assert_array_equal(paired.matches[:, 0] + 10, paired.matches[:, 1])


def test_a_pass_through_in_hdr_pairs_frame_by_frame():
    clip = StubClip("loop.mov", [lambda n=n: source_planes(n) for n in range(15, 110)], PQ)
    paired = pair(source(), clip)
    np.testing.assert_array_equal(paired.matches[:, 0] + 15, paired.matches[:, 1])
    assert (paired.facts.scale, paired.facts.offset) == ((1.0, 1.0), (0.0, 0.0))


def test_a_flag_of_interlace_is_held_against_the_pictures():
    paired = pair(source(), capture(range(10, 120), interlaced=True))
    assert "progressive" in finding(paired, "flag-interlaced").text


def woven(n, apart=4):
    planes = [plane.copy() for plane in converted(n)]
    for plane, later in zip(planes, converted(n + apart), strict=True):
        plane[1::2] = later[1::2]
    return tuple(planes)


def test_interlaced_pulldown_is_distinguished_from_blending():
    """Film at 30 interlaced frames: of five, two hold fields of two film frames (SMPTE RP 197)."""
    shown = [(0, 0), (0, 1), (1, 2), (2, 2), (3, 3)]
    first, second = np.array([(4 * n + a, 4 * n + b) for n in range(5, 30) for a, b in shown]).T
    pictures = [
        (lambda n=n: woven(n, 1)) if m > n else (lambda n=n: converted(n))
        for n, m in zip(first, second, strict=True)
    ]
    paired = pair(source(), StubClip("pulldown.mov", pictures, SDR, rate=30))
    facts = paired.facts
    assert "blended" not in facts.left_out
    assert facts.left_out["woven"] > 10
    assert facts.used + sum(facts.left_out.values()) == len(pictures)
    assert (second > first)[paired.matches[:, 0]].mean() < 0.1
    assert "interlaced" in finding(paired, "frames-woven").text


def test_pixels_left_out_are_counted_by_reason(barred):
    left_out = finding(barred, "pixels-left-out")
    assert left_out.value == pytest.approx(100 * (1 - barred.usable.mean()))
    assert "0.0 % under what stands still" in left_out.text


@pytest.mark.parametrize(
    ("clip", "sentence"),
    [
        (
            lambda: StubClip("menu.mov", [menu] * 30, SDR),
            "menu.mov does not show what film.mkv shows: give the clip that was played",
        ),
        (
            lambda: StubClip(
                "other.mov", [lambda n=n: mirrored(converted(n)) for n in range(100)], SDR
            ),
            "other.mov does not show what film.mkv shows",
        ),
        (
            lambda: StubClip("woven.mov", [lambda n=n: woven(n) for n in range(100)], SDR),
            "woven.mov are combed",
        ),
        (
            lambda: capture([36]),
            "capture.mov holds no usable frame .* capture longer",
        ),
    ],
    ids=["menu", "mirrored", "woven", "too short"],
)
def test_what_cannot_be_paired_is_refused_with_the_mend(clip, sentence):
    with pytest.raises(PairingError, match=sentence):
        pair(source(), clip())


def mirrored(planes):
    return tuple(plane[::-1, ::-1].copy() for plane in planes)
