"""A second chart for one device: what it shows, what it is good for, and what is refused."""

from __future__ import annotations

import hashlib
import io
import json
from dataclasses import replace
from fractions import Fraction

import jsonschema
import numpy as np
import pytest
from make_measurement import make_measurement
from played import played
from rich.console import Console

from tonelab.bench.standard_files import _tallies
from tonelab.chart import Group, Layout, chart_signal, find_chart, write_chart
from tonelab.chart.patches import refined_count
from tonelab.cli import main
from tonelab.conversion import ChainPart, Conversion
from tonelab.correction.look import learn_look
from tonelab.correction.second_chart import (
    Left,
    check_same_device,
    check_second,
    finding_of,
    judge_second,
    mark_of,
    second_chart,
)
from tonelab.curvefile import load, save
from tonelab.errors import ChartError, UsageError
from tonelab.measure import reduce
from tonelab.media import open_clip, write_clip
from tonelab.readings import readings_of
from tonelab.results import ClipFacts, FurtherChart, Tallies
from tonelab.signal.colorimetry import rgb_to_ycbcr
from tonelab.signal.description import Signal
from tonelab.views.document import document, document_schema
from tonelab.views.page.sections.provenance.facts import facts
from tonelab.views.terminal.summary import summary

FIRST = Layout.create("quick", 960, 540, "pq", 1000, hold=4)
CHAIN = Conversion(
    ChainPart("reinhard-peak", {"semi_saturation": 100.0, "peak": 1000.0}),
    gamut=ChainPart("none"),
)


def untouched(codes):
    """Real-valued codes (N, 3) of the chain alone."""
    return CHAIN.codes(np.asarray(codes, float), chart_signal(FIRST), Signal(), rounded=False)


def twisted(codes, turn=10.0):
    """The chain, and hues within 25 degrees of one turned by up to ``turn`` degrees."""
    luma, *chroma = untouched(codes).T
    plane = (chroma[0] - 512) + 1j * (chroma[1] - 512)
    away = np.abs((np.degrees(np.angle(plane)) - 100 + 180) % 360 - 180)
    plane *= np.exp(1j * np.radians(turn) * np.clip(1 - away / 25, 0, 1))
    return np.stack([luma, 512 + plane.real, 512 + plane.imag], axis=-1)


def kinked(codes):
    """The chain, and luma that no longer rises from a level on that depends on blue."""
    found = untouched(codes)
    found[:, 0] -= np.maximum(found[:, 0] + 0.7 * (found[:, 1] - 512) - 550, 0)
    return found


def whole(codes):
    return np.clip(np.floor(codes + 0.5), 4, 1019).astype(np.int64)


def sums(layout, convert):
    source = layout.patches.code.astype(np.int64)
    return _tallies(layout, source, whole(convert(source)))


def measured(convert, static="static"):
    """A measurement whose chain is that of the device but for what it does locally."""
    made = make_measurement("Box")
    return replace(
        made,
        tallies=sums(FIRST, convert),
        source=ClipFacts("chart", "mkv", "ffv1", 960, 540, "24", 1, "420", chart_signal(FIRST)),
        conversion=replace(made.conversion, structure=CHAIN.to_dict(), static=static),
    )


def with_second(first, convert, pages=1):
    layout = second_chart(first, "box.h5", pages=pages, hold=4)
    chart = FurtherChart(
        first.source, first.capture, first.pairing, sums(layout, convert), 0, 0.0, 0.0, 0.0, 0.0
    )
    return layout, replace(first, further=(*first.further, chart))


def missed(measurement, convert):
    """RMS in codes on colours that no chart shows, of those that the device converts oddly."""
    signal = np.random.default_rng(3).uniform(0, 0.74, (20000, 3))
    source = rgb_to_ycbcr(signal, "bt2020") * (876, 896, 896) + (64, 512, 512)
    truth = convert(source)
    odd = np.abs(truth - untouched(source)).max(axis=1) > 1
    given = rgb_to_ycbcr(learn_look(measurement)(signal[odd]), "bt709")
    return np.sqrt(np.mean((given * (876, 896, 896) + (64, 512, 512) - truth[odd]) ** 2))


@pytest.fixture(scope="module")
def box():
    return measured(twisted)


@pytest.fixture(scope="module")
def second(box):
    return with_second(box, twisted)


@pytest.mark.parametrize("convert", [twisted, kinked])
def test_what_a_device_does_locally_is_predicted_better_with_a_second_chart(convert):
    first = measured(convert)
    _, merged = with_second(first, convert, pages=3)
    left = judge_second(first, merged)
    assert left.count > 1000
    assert left.after < 0.6 * left.before
    assert missed(merged, convert) < 0.75 * missed(first, convert)


