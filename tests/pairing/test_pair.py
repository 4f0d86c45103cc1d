"""Pairing simulated captures with their source."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from tonelab.chart import Layout, chart_signal, render_planes
from tonelab.errors import PairingError
from tonelab.media import Clip, Frame
from tonelab.pairing import pair
from tonelab.signal.description import Signal

LAYOUT = Layout.create("quick", 960, 540, "pq", 1000, hold=8)
RATE = Fraction(24000, 1001)


class StubClip:
    """A clip in memory, as far as pairing looks at one."""

    interlaced = False
    subsampling = "420"
    rows = Clip.rows
    entries = Clip.entries

    def __init__(self, name, pictures, signal, bits=10, rate=RATE, **fields):
        self.path = Path(name)
        self.pictures = pictures
        self.frame_count = len(pictures)
        self.signal = signal
        self.bits = bits
        self.rate = rate
        for field, value in fields.items():
            setattr(self, field, value)
        self.height, self.width = pictures[0]()[0].shape

    def frames(self, start=0, stop=None):
        for index in range(self.frame_count)[start:stop]:
            yield Frame(index, self.pictures[index]())


SDR = Signal().with_fields("declared", transfer="bt1886")
SOURCE_SIGNAL = chart_signal(LAYOUT).with_fields("declared", transfer="pq")


def source_clip(layout=LAYOUT, name="chart.mp4", signal=SOURCE_SIGNAL, **fields):
    pictures = [lambda n=n: render_planes(layout, n) for n in range(layout.frame_count)]
    return StubClip(name, pictures, signal, **fields)


def tone_mapped(planes):
    luma = np.clip((planes[0].astype(float) - 64) / 700, 0, 1) ** 0.8 * 800 + 70
    return np.rint(luma).astype(np.uint16), planes[1], planes[2]


def menu():
    grey = np.full((540, 960), 300, np.uint16)
    grey[100:200, 100:400] = 700
    return grey, grey[::2, ::2], grey[::2, ::2]


def shown(*numbers, layout=LAYOUT):
    """Tone mapped picture of a frame, or of the even mixture of several."""

    def picture():
        frames = [tone_mapped(render_planes(layout, n)) for n in numbers]
        return tuple(
            np.mean(planes, axis=0).astype(np.uint16) for planes in zip(*frames, strict=True)
        )

    return picture


def capture_clip(order, name="capture.mov", signal=SDR, layout=LAYOUT, **fields):
    pictures = [
        menu if n is None else shown(*np.atleast_1d(n).tolist(), layout=layout) for n in order
    ]
    return StubClip(name, pictures, signal, **fields)


def finding(paired, id_):
    return next(f for f in paired.findings if f.id == id_)


def test_a_capture_with_offset_drops_repeats_and_blends_is_paired_exactly():
    order = [None] * 9 + [*range(3, 21), (21, 22), 22, 22, *range(26, 72), None]
    paired = pair(source_clip(), capture_clip(order))
    wanted = []
    runs = np.array([-1 if not isinstance(n, int) else n for n in order])
    for n in range(len(order)):
        if runs[n] < 0 or runs[n] % 8 < 2:
            continue
        page = runs[n] // 8
        same = np.flatnonzero((runs >= 0) & (runs // 8 == page))
        if n not in (same[0], same[-1]):
            wanted.append([n, runs[n]])
    assert paired.matches.tolist() == wanted
    assert paired.layout == LAYOUT
    facts = paired.facts
    assert (facts.method, facts.used, facts.first_frame) == ("chart", len(wanted), wanted[0][1])
    assert facts.left_out["unreadable"] == 10
    assert facts.left_out["blended"] == 1
    assert facts.used + sum(facts.left_out.values()) == len(order)
    np.testing.assert_allclose([*facts.scale, *facts.offset], [1, 1, 0, 0], atol=1e-3)
    assert finding(paired, "frames-dropped").value == 3
    assert finding(paired, "frames-repeated").value == 1
    assert finding(paired, "frames-blended").severity == "warning"
    assert {f.id for f in paired.findings} == {
        "frames-dropped",
        "frames-repeated",
        "frames-blended",
        "frames-unreadable",
    }


def test_a_clean_capture_has_no_findings_and_progress_reaches_the_end():
    seen = []
    paired = pair(source_clip(), capture_clip(range(72)), progress=lambda *done: seen.append(done))
    assert paired.findings == ()
    assert seen[-1] == (72, 72)
    assert not paired.matches.flags.writeable


def test_film_captured_at_sixty_hertz_repeats_without_alarm():
    order = [n * 24 // 60 for n in range(80)]
    paired = pair(source_clip(), capture_clip(order, rate=Fraction(60000, 1001)))
    assert finding(paired, "frames-repeated").severity == "info"
    assert all(order[c] == s for c, s in paired.matches)


def test_a_half_size_eight_bit_rgb_capture_is_paired():
    def small(number):
        planes = tone_mapped(render_planes(Layout.create("quick", 1920, 1080, hold=8), number))
        green = planes[0].reshape(540, 2, 960, 2).mean(axis=(1, 3)) / 4
        return (np.rint(green).astype(np.uint16),) * 3

    layout = Layout.create("quick", 1920, 1080, hold=8)
    rgb = Signal("rgb", "full", bits=8)
    capture = StubClip("c.mkv", [lambda n=n: small(n) for n in range(10, 20)], rgb, bits=8)
    paired = pair(source_clip(layout), capture)
    assert paired.matches[:, 1].tolist() == [11, 12, 13, 14, 18]
    np.testing.assert_allclose(paired.facts.scale, 0.5, atol=1e-4)
    np.testing.assert_allclose(paired.facts.offset, 0, atol=0.01)
    assert finding(paired, "picture-scaled").value == pytest.approx(0.5, abs=1e-4)
    missing = finding(paired, "pages-missing")
    assert missing.value == 5
    assert "pages 3, 4, 5, 6, 7)" in missing.text


def test_a_cut_and_shifted_picture_is_named():
    def moved(number):
        return tuple(np.roll(p, 7 * p.shape[1] // 960, axis=1) for p in shown(number)())

    capture = StubClip("c.mov", [lambda n=n: moved(n) for n in range(8, 16)], SDR)
    paired = pair(source_clip(), capture)
    shift = finding(paired, "picture-shifted")
    assert shift.value == pytest.approx(7, abs=0.02)
    assert finding(paired, "picture-cropped").value > 0


@pytest.mark.parametrize(
    ("source", "capture", "error", "sentence"),
    [
        (
            lambda: capture_clip(range(40)),
            source_clip,
            PairingError,
            r"The first clip, capture.mov, is SDR and the second, chart.mp4, is HDR: swap them",
        ),
        (
            lambda: capture_clip(range(40), signal=Signal(origins={"transfer": "assumed"})),
            lambda: source_clip(signal=Signal(origins={"transfer": "assumed"})),
            PairingError,
            r"capture.mov shows the chart, but \d+ codes away .* clip that was played first",
        ),
        (
            lambda: source_clip(signal=SDR),
            lambda: capture_clip(range(40)),
            PairingError,
            r"chart.mp4 is read as SDR \(bt1886\): .* state transfer=pq",
        ),
        (
            source_clip,
            lambda: capture_clip(range(40), interlaced=True),
            PairingError,
            "capture.mov is flagged as interlaced.*progressive",
        ),
        (
            lambda: source_clip(bits=8),
            lambda: capture_clip(range(40)),
            PairingError,
            "source chart.mp4 has 8 bits and HDR needs 10",
        ),
        (
            lambda: StubClip("film.mp4", [menu] * 3, SOURCE_SIGNAL),
            lambda: capture_clip(range(40)),
            PairingError,
            "capture.mov does not show what film.mp4 shows: give the clip that was played",
        ),
        (
            source_clip,
            lambda: StubClip("menu.mov", [menu] * 9, SDR),
            PairingError,
            "no chart marks in menu.mov: capture the chart full screen",
        ),
        (
            source_clip,
            lambda: capture_clip([5]),
            PairingError,
            r"capture.mov holds no usable frame of the chart \(1 page change\)",
        ),
        (
            source_clip,
            lambda: capture_clip(range(20), layout=Layout.create("quick", 960, 540, hold=9)),
            PairingError,
            "capture.mov shows another chart than the source",
        ),
    ],
    ids=[
        "swapped",
        "swapped, untagged",
        "source tagged SDR",
        "interlaced",
        "8-bit source",
        "other content",
        "no marks",
        "too short",
        "another chart",
    ],
)
def test_what_cannot_be_paired_is_refused_with_the_mend(source, capture, error, sentence):
    with pytest.raises(error, match=sentence):
        pair(source(), capture())


@pytest.mark.parametrize("part", [slice(None, None, 2), slice(4, None)], ids=["retimed", "cut"])
def test_a_source_that_was_edited_is_refused(part):
    source = source_clip()
    source.pictures = source.pictures[part]
    source.frame_count = len(source.pictures)
    with pytest.raises(PairingError, match="do not follow each other as in the chart"):
        pair(source, capture_clip(range(20)))


def test_an_untagged_source_with_the_charts_own_codes_is_accepted():
    untagged = source_clip(signal=Signal(origins={"transfer": "assumed"}))
    assert len(pair(untagged, capture_clip(range(20))).matches)
