"""Measuring without the chart: moving photographs through converters that nobody here wrote."""

from __future__ import annotations

import sys
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction
from functools import reduce as fold

import numpy as np
import pytest
from converters import convert_clip, ffmpeg_tonemap
from hypothesis import given, settings
from hypothesis import strategies as st
from moving import PQ, moving_planes
from numpy.testing import assert_allclose

from tonelab.chart import Group, Layout, write_chart
from tonelab.cli import main
from tonelab.conversion import TONE_CURVES
from tonelab.curvefile import load, save
from tonelab.identify import families
from tonelab.measure import measure
from tonelab.media import open_clip, write_clip
from tonelab.pairing import pair
from tonelab.readings.colours import gather, gather_cells, gather_tones
from tonelab.readings.curves import luminance_curve
from tonelab.results.tallies import NO_CHART
from tonelab.signal.description import Signal
from tonelab.tallies.content import find_places, flat_cells, plan_content
from tonelab.tallies.kernels import add_samples, keep_flat, reduce_cells
from tonelab.tallies.run import run, tally

SIZE = (480, 270)
FRAMES = 144
NAMES = ("astronaut", "camera", "coffee", "moon", "chelsea", "coins", "rocket", "camera")
CODES = (1024, 1024)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("natural content")
    frames = (
        moving_planes(n, names=NAMES, shot=18, size=SIZE, zoom=3.0, speed=0.35)
        for n in range(FRAMES)
    )
    write_clip(
        folder / "film.mkv",
        frames,
        width=SIZE[0],
        height=SIZE[1],
        rate=Fraction(24),
        subsampling="420",
        bits=10,
        codec="ffv1",
        signal=PQ,
    )
    write_chart(folder / "chart.mkv", Layout.create("quick", 960, 540, hold=4), rate=Fraction(24))
    for name in ("film", "chart"):
        converter = ffmpeg_tonemap("hable", exact=False)  # as it comes
        convert_clip(folder / f"{name}.mkv", folder / f"{name}.mov", converter)
    return folder


@pytest.fixture(scope="module")
def paired(folder):
    return pair(open_clip(folder / "film.mkv"), open_clip(folder / "film.mov"))


@pytest.fixture(scope="module")
def tallied(paired):
    return tally(paired, workers=1)


@pytest.fixture(scope="module")
def film(folder, paired, tallied):
    # For the sake of time: two tone curves of all, and nothing paired twice.
    few = {name: TONE_CURVES[name] for name in ("hable", "reinhard")}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(families, "TONE_CURVES", few)
        # The package's attribute of this name may be the function.
        module = sys.modules["tonelab.measure"]
        patch.setattr(module, "pair", lambda *_, **__: paired)
        patch.setattr(module, "tally", lambda *_, **__: tallied)
        return measure(folder / "film.mkv", folder / "film.mov", device="Box")


@pytest.fixture(scope="module")
def chart_curve(folder):
    seen = pair(open_clip(folder / "chart.mkv"), open_clip(folder / "chart.mov"))
    neutrals = gather(tally(seen), seen.layout, Group.NEUTRAL)
    neutrals = neutrals[np.argsort(neutrals.source[:, 0], kind="stable")]
    return luminance_curve(neutrals, seen.source.signal, code_step=1)


@pytest.mark.long
def test_the_curve_is_the_charts_within_the_bands(film, chart_curve):
    ours, theirs = film.luminance_curve, chart_curve
    expected = np.interp(ours.source_code, theirs.source_code, theirs.smooth)
    band = np.interp(ours.source_code, theirs.source_code, theirs.high - theirs.low)
    allowed = (band + ours.high - ours.low) / 2
    inside = (ours.luminance < 1000) & ~ours.clipped
    assert inside.sum() > 250
    apart = np.abs(ours.smooth - expected)[inside]
    assert np.mean(apart <= allowed[inside]) > 0.95
    assert np.sqrt(np.mean(apart**2)) < 0.5