def test_new_colours_stand_where_the_device_bends(second):
    layout, _ = second
    codes = layout.patches.code[layout.free]
    odd = np.abs(twisted(codes) - untouched(codes)).max(axis=1) > 1
    shown = FIRST.patches.code[FIRST.patches.group == Group.LATTICE]
    usual = np.abs(twisted(shown) - untouched(shown)).max(axis=1) > 1
    assert odd.mean() > 3 * usual.mean()
    assert not {tuple(code) for code in codes.tolist()} & {tuple(code) for code in shown.tolist()}


def test_a_third_chart_repeats_no_colour_and_extends_the_second(second):
    layout, merged = second
    third, again = with_second(merged, twisted)
    assert third.refinement.mark == mark_of(merged) != layout.refinement.mark
    codes = [
        {tuple(code) for code in one.patches.code[one.free].tolist()} for one in (layout, third)
    ]
    assert not codes[0] & codes[1]
    assert missed(again, twisted) < missed(merged, twisted)


def test_charts_count_as_one(box, second):
    layout, merged = second
    alone, both = (readings_of(one) for one in (box, merged))
    colours = {tuple(code) for code in layout.patches.code[layout.free].tolist()}
    assert len(both.colours) == len(alone.colours) + len(colours)
    np.testing.assert_array_equal(both.neutrals.source, alone.neutrals.source)
    grey = both.neutrals.count[:, 0].sum() - alone.neutrals.count[:, 0].sum()
    assert grey == np.count_nonzero(layout.patches.group == Group.NEUTRAL)
    keys, source, _ = both.by_key()
    assert np.all(np.diff(keys) > 0)
    assert len(source) == len(alone.by_key()[0]) + len(colours)


def test_curve_file_keeps_each_chart_with_its_own_facts(second, tmp_path):
    _, merged = second
    clip = replace(merged.further[0].source, name="second clip.mp4", sha256="cd" * 32)
    kept = replace(merged, further=(replace(merged.further[0], source=clip, after_codes_rms=0.4),))
    save(kept, tmp_path / "box2.h5")
    again = load(tmp_path / "box2.h5")
    assert again.further == kept.further
    said = document(again)
    jsonschema.validate(said, document_schema())
    (chart,) = said["further"]
    assert (chart["source"]["sha256"], chart["after_codes_rms"]) == ("cd" * 32, 0.4)
    assert mark_of(again) == mark_of(kept)
    console = Console(width=300, file=io.StringIO())
    console.print(summary(again))
    assert "second clip.mp4 as capture" in console.file.getvalue()
    assert "second clip.mp4" in dict(facts(again))["Further source clip"]


def test_the_same_second_layout_is_drawn_for_ever():
    # A change of this digest is a new REFINED_VERSION: charts in the field are rebuilt from it.
    codes = np.full((refined_count(2), 3), 512)
    patches = Layout.create_refined(FIRST, codes, mark=9, hold=4).patches
    table = np.column_stack([patches.page, patches.x, patches.y, patches.width, patches.group])
    digest = hashlib.sha256(np.column_stack([table, patches.code]).astype("<i4").tobytes())
    assert digest.hexdigest()[:16] == "dc4ee8f653734b4f"


@pytest.mark.parametrize("suffix", [".mkv", ".mp4"])
def test_colours_are_read_from_the_pictures_that_carry_them(suffix, second, tmp_path):
    layout, _ = second
    path = tmp_path / f"second clip{suffix}"
    write_chart(path, layout, rate=Fraction(24))
    with open_clip(path) as clip:
        read = find_chart(clip).layout
    assert read.descriptor == layout.descriptor
    # Means of patches of the lossy chart stay within a fifth of a code, but for a few.
    away = np.abs(read.patches.code - layout.patches.code)
    assert away.max() <= (0 if suffix == ".mkv" else 1)
    assert np.mean(away > 0) < 0.03


def test_marks_alone_tell_everything_but_the_colours(second):
    layout, _ = second
    blank = Layout.from_descriptor(layout.descriptor, 960, 540)
    assert blank.with_colours(layout.patches.code[layout.free]) == layout
    assert 0 <= layout.descriptor < 2**48
    assert set(blank.patches.code[blank.free].ravel()) == {-1}
    assert len(layout.pages) == 2


