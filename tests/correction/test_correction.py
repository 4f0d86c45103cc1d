"""Corrections: tables against an independent library, files against independent readers, looks
against published conversions and converters that nobody here wrote."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from fractions import Fraction
from html import escape
from pathlib import Path

import numpy as np
import pytest
import skimage.data
from converters import convert_patches, ocio_aces
from make_measurement import make_measurement
from moving import PQ, moving_planes
from numpy.testing import assert_allclose
from rich.console import Console
from simulated import SimulatedDevice

from tonelab.bench.standard_files import _tallies
from tonelab.chart import Layout
from tonelab.cli import main
from tonelab.conversion import ChainPart, Conversion
from tonelab.conversion.standards import STANDARDS
from tonelab.conversion.standards.bt2446 import method_a_up
from tonelab.correction import correct, verify
from tonelab.correction.bake import Correction, numbers_of, signals_of
from tonelab.correction.files import (
    apply_lut3d,
    describe_coding,
    open_reader,
    read_descriptors,
    write_correction,
)
from tonelab.correction.look import learn_look
from tonelab.correction.refine import refine
from tonelab.correction.regions import gain
from tonelab.correction.spline import fit_spline
from tonelab.correction.table import READERS, LookTable, interpolate, lattice, thin
from tonelab.curvefile import load, save
from tonelab.errors import UsageError
from tonelab.media import open_clip, write_clip
from tonelab.results import ClipFacts, Finding
from tonelab.signal.colorimetry import delta_e_itp, matrix_rgb_to_rgb, rgb_to_ycbcr
from tonelab.signal.description import Signal
from tonelab.signal.quantisation import quantise, ycbcr_to_codes
from tonelab.signal.transfer import eotf_inverse_pq

STANDARD_FILES = Path(__file__).parents[2] / "curves" / "standards"
FLOORS = 1.5
CURVED = LookTable(
    0.0, 1.0, np.stack([c**p for c, p in zip(lattice(0, 1, 9).T, (2, 0.7, 1.3), strict=True)], -1)
    .reshape(9, 9, 9, 3),
)  # fmt: skip
RGB = Signal(matrix="rgb", range="full")


@pytest.fixture(scope="module")
def pictures():
    """Codes (N, 3) of SDR photographs, expanded to 1000 cd/m2 as BT.2446 method A says."""
    found = []
    for name in ("astronaut", "coffee", "chelsea", "rocket"):
        shown = getattr(skimage.data, name)()[::9, ::9].reshape(-1, 3) / 255
        wide = np.maximum(shown**2.4 @ matrix_rgb_to_rgb("bt709", "bt2020").T, 0) ** (1 / 2.4)
        signal = eotf_inverse_pq(method_a_up(wide))
        found.append(quantise(ycbcr_to_codes(rgb_to_ycbcr(signal, "bt2020"), 10, "narrow"), 10))
    return np.concatenate(found)


@pytest.fixture(scope="module")
def bt2446a():
    return load(STANDARD_FILES / "bt2446a-1000.h5")


def measured(codes_of, name, kind="full"):
    """Measurement of a device given by its codes, with a chain that does not explain it."""
    layout = Layout.create(kind, 1920, 1080, "pq", 1000, hold=4)
    source = layout.patches.code.astype(np.int64)
    captured = codes_of(source.astype(np.uint16)).astype(np.int64)
    chain = Conversion(ChainPart("linear", {"white": 203.0}), gamut=ChainPart("none"))
    made = make_measurement(name)
    return replace(
        made,
        tallies=_tallies(layout, source, captured),
        source=ClipFacts("chart", "mkv", "ffv1", 1920, 1080, "24", 1, "420", PQ),
        conversion=replace(made.conversion, structure=chain.to_dict(), static="static"),
    )


def distance(rgb, seen):
    """ΔE_ITP between R'G'B' put into 10-bit codes and a converter's codes, and rounding's own."""
    target = Signal()
    given = quantise(ycbcr_to_codes(rgb_to_ycbcr(rgb, "bt709"), 10, "narrow"), 10)
    moved = seen + np.random.default_rng(1).uniform(-0.5, 0.5, seen.shape)

    def light(code):
        from tonelab.readings.colours import shown_light

        return shown_light(np.asarray(code, float), target)

    return delta_e_itp(light(given), light(seen)), delta_e_itp(light(moved), light(seen)).mean()