@pytest.mark.long
def test_the_conversion_is_found_from_the_colours_of_photographs(film):
    assert film.conversion.family == "hable"
    assert film.conversion.parameters["white"].value == pytest.approx(100, rel=0.01)
    assert film.conversion.parameters["peak"].value == pytest.approx(1000, rel=0.01)
    assert "max-rgb" in film.conversion.drive
    assert film.conversion.static != "scene-dependent"


@pytest.mark.long
def test_what_the_content_does_not_show_stays_open(film):
    gaps = next(f for f in film.findings if f.id == "curve-coverage")
    steps = np.diff(film.luminance_curve.source_code)
    assert gaps.value == np.count_nonzero(steps > 8)
    light = film.luminance_curve.luminance
    for mark in film.landmarks:
        if mark.luminance and mark.code is not None:
            above = np.searchsorted(light, mark.luminance)
            assert steps[above - 1] <= 8


@pytest.mark.long
def test_colours_that_are_missing_are_told_by_hue_and_level(film):
    # Photographs of faces, coffee and sky hold no green; and not all parts are told apart.
    assert " or " in film.conversion.drive
    (found,) = [f for f in film.findings if f.id == "colour-coverage"]
    assert found.severity == "warning"
    assert "8 green" in found.text
    assert "red" not in found.text.partition("above 100")[0].rpartition(";")[2]


@pytest.mark.long
def test_a_curve_file_keeps_all_that_identifying_anew_needs(film, tmp_path):
    save(film, tmp_path / "film.h5")
    kept = load(tmp_path / "film.h5")
    assert kept.tallies == film.tallies
    assert kept.tallies.layout == NO_CHART
    np.testing.assert_array_equal(kept.luminance_curve.smooth, film.luminance_curve.smooth)


@pytest.mark.long
def test_measurements_of_content_compare_by_their_greys(film, tmp_path, capsys):
    save(film, tmp_path / "film.h5")
    assert main(["compare", str(tmp_path / "film.h5"), str(tmp_path / "film.h5")]) == 0
    assert "same converter" in capsys.readouterr().out


def test_any_split_of_the_frames_gives_the_same_bytes(paired, tallied):
    with ThreadPoolExecutor(2) as threads:
        parts = list(threads.map(lambda job: run(job, CODES), plan_content(paired, 37)))
    assert fold(lambda a, b: a + b, parts) == tallied


def test_tables_count_flat_places_of_both_kinds(paired, tallied):
    tables = tallied.tables
    frames = len(np.unique(paired.matches[:, 1]))
    assert tables["source_histogram"][0].sum() == frames * SIZE[0] * SIZE[1]
    assert 0 < tables["tone_count"].sum() < tables["cell_count"].sum()
    tones, cells = gather_tones(tallied), gather_cells(tallied)
    np.testing.assert_array_equal(tones.source[:, 0], tones.patch)
    assert np.abs(tones.source[:, 1:] - 512).max() <= 0.3
    assert set(cells.page) == {0, 1}