def test_what_does_not_belong_together_is_refused(box, second):
    layout, merged = second
    with pytest.raises(UsageError, match="nothing without the first"):
        check_second(layout, "second.mp4", None)
    with pytest.raises(UsageError, match="is not a second chart"):
        check_second(FIRST, "clip.mp4", box)
    with pytest.raises(UsageError, match="made for another measurement"):
        check_second(layout, "second.mp4", merged)
    content = replace(box, tallies=Tallies.empty_content((1024, 1024)))
    with pytest.raises(UsageError, match="is not one of the chart"):
        check_second(layout, "second.mp4", content)
    check_second(layout, "second.mp4", box)
    assert check_same_device(box, merged.further[0].tallies, "capture.mov") == 0
    other = sums(layout, lambda codes: twisted(codes) * (1.02, 1, 1))
    with pytest.raises(UsageError, match=r"up to \d+\.\d codes from where Box put them"):
        check_same_device(box, other, "capture.mov")


@pytest.mark.parametrize(
    ("convert", "static", "sentence"),
    [
        (untouched, "static", "has nothing to add"),
        (twisted, "local", "of a device that is local"),
        (twisted, "scene-dependent", "lands on several codes"),
    ],
)
def test_a_chart_that_would_be_of_no_use_is_not_made(convert, static, sentence):
    with pytest.raises(UsageError, match=sentence):
        second_chart(measured(convert, static), "box.h5")


def test_impossible_second_charts_are_refused(box):
    with pytest.raises(ChartError, match="fill no whole pages"):
        Layout.create_refined(FIRST, np.zeros((7, 3), int), 0)
    with pytest.raises(ChartError, match="no second chart"):
        Layout.create_refined(Layout.create_sdr(), np.zeros((refined_count(1), 3), int), 0)
    with pytest.raises(ChartError, match="cannot stand for 1 frames"):
        second_chart(box, "box.h5", hold=1)


@pytest.mark.parametrize(
    ("left", "static", "words"),
    [
        (Left(900, 3.0, 0.3, 0.29, 0.0), "static", "rests at the floor"),
        (Left(900, 3.0, 1.0, 0.29, 0.0), "static", "not at the floor yet"),
        (Left(900, 3.0, 2.95, 0.29, 0.0), "static", "more sharply"),
        (Left(900, 3.0, 1.0, 0.29, 0.99), "static", "noise, 0.99 codes"),
        (Left(900, 3.0, 1.0, 0.29, 0.0), "local", "the device is local"),
    ],
)
def test_finding_says_where_prediction_rests_and_why(left, static, words):
    finding = finding_of(left, static)
    assert words in finding.text
    assert (finding.value, finding.count) == (left.after, 900)


def capture_of(clip, path, convert):
    with open_clip(clip) as source:
        pictures = played((frame.planes for frame in source.frames()), lambda c: whole(convert(c)))
        write_clip(
            path, pictures, width=960, height=540, rate=Fraction(24), subsampling="422",
            bits=10, codec="v210", signal=Signal(bits=10),
        )  # fmt: skip
    return str(path)


@pytest.mark.long
def test_two_clips_become_one_curve_file(tmp_path, capsys):
    clip, box = str(tmp_path / "test clip.mkv"), str(tmp_path / "box.h5")
    made = ["--rate", "24", "--hold", "0.17"]
    assert main(["chart", clip, "--quick", "--size", "960x540", *made]) == 0
    capture = capture_of(clip, tmp_path / "first.mov", twisted)
    assert main(["measure", clip, capture, "--device", "Box", "-o", box]) == 0
    second = str(tmp_path / "second clip.mkv")
    assert main(["chart", second, "--refine", box, "--pages", "1", *made]) == 0
    assert f"--with {box} -o NAME.h5" in capsys.readouterr().err
    captures = [
        capture_of(second, tmp_path / f"{name}.mov", convert)
        for name, convert in (("second", twisted), ("other", untouched))
    ]
    words = ["measure", second, captures[0], "-o", str(tmp_path / "box2.h5")]
    assert main([*words, "--device", "Box"]) == 2
    assert "with --with" in capsys.readouterr().err
    assert main([*words, "--with", box, "--firmware", "9"]) == 2
    assert "firmware" in capsys.readouterr().err
    assert main([*words, "--with", box, "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    (chart,) = said["further"]
    assert chart["source"]["name"] == "second clip.mkv"
    assert len(chart["capture"]["sha256"]) == 64
    assert chart["after_codes_rms"] < 0.6 * chart["before_codes_rms"]
    assert said["findings"][0]["id"] == "second-chart"
    assert said["device"] == "Box"
    kept = load(tmp_path / "box2.h5")
    anew = reduce(
        kept.tallies, kept.source, kept.capture, pairing=kept.pairing, device="Box",
        further=kept.further,
    )  # fmt: skip
    assert anew.conversion.held_out_codes_rms == kept.conversion.held_out_codes_rms
    assert anew.conversion.count > load(box).conversion.count