@pytest.mark.parametrize("reader", READERS)
def test_table_equals_an_independent_interpolation(reader):
    from colour.algebra import table_interpolation

    numbers = np.random.default_rng(0).uniform(0, 1, (500, 3))
    expected = table_interpolation(
        numbers, CURVED.values, {"tetrahedral": "Tetrahedral", "trilinear": "Trilinear"}[reader]
    )
    assert_allclose(CURVED.read(numbers, reader), expected, atol=1e-6)


@pytest.mark.parametrize("suffix", [".clf", ".cube"])
def test_a_file_written_anew_under_its_name_is_read_anew(suffix, tmp_path):
    path, numbers = tmp_path / f"look{suffix}", np.full((1, 3), 0.4)
    for table in (CURVED, replace(CURVED, values=1 - CURVED.values)):
        write_correction(path, table, {}, ("A look",), overwrite=True)
        assert_allclose(open_reader(path)(numbers), table.read(numbers, "tetrahedral"), atol=1e-5)


@pytest.mark.parametrize("suffix", [".clf", ".cube"])
def test_file_says_what_it_is_and_readers_apply_it(suffix, tmp_path):
    path = tmp_path / f"a look é{suffix}"
    narrow = replace(RGB, range="narrow", transfer="pq", primaries="bt2020")
    said = {"InputDescriptor": describe_coding(narrow), "OutputDescriptor": describe_coding(RGB)}
    assert write_correction(path, CURVED, said, ("First line", "second")) < 1e-5
    first, second = read_descriptors(path)
    assert (first.range, first.transfer, first.primaries) == ("narrow", "pq", "bt2020")
    assert (second.range, second.transfer, second.primaries) == ("full", "bt1886", "bt709")
    assert "second" in path.read_text(encoding="utf-8")
    numbers = np.random.default_rng(2).uniform(0, 1, (100, 3))
    assert_allclose(open_reader(path)(numbers), CURVED.read(numbers, "tetrahedral"), atol=1e-5)
    if suffix == ".cube":
        plain = tmp_path / "plain.cube"
        plain.write_bytes(path.read_bytes())
        for reader in READERS:
            read = apply_lut3d(plain, numbers, reader)
            assert_allclose(read, CURVED.read(numbers, reader), atol=1e-5)
    else:
        assert 'interpolation="tetrahedral"' in path.read_text(encoding="utf-8")
        assert "http://www.smpte-ra.org/ns/2136-1/2024" in path.read_text(encoding="utf-8")


def test_file_that_a_reader_reads_otherwise_never_appears(tmp_path, monkeypatch):
    path = tmp_path / "look.cube"
    path.write_text("what stood here")
    monkeypatch.setattr(LookTable, "read", lambda _self, numbers, _reader: numbers + 0.001)
    with pytest.raises(UsageError, match="differs by"):
        write_correction(path, CURVED, {}, ("line",), overwrite=True)
    assert path.read_text() == "what stood here"
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.long
def test_unmatched_converter_is_reproduced_on_pictures(pictures, tmp_path):
    converter = ocio_aces("2.0")
    device = measured(converter.convert, "unmatched")
    seen = convert_patches(pictures, converter).astype(float)
    # The chain given here explains nothing, so that 65 nodes stay above 1.5 floors.
    for size, floors in ((65, 2.0), (33, 2.5)):
        correction = correct(device, size=size)
        correction.save(tmp_path / f"{size}.clf")
        coding = replace(correction.input, range="full")
        given = open_reader(tmp_path / f"{size}.clf")(numbers_of(PQ.decode_rgb(pictures), coding))
        error, floor = distance(given, seen)
        assert error.mean() <= floors * floor
        assert np.percentile(error, 99) < 3