def test_flat_places_lie_in_usable_blocks_and_are_flat(paired):
    job = next(plan_content(paired))
    places = find_places(job)
    frame = next(paired.source.frames(60, 61))
    flat = flat_cells(paired.source, frame, places)
    rows, columns = np.nonzero(flat)
    assert len(rows) > 100
    assert paired.usable[rows * 2 // 16, columns * 2 // 16].all()
    for y, x in list(zip(rows, columns, strict=True))[::50]:
        near = frame.planes[0][2 * y - 4 : 2 * y + 6, 2 * x - 4 : 2 * x + 6]
        assert int(near.max()) - int(near.min()) <= 20


@given(st.integers(5, 30), st.integers(5, 30), st.integers(1, 2), st.integers(0, 2**32 - 1))
@settings(max_examples=30, deadline=None)
def test_kernels_equal_their_numpy_definition(height, width, reach, seed):
    rng = np.random.default_rng(seed)
    plane = rng.integers(500, 512, (2 * height, 2 * width)).astype(np.uint16)
    low, high = np.empty((2, height, width), np.uint16)
    reduce_cells(plane, 2, 2, low, high)
    blocks = plane.reshape(height, 2, width, 2)
    np.testing.assert_array_equal(low, blocks.min(axis=(1, 3)))
    np.testing.assert_array_equal(high, blocks.max(axis=(1, 3)))

    flat = rng.random((height, width)) < 0.8
    expected = np.zeros_like(flat)
    for y in range(reach, height - reach):
        for x in range(reach, width - reach):
            window = np.s_[y - reach : y + reach + 1, x - reach : x + reach + 1]
            expected[y, x] = flat[y, x] and int(high[window].max()) - int(low[window].min()) <= 10
    keep_flat(low, high, reach, 10, flat)
    np.testing.assert_array_equal(flat, expected)

    source, capture = rng.integers(0, 1024, (2, 50, 3)).astype(np.uint16)
    rows = rng.integers(-1, 7, 50)
    count, sums = np.zeros(7, np.int64), np.zeros((3, 7, 3), np.int64)
    add_samples(source, capture, rows, count, *sums)
    for row in range(7):
        of = capture[rows == row].astype(np.int64)
        assert count[row] == len(of)
        np.testing.assert_array_equal(sums[1, row], of.sum(axis=0))
        np.testing.assert_array_equal(sums[2, row], (of**2).sum(axis=0))
        np.testing.assert_array_equal(sums[0, row], source[rows == row].astype(int).sum(axis=0))


def test_an_untagged_source_is_refused_with_the_statement_to_make(folder, tmp_path, capsys):
    words = [str(folder / "film.mov"), str(folder / "film.mov"), "--device", "Box"]
    assert main(["measure", *words, "-o", str(tmp_path / "out.h5")]) == 2
    said = capsys.readouterr().err
    assert "transfer=pq" in said
    assert "Traceback" not in said
    assert list(tmp_path.iterdir()) == []


def write_sdr(path, pictures):
    """Write SDR pictures of flat fields, each field a code (rows, columns, 3), two frames long."""
    planes = [
        tuple(
            np.kron(codes[..., n], np.ones((16, side), np.uint16)).astype(np.uint16)
            for n, side in enumerate((16, 8, 8))
        )
        for codes in pictures
        for _ in range(2)
    ]
    write_clip(
        path, planes, width=384, height=240, rate=Fraction(24), subsampling="422", bits=10,
        codec="ffv1", signal=Signal(),
    )  # fmt: skip


def test_sdr_that_was_passed_through_is_held_against_its_source(tmp_path, capsys):
    """Contrast of 0.95 moves greys by 5 % of their distance from black, and lights by its power."""
    random, pictures = np.random.default_rng(3), []
    for _ in range(16):
        rgb = random.uniform(0, 1, (15, 24, 3))
        grey = random.random((15, 24)) < 0.5
        rgb[grey] = random.uniform(0, 1, grey.sum())[:, None]
        luma = rgb @ (0.2126, 0.7152, 0.0722)  # BT.709-6
        chroma = (rgb[..., 2] - luma) / 1.8556, (rgb[..., 0] - luma) / 1.5748
        coded = np.stack([64 + 876 * luma, *(512 + 896 * c for c in chroma)], -1)
        pictures.append(coded.round().astype(np.uint16))
    film, capture, file = (tmp_path / name for name in ("film.mkv", "capture.mkv", "box.h5"))
    write_sdr(film, pictures)
    low = np.array([64, 512, 512])
    write_sdr(capture, [np.round(low + 0.95 * (one - low)).astype(np.uint16) for one in pictures])
    words = ["measure", str(film), str(capture), "--device", "Box", "-o", str(file)]
    assert main(words) == 2
    assert "transfer=bt1886 if SDR was passed through" in capsys.readouterr().err
    assert main([*words, "--source-signal", "transfer=bt1886", "-vv"]) == 0
    found = load(file)
    (score,) = found.scores
    assert score.standard == "source"
    assert score.luminance_error == pytest.approx(100 * (1 - 0.95**2.4), abs=0.5)
    curve = found.luminance_curve
    assert_allclose(curve.code, 64 + 0.95 * (curve.source_code - 64), atol=0.6)
    (finding,) = [one for one in found.findings if one.id == "source-is-sdr"]
    assert "stated to be bt1886" in finding.text