@pytest.mark.parametrize("ranges", [("full", "full"), ("narrow", "narrow")])
def test_standard_is_reproduced_in_either_range(ranges, bt2446a, pictures, tmp_path):
    correction = correct(bt2446a, size=65, input_range=ranges[0], output_range=ranges[1])
    correction.save(tmp_path / "look.clf")
    rgb = PQ.decode_rgb(pictures)
    scale = {"full": (0, 1023), "narrow": (64, 876)}  # BT.2100-2 table 9
    numbers = (scale[ranges[0]][0] + scale[ranges[0]][1] * rgb) / 1023
    out = open_reader(tmp_path / "look.clf")(numbers)
    given = (1023 * out - scale[ranges[1]][0]) / scale[ranges[1]][1]
    wanted = STANDARDS["bt2446a"].convert(PQ.decode_light(pictures), source_peak=1000.0)
    seen = quantise(ycbcr_to_codes(rgb_to_ycbcr(wanted, "bt709"), 10, "narrow"), 10).astype(float)
    error, floor = distance(given, seen)
    assert error.mean() <= FLOORS * floor


def test_a_table_holds_super_white_unless_told_otherwise(pictures, tmp_path):
    """A device that ends at 1.08, by its definition and not by a chain of ours."""

    def codes_of(source):
        light = PQ.decode_light(source.astype(float))
        rgb = 1.08 * np.minimum(light / 600, 1.0) ** (1 / 2.4)
        return quantise(ycbcr_to_codes(rgb_to_ycbcr(rgb, "bt709"), 10, "narrow"), 10)

    device = measured(codes_of, "bright")
    seen = codes_of(pictures).astype(float)
    missed = {}
    for wanted, asked in ((None, "narrow"), ("full", "full")):
        correction = correct(device, size=33, output_range=wanted)
        assert correction.output.range == asked
        assert any("signals from" in note for note in correction.notes)
        correction.save(tmp_path / "look.clf", overwrite=True)
        numbers = numbers_of(PQ.decode_rgb(pictures), correction.input)
        given = signals_of(open_reader(tmp_path / "look.clf")(numbers), correction.output)
        missed[asked] = distance(given, seen)[0]
    brightest = seen[:, 0] > 950
    assert brightest.sum() > 20
    assert missed["narrow"][brightest].mean() < 0.3 * missed["full"][brightest].mean()
    assert correct(load(STANDARD_FILES / "bt2446a-1000.h5"), size=17).output.range == "full"


@pytest.mark.long
def test_device_becomes_another_where_it_is_invertible(bt2446a, pictures, tmp_path):
    other = load(STANDARD_FILES / "bt2390-ictcp-1000.h5")
    correction = correct(bt2446a, toward=other, size=33)
    correction.save(tmp_path / "repair.clf")
    light = PQ.decode_light(pictures)
    first, second = (
        STANDARDS[name].convert(light, source_peak=1000.0) for name in ("bt2446a", "bt2390-ictcp")
    )
    kept = (first.min(axis=1) > 0.01) & (first.max(axis=1) < 0.99)
    captured = quantise(ycbcr_to_codes(rgb_to_ycbcr(first, "bt709"), 10, "narrow"), 10)
    given = open_reader(tmp_path / "repair.clf")(
        numbers_of(Signal().decode_rgb(captured[kept]), correction.input)
    )
    seen = ycbcr_to_codes(rgb_to_ycbcr(second[kept], "bt709"), 10, "narrow")
    assert kept.mean() > 0.5
    assert distance(given, seen)[0].mean() < 1
    assert correction.masks["not invertible"].sum() > 0
    assert {doubt.reason for doubt in correction.doubts} <= set(correction.masks)
    counted = sum(d.count for d in correction.doubts if d.reason == "not invertible")
    assert counted == correction.masks["not invertible"].sum()


@pytest.mark.long
def test_simulated_devices_become_one_another_or_say_where_not(pictures):
    """Devices of which only captures are seen, each picture's colour judged or flagged."""
    first = SimulatedDevice("luminance", "reinhard-extended", order="matrix-first")
    second = SimulatedDevice("max-rgb", "hable", {"white": 120.0, "peak": 1400.0})

    def shown(device, codes):
        return coded(device.signal(PQ.decode_light(codes)))

    def coded(ycbcr):
        return quantise(ycbcr_to_codes(ycbcr, 10, "narrow"), 10).astype(np.uint16)

    files = [
        measured(lambda codes, of=one: shown(of, codes), "simulated") for one in (first, second)
    ]
    correction = correct(files[0], toward=files[1], size=65)
    seen, wanted = (shown(one, pictures).astype(float) for one in (first, second))
    numbers = numbers_of(Signal().decode_rgb(seen), correction.input)
    place = tuple(np.rint(correction.table.place(numbers)).astype(int).T)
    size = (correction.table.size,) * 3
    flagged = np.any([mask.reshape(size)[place] for mask in correction.masks.values()], axis=0)
    given = signals_of(correction.table.read(numbers, "tetrahedral"), correction.output)
    sound = ~flagged
    assert sound.mean() > 0.5
    assert distance(given[sound], wanted[sound])[0].mean() < 1
    clipped = np.ptp(np.clip(Signal().decode_rgb(seen), 0, 1), axis=1) > 0
    clipped &= Signal().decode_rgb(seen).max(axis=1) > 0.9995
    assert flagged[clipped].all()


def test_capture_goes_back_to_its_source(bt2446a, pictures):
    correction = correct(bt2446a, toward="source", size=33)
    assert correction.output.transfer == "pq"
    light = PQ.decode_light(pictures)
    shown = STANDARDS["bt2446a"].convert(light, source_peak=1000.0)
    kept = (shown.min(axis=1) > 0.05) & (shown.max(axis=1) < 0.95)
    numbers = correction.table.read(numbers_of(shown[kept], correction.input), "tetrahedral")
    back = signals_of(numbers, correction.output)
    assert np.median(np.abs(back - PQ.decode_rgb(pictures)[kept])) < 0.003


def test_fewer_nodes_read_nearer_than_every_other_one():
    fine = CURVED.values[..., :1]
    here = lattice(0, 8, 9)
    few, every = thin(fine), fine[::2, ::2, ::2]
    error = [np.sqrt(np.mean((interpolate(v, here / 2, "tetrahedral") - fine.reshape(-1, 1)) ** 2))
             for v in (few, every)]  # fmt: skip
    assert error[0] < 0.8 * error[1]


def test_spline_goes_through_its_nodes_and_its_cube_is_the_same():
    spline = fit_spline(CURVED.values, 0.7)
    assert_allclose(spline(lattice(0, 0.7, 9)), CURVED.values.reshape(-1, 3), atol=1e-9)
    axis = np.linspace(-0.1, 0.9, 6)
    assert_allclose(spline.cube(axis), spline(lattice(-0.1, 0.9, 6)), atol=1e-9)


def test_what_a_lattice_is_too_coarse_for_is_found_near_the_greys():
    random = np.random.default_rng(5)
    signal = random.uniform(0.1, 0.7, (4000, 1)) + random.uniform(-0.05, 0.05, (4000, 3))
    chroma = np.ptp(signal, axis=1, keepdims=True)
    left = 0.02 * np.exp(-((chroma / 0.05) ** 2)) * np.array([1.0, -1.0, 0.5])
    noise = random.uniform(-0.5, 0.5, left.shape) / 876
    values = refine(signal[::2], (left + noise)[::2], 0.8, 65)
    found = interpolate(values, signal[1::2] / 0.8 * 64, "trilinear")
    assert np.sqrt(np.mean((found - left[1::2]) ** 2)) < 0.1 * np.sqrt(np.mean(left**2))
    assert np.abs(values[0, :, -1]).max() < 1e-4


def test_gain_is_the_largest_slope():
    signal = lattice(0, 1, 5)
    matrix = np.array([[5.0, 1.0, 0.0], [0.0, 0.5, 2.0], [0.0, 0.0, 0.1]])
    largest = np.linalg.svd(matrix, compute_uv=False)[0]
    assert_allclose(gain(signal @ matrix.T, signal, 5), largest, rtol=1e-6)


def test_varying_device_is_refused_or_says_by_how_much(bt2446a):
    moved = Finding("repeated-colours", "warning", "They move.", value=7.25, unit="codes")
    varying = replace(
        bt2446a, conversion=replace(bt2446a.conversion, static="local"), findings=(moved,)
    )
    with pytest.raises(UsageError, match="accept-average"):
        correct(varying, size=17)
    accepted = correct(varying, size=17, accept_average=True)
    assert any("7.2" in line and "AVERAGE" in line for line in accepted.lines())


def test_sources_of_different_kinds_are_refused(bt2446a):
    hlg = replace(bt2446a.source.signal, transfer="hlg")
    other = replace(bt2446a, source=replace(bt2446a.source, signal=hlg))
    with pytest.raises(UsageError, match="share no colours"):
        correct(bt2446a, toward=other, size=17)


def test_content_gives_covered_and_uncovered_nodes(bt2446a):
    correction = correct(bt2446a, size=17, whole=True)
    assert isinstance(correction, Correction)
    above = signals_of(correction.table.nodes(), correction.input).max(axis=1) > 0.76
    assert correction.masks["not measured"][above].all()
    assert not correction.masks["not measured"].all()
    assert learn_look(bt2446a).top == pytest.approx(0.7518, abs=1e-4)  # ST 2084, 1000 cd/m2
    console = Console(file=io.StringIO(), width=120)
    console.print(correction)
    for words in ("17^3, 4913 nodes", "Where not to trust it", f"{correction.kind}: "):
        assert words in console.file.getvalue()
        assert escape(words) in correction._repr_html_()
    assert "read back" not in console.file.getvalue()  # no file was written


def nearest_chroma(plane):
    return np.kron(plane, np.ones((2, 2), np.uint16))


def through_bt2446a(planes, widen=nearest_chroma):
    """4:2:2 planes of 4:2:0 planes of PQ: a converter made here from the published standard."""
    luma, *chroma = planes
    wide = [widen(plane) for plane in chroma]
    light = PQ.decode_light(np.stack([luma, *wide], -1).reshape(-1, 3))
    rgb = STANDARDS["bt2446a"].convert(light, source_peak=1000.0)
    code = quantise(ycbcr_to_codes(rgb_to_ycbcr(rgb, "bt709"), 10, "narrow"), 10)
    picture = code.reshape(*luma.shape, 3)
    return picture[..., 0], picture[:, ::2, 1], picture[:, ::2, 2]


def write_pair(folder, shown, widen=nearest_chroma):
    """Write pictures and what the converter makes of them; return both files."""
    paths = folder / "film.mkv", folder / "capture.mkv"
    height, width = shown[0][0].shape
    parts = (shown, "420", PQ), ([through_bt2446a(p, widen) for p in shown], "422", Signal())
    for path, (planes, subsampling, signal) in zip(paths, parts, strict=True):
        write_clip(
            path, iter(planes), width=width, height=height, rate=Fraction(24),
            subsampling=subsampling, bits=10, codec="ffv1", signal=signal,
        )  # fmt: skip
    return paths


@pytest.mark.long
def test_verify_prints_what_a_made_capture_deserves(bt2446a, tmp_path, capsys):
    paths = write_pair(tmp_path, [moving_planes(n, size=(320, 180)) for n in range(12)])
    look = tmp_path / "look.cube"
    correct(bt2446a, size=33, whole=True).save(look)
    found = verify(look, *paths)
    assert found.what == "flat places"
    assert found.count > 10_000
    assert found.median < 1.5
    assert 0 < found.luminance_error < 1.0
    wrong = tmp_path / "wrong.cube"
    correct(load(STANDARD_FILES / "clip-100-1000.h5"), size=17, whole=True).save(wrong)
    assert main(["verify", str(wrong), *map(str, paths), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["mean"] > 3 * found.mean


def smooth_chroma(plane):
    """Chroma of 4:2:0 sited top left at every sample of luma, by splines of the first order."""
    from scipy.ndimage import map_coordinates

    rows, columns = np.indices((2 * plane.shape[0], 2 * plane.shape[1]))
    place = rows / 2, columns / 2
    return map_coordinates(plane.astype(float), place, order=1, mode="nearest")


@pytest.mark.long
@pytest.mark.outside("scipy.ndimage", "library")
@pytest.mark.parametrize("widen", [nearest_chroma, smooth_chroma])
def test_an_exact_formula_is_one_floor_from_a_capture(widen, tmp_path):
    """However its chroma was made, of ten bits and of eight."""
    exact = STANDARD_FILES / "bt2446a-1000.h5"
    shown = [moving_planes(n, size=(320, 180)) for n in range(12)]
    film, capture = write_pair(tmp_path, shown, widen)
    coarse = tmp_path / "coarse.mkv"
    with open_clip(capture) as clip:
        rounded = [
            tuple((np.minimum((p + 2) // 4, 255) * 4).astype(np.uint16) for p in frame.planes)
            for frame in clip.frames()
        ]
    write_clip(
        coarse, rounded, width=320, height=180, rate=Fraction(24), subsampling="422", bits=10,
        codec="ffv1", signal=Signal(),
    )  # fmt: skip
    fine, rough = verify(exact, film, capture), verify(exact, film, coarse)
    assert 0.8 < fine.mean / fine.floor < 1.25
    assert 0.8 < rough.mean / rough.floor < 1.25
    assert rough.floor > 1.2 * fine.floor


def test_a_capture_goes_back_to_its_source_on_clips_never_fitted(bt2446a, tmp_path, capsys):
    """Through the commands, on colours of BT.709 that a converter neither clips nor greys."""
    random, pictures = np.random.default_rng(21), []
    for _ in range(12):
        blocks = random.uniform(0.1, 1.0, (10, 16, 3)) * random.uniform(20, 300, (10, 16, 1))
        light = blocks.reshape(-1, 3) @ matrix_rgb_to_rgb("bt709", "bt2020").T
        codes = ycbcr_to_codes(rgb_to_ycbcr(eotf_inverse_pq(light), "bt2020"), 10, "narrow")
        flat = quantise(codes, 10).reshape(10, 16, 3)
        pictures.append(
            tuple(
                np.kron(flat[..., n], np.ones((side, side), np.uint16)).astype(np.uint16)
                for n, side in enumerate((24, 12, 12))
            )
        )
    film, capture = write_pair(tmp_path, pictures)
    file, undo = tmp_path / "box.h5", tmp_path / "undo.clf"
    save(bt2446a, file)
    assert (
        main(["correct", str(file), "--toward", "source", "--size", "33", "-o", str(undo), "-q"])
        == 0
    )
    assert main(["verify", str(undo), str(capture), str(film), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["display"].endswith("pq")
    assert found["unclipped_count"] > 10_000
    assert found["unclipped_mean"] < 1.5 * found["unclipped_floor"]
    assert found["unclipped_mean"] < 1.0


def test_commands_bake_draw_and_refuse(bt2446a, tmp_path, capsys):
    file, out, figure = tmp_path / "é.h5", tmp_path / "a look.cube", tmp_path / "trust.png"
    save(bt2446a, file)
    words = ["correct", str(file), "-o", str(out), "--size", "17", "--figure", str(figure)]
    assert main([*words, "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["kind"] == "source-to-look"
    assert said["readers_differ_by"] < 1e-4
    assert {e["reader"] for e in said["predicted_errors"]} == set(READERS)
    assert figure.stat().st_size > 1000
    for bad, sentence in (
        (["correct", str(file), "-o", str(tmp_path / "x.txt")], ".clf or .cube"),
        (["correct", str(out), "-o", str(tmp_path / "x.clf")], "not an HDF5 file"),
        (["correct", str(file), "-o", str(tmp_path / "x.clf"), "--toward", "nobody"], "nobody"),
        (["verify", str(tmp_path / "x.txt"), str(file), str(file)], "no correction by its name"),
        (words, "exists already"),
    ):
        assert main(bad) == 2
        captured = capsys.readouterr()
        assert sentence in captured.err
        assert captured.err.count("\n") <= 1
    assert not (tmp_path / "x.clf").exists()


def test_a_look_is_not_blamed_for_being_many_to_one(bt2446a):
    """A forward table needs no inverse; a repair does."""
    assert "not invertible" not in correct(bt2446a, size=17).masks
    assert "not invertible" in correct(bt2446a, toward="bt2390-luma", size=17).masks
