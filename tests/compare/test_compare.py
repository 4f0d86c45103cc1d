"""Comparisons against closed forms, an independent colour library, and re-coded captures."""

from __future__ import annotations

import io
from dataclasses import replace

import colour
import numpy as np
import pytest
from make_measurement import CAPTURE, make_measurement
from rich.console import Console

from tonelab.compare import common_codes, compare
from tonelab.compare.library import neighbours
from tonelab.curvefile import save
from tonelab.errors import UsageError
from tonelab.readings.colours import CELL_SIDE, shown_light
from tonelab.results import Landmark, Tallies
from tonelab.signal.colorimetry import delta_e_itp
from tonelab.signal.description import Signal
from tonelab.signal.quantisation import luma_scale
from tonelab.signal.transfer import eotf_pq
from tonelab.views.documents.comparison import comparison_document, neighbours_document
from tonelab.views.terminal.comparison import comparison_summary, neighbours_summary

NOTHING = Tallies.empty(7, 3, (1024, 1024))


def recoded(measurement, signal):
    """The same capture in another coding, its codes not rounded beyond whole sums."""
    scale = luma_scale(signal.bits, signal.range)[1] / 876
    chroma = (224 if signal.range == "narrow" else 255.75) / 224
    tables = dict(measurement.tallies.tables)
    codes = tables["patch_sum_capture"] / tables["patch_count_capture"]
    offset = np.array([64, 512, 512])
    moved = (codes - offset) * (scale, chroma, chroma) + (
        luma_scale(signal.bits, signal.range)[0], 512, 512,
    )  # fmt: skip
    tables["patch_count_capture"] = tables["patch_count_capture"] * 10**6
    tables["patch_sum_capture"] = np.round(moved * tables["patch_count_capture"]).astype(np.int64)
    curve = measurement.luminance_curve
    black = luma_scale(signal.bits, signal.range)[0]
    curve = replace(
        curve,
        **{
            name: (getattr(curve, name) - 64) * scale + black
            for name in ("code", "smooth", "low", "high")
        },
    )
    return replace(
        measurement,
        device="recoded",
        tallies=Tallies(measurement.tallies.layout, tables),
        luminance_curve=curve,
        capture=replace(measurement.capture, signal=signal),
    )


def test_the_same_measurement_is_at_no_distance():
    one = make_measurement()
    comparison = compare([one, replace(one, firmware="3")])
    assert comparison.distance_mean.max() == 0
    assert comparison.differences[0].rms == 0
    assert comparison.colours == 729  # every colour of the 9^3 lattice is distinct
    assert comparison.devices == (
        "Simulated player 2.1 (build 7)",
        "Simulated player 3",
    )


def test_full_range_capture_of_the_same_light_is_the_same():
    one = make_measurement()
    comparison = compare([one, recoded(one, replace(CAPTURE, range="full"))])
    assert comparison.distance_mean[0, 1] < 1e-4
    assert abs(comparison.differences[0].codes).max() < 1e-9


@pytest.mark.outside("BT.1886-0 annex 1", "published")
def test_curve_difference_matches_the_closed_form():
    one, two = make_measurement("A", peak=4.0), make_measurement("B", peak=10.0)
    difference = compare([one, two]).differences[0]

    def code(light, peak):  # extended Reinhard, then the inverse of BT.1886 annex 1, black 0
        scene = light / 100
        tone = min(scene * (1 + scene / peak**2) / (1 + scene), 1.0)
        return 64 + 876 * tone ** (1 / 2.4)

    for level in (26.0, 203.0):
        assert difference.at[level] == pytest.approx(code(level, 10) - code(level, 4), abs=0.15)
    np.testing.assert_allclose(difference.bound, np.hypot(0.4, 0.4), rtol=1e-9)
    assert difference.largest < -40
    assert 300 < difference.largest_at < 900


def test_landmark_beyond_the_curve_is_not_reached():
    one = make_measurement("A")
    short = replace(
        one.luminance_curve,
        **{
            name: getattr(one.luminance_curve, name)[:100] for name in one.luminance_curve.__slots__
        },
    )
    comparison = compare([one, make_measurement("B", luminance_curve=short)])
    assert comparison.differences[0].at[1000.0] is None
    assert "not reached" in printed(comparison)


@pytest.mark.outside("colour-science", "library")
def test_distances_agree_with_an_independent_library():
    one, two = make_measurement("A"), make_measurement("B", peak=10.0)
    comparison = compare([one, two])

    def ictcp(measurement):
        tables = measurement.tallies.tables
        codes = tables["patch_sum_capture"] / tables["patch_count_capture"]
        ycbcr = (codes - (64, 512, 512)) / (876, 896, 896)
        rgb = colour.YCbCr_to_RGB(
            ycbcr, K=colour.WEIGHTS_YCBCR["ITU-R BT.709"],
            in_range=(0, 1, -0.5, 0.5), out_range=(0, 1),
        )  # fmt: skip
        light = 100 * np.maximum(rgb, 0) ** 2.4
        wide = colour.RGB_to_RGB(light, "ITU-R BT.709", "ITU-R BT.2020")
        return colour.RGB_to_ICtCp(np.maximum(wide, 0), method="ITU-R BT.2100-2 PQ")

    expected = colour.difference.delta_E_ITP(ictcp(one), ictcp(two))
    assert comparison.distance_mean[0, 1] == pytest.approx(expected.mean(), rel=2e-3)
    assert comparison.distance_p95[1, 0] == pytest.approx(np.percentile(expected, 95), rel=2e-3)


def test_floor_is_that_of_rounding():
    """Rounding alone lies between one and two floors of a single 10-bit capture."""
    one = make_measurement()
    comparison = compare([one, replace(one, device="B")])
    assert 0.1 < comparison.distance_floor[0, 1] < 0.6
    eight = dict(one.tallies.tables)
    histogram = np.zeros((3, 1024), np.int64)
    histogram[:, 64:940:4] = 1
    eight["capture_histogram"] = histogram
    coarse = replace(one, device="C", tallies=Tallies(one.tallies.layout, eight))
    wide = compare([one, coarse]).distance_floor[0, 1]
    assert wide > 2.5 * comparison.distance_floor[0, 1]


def test_repeats_of_a_colour_do_not_weigh_more():
    one, two = make_measurement("A"), make_measurement("B", peak=10.0)
    once = compare([one, two])

    def doubled(measurement):
        tables = {
            name: np.concatenate([table, table[:200]]) if name.startswith("patch") else table
            for name, table in measurement.tallies.tables.items()
        }
        return replace(measurement, tallies=Tallies(measurement.tallies.layout, tables))

    twice = compare([doubled(one), doubled(two)])
    assert twice.distance_mean[0, 1] == once.distance_mean[0, 1]


def test_nearest_standard():
    measurements = [make_measurement("A"), make_measurement("B")]
    assert compare(measurements).best[0].standard == "bt2446a"


def test_common_codes_of_eight_bits():
    signal = Signal(bits=8, range="full")
    np.testing.assert_allclose(common_codes(np.array([0.0, 255.0]), signal), [64, 940])


@pytest.mark.parametrize(
    ("others", "against", "match"),
    [
        ([], (), "needs two measurements"),
        ([make_measurement("B")], ["bt9999"], "no standard conversion 'bt9999': choose from"),
    ],
)
def test_what_cannot_be_compared(others, against, match):
    with pytest.raises(UsageError, match=match):
        compare([make_measurement("A"), *others], against)


def stretch(measurement, low, high, **changes):
    """The same with its curve known between two source lights only, and without its colours."""
    curve = measurement.luminance_curve
    rows = (curve.luminance >= low) & (curve.luminance <= high)
    curve = replace(curve, **{name: getattr(curve, name)[rows] for name in curve.__slots__})
    return replace(measurement, luminance_curve=curve, tallies=NOTHING, **changes)


def test_without_shared_colours_the_greys_are_compared():
    one, two = make_measurement("A"), stretch(make_measurement("B", peak=10.0), 1, 300)
    comparison = compare([one, two])
    assert comparison.basis == "greys"
    light = eotf_pq((np.arange(64, 941) - 64) / 876)
    light = light[(light >= 1) & (light <= two.luminance_curve.luminance[-1])]
    assert comparison.colours == pytest.approx(len(light), abs=4)

    def shown(peak):  # extended Reinhard on a display of 100 cd/m2, as ICtCp of a grey
        scene = light / 100
        tone = scene * (1 + scene / peak**2) / (1 + scene)
        return colour.models.eotf_inverse_ST2084(100 * tone)

    expected = 720 * np.abs(shown(4.0) - shown(10.0))  # BT.2124: I alone, T and P are zero
    assert comparison.distance_mean[0, 1] == pytest.approx(expected.mean(), rel=0.02)


def test_curves_that_do_not_meet_are_refused():
    dark, bright = (stretch(make_measurement(), *ends) for ends in ((0, 1), (10, 100)))
    with pytest.raises(UsageError, match="neither source colours nor a stretch of their lumin"):
        compare([dark, bright])


def controlled(measurement, device, contrast=1.0, lift=0.0, saturation=1.0, hue=0.0, **changes):
    """The capture of the same device with picture controls in its 10-bit narrow Y'CbCr."""
    tables = dict(measurement.tallies.tables)
    count = tables["patch_count_capture"]
    luma, cb, cr = np.moveaxis(tables["patch_sum_capture"] / count - (64, 512, 512), 1, 0)
    chroma = (cb + 1j * cr) * saturation * np.exp(1j * np.radians(hue))
    codes = np.stack([contrast * luma + lift + 64, 512 + chroma.real, 512 + chroma.imag], axis=1)
    tables["patch_sum_capture"] = np.round(codes).astype(np.int64) * count
    tallies = Tallies(measurement.tallies.layout, tables)
    curve = measurement.luminance_curve
    curve = replace(
        curve,
        **{
            name: 64 + contrast * (getattr(curve, name) - 64) + lift
            for name in ("code", "smooth", "low", "high")
        },
    )
    changed = {"tallies": tallies, "luminance_curve": curve} | changes
    return replace(measurement, device=device, **changed)


def bent(measurement, device, size, light):
    """The same capture, its curve moved by codes around a source light in cd/m2."""
    curve = measurement.luminance_curve
    bump = size * np.exp(-((np.log(np.maximum(curve.luminance, 1e-6) / light) / 0.2) ** 2))
    curve = replace(
        curve, **{n: getattr(curve, n) + bump for n in ("code", "smooth", "low", "high")}
    )
    return replace(measurement, device=device, luminance_curve=curve)


def test_verdict_names_picture_controls_with_intervals_that_hold_the_truth():
    one = make_measurement("A")
    two = controlled(one, "B", contrast=0.97, lift=3.0, saturation=1.06, hue=1.5)
    (verdict,) = compare([one, two]).verdicts
    assert verdict.kind == "controls"
    truth = {"contrast": 0.97, "brightness": 3.0, "saturation": 1.06, "hue": 1.5}
    for name, value in truth.items():
        found = verdict.controls[name]
        assert found.low <= value <= found.high, name
    assert verdict.controls["contrast"].high - verdict.controls["contrast"].low < 0.002
    assert "contrast 0.97" in verdict.text
    assert "saturation 1.06" in verdict.text
    assert verdict.remaining.high < 0.5 < verdict.distance.low


def test_equivalence_is_shown_or_not_claimed():
    one = make_measurement("A")
    assert compare([one, replace(one, device="B")]).verdicts[0].kind == "same"
    moved = controlled(one, "B", hue=0.2)
    loose, strict = (compare([one, moved], margin=m).verdicts[0] for m in (3.0, 0.12))
    assert (loose.kind, strict.kind) == ("same", "undecided")
    assert "not shown to be the same within 0.12" in strict.text


def test_curves_that_differ_are_never_the_same_on_average():
    one = make_measurement("A")
    comparison = compare([one, bent(one, "B", -6.0, 300.0)])
    (verdict,) = comparison.verdicts
    assert verdict.kind == "different"
    assert verdict.luma.codes == pytest.approx(-6.0, abs=0.1)
    assert verdict.luma.luminance == pytest.approx(300, rel=0.05)
    light, codes = verdict.luma.below
    assert light == pytest.approx(300 * np.exp(-0.2 * np.log(6) ** 0.5), rel=0.05)
    assert 1 <= codes < 4
    assert "within 0.00, but differs in luma by -6.0 ± " in verdict.text
    assert compare([one, bent(one, "B", -0.9, 300.0)]).verdicts[0].kind == "same"
    assert compare([one, bent(one, "B", -6.0, 300.0)], margin=4.0).verdicts[0].kind == "same"


def test_a_curve_that_controls_leave_bent_differs_beyond_them():
    one = make_measurement("A")
    (verdict,) = compare([one, bent(controlled(one, "B", contrast=0.9), "B", 6.0, 50.0)]).verdicts
    assert verdict.kind == "different"
    assert "contrast" in verdict.controls


def test_hues_are_compared_over_levels_that_both_devices_kept():
    """One device clips half of a cell whose rotation is another than that of the rest."""
    one = make_measurement("A")
    chroma = one.chroma_transfer
    hue, level = np.argwhere(np.isfinite(chroma.ratio) & (chroma.count > 0))[0]
    fewer, turned = chroma.count.copy(), chroma.rotation.copy()
    fewer[hue, level] -= 1
    turned[hue, level] += 20
    other = replace(one, device="B", chroma_transfer=replace(chroma, count=fewer, rotation=turned))
    first, second = compare([one, other]).hues
    np.testing.assert_array_equal(first.rotation, second.rotation)
    whole, _ = compare([one, replace(one, device="B")]).hues
    assert not np.array_equal(whole.rotation, first.rotation, equal_nan=True)


def test_verdict_names_the_parts_that_differ():
    one = make_measurement("A")
    other = make_measurement("B", peak=10.0)
    other = replace(other, conversion=replace(other.conversion, drive="max-rgb or luma"))
    (verdict,) = compare([one, other]).verdicts
    assert verdict.kind == "different"
    assert "differs in drive (per-channel against max-rgb or luma)" in verdict.text
    unknown = replace(
        other, conversion=replace(other.conversion, drive="not identifiable from this capture")
    )
    (verdict,) = compare([one, unknown]).verdicts
    assert "drive" not in verdict.text
    assert "peak of the tone curve (4 against 10)" in verdict.text


def test_rounding_widens_the_bounds_towards_zero_only():
    one, two = make_measurement("A"), make_measurement("B", peak=10.0)
    comparison = compare([one, two])
    mean, floor = comparison.distance_mean[0, 1], comparison.distance_floor[0, 1]
    assert comparison.distance_low[0, 1] < mean - floor
    assert mean < comparison.distance_high[0, 1] < 1.1 * mean


def test_ranking_by_a_standard_that_was_never_scored_and_by_a_device():
    one, two = make_measurement("A", scores=()), make_measurement("B", peak=10.0, scores=())
    reference = replace(two, device="C")
    by_standard, by_device = compare([one, two], ["clip-100", reference]).rankings
    assert by_standard.reference == "clip-100"
    assert [at for at, _ in by_standard.entries] == [0, 1]  # peak 4 is nearer to a straight line
    assert [at for at, _ in by_device.entries] == [1, 0]
    assert by_device.entries[0][1].mean == 0
    (alone,) = compare([one], [reference]).rankings
    assert alone.entries[0][1].mean == by_device.entries[1][1].mean


def test_distance_from_a_standard_is_that_of_its_published_form():
    """A plain matrix and clip at 100 cd/m2, typed here again, rounded once."""
    one = make_measurement("A")
    tables = dict(one.tallies.tables)
    source = tables["patch_sum_source"] / tables["patch_count_source"]
    light = one.source.signal.decode_light(source)
    relative = colour.RGB_to_RGB(light, "ITU-R BT.2020", "ITU-R BT.709") / 100
    rgb = np.clip(relative, 0, 1) ** (1 / 2.4)
    ycbcr = colour.RGB_to_YCbCr(
        rgb, K=colour.WEIGHTS_YCBCR["ITU-R BT.709"], out_range=(64, 940, 64, 960)
    )
    tables["patch_sum_capture"] = np.round(ycbcr).astype(np.int64) * tables["patch_count_capture"]
    perfect = replace(one, tallies=Tallies(one.tallies.layout, tables))
    (ranking,) = compare([perfect], ["clip-100"]).rankings
    distance = ranking.entries[0][1]
    assert distance.mean < 1.3 * distance.floor


def test_captures_of_one_device_are_put_in_order():
    one = make_measurement("A", settings={"contrast": "50"})
    versions = [
        replace(one, firmware="1.10"),
        controlled(one, "A", contrast=1.02, firmware="1.9", settings={"contrast": "100"}),
        replace(one, firmware="1.9", settings={"contrast": "60"}),
        make_measurement("B"),
    ]
    (series,) = compare(versions).series
    assert series.device == "A"
    assert series.order == (2, 1, 0)  # 1.9 with 60, 1.9 with 100, 1.10
    assert [dict(step.changed) for step in series.steps] == [
        {"contrast": ("60", "100")},
        {"firmware": ("1.9", "1.10"), "contrast": ("100", "50")},
    ]


@pytest.fixture
def library(tmp_path):
    for peak in (3.0, 4.5, 6.0, 9.0):
        save(make_measurement(f"Peak {peak}", peak=peak), tmp_path / f"é {peak}.h5")
    (tmp_path / "damaged.h5").write_bytes(b"\x89HDF\r\n\x1a\n, and no more")
    return tmp_path


def test_nearest_of_a_library(library):
    found = neighbours(make_measurement("Unknown", peak=5.7), library, count=2)
    assert [one.device for one in found.nearest] == ["Peak 6.0", "Peak 4.5"]
    assert found.files == 5
    assert len(found.unusable) == 1
    assert "damaged.h5" in found.unusable[0]
    document = neighbours_document(make_measurement("Unknown"), found)
    assert document["nearest"][0]["file"].endswith("é 6.0.h5")
    assert document["built_on"] is None
    assert document["sentence"] == "Unknown is not shown to be built on any of these."


def test_what_a_device_is_built_on_is_said(library):
    found = neighbours(make_measurement("Unknown", peak=6.0), library, count=3)
    assert found.built_on == found.nearest[0]
    said = found.sentence("Unknown")
    assert said.startswith("Unknown is built on Peak 6.0 (2.1 (build 7)): same converter within")
    out = io.StringIO()
    Console(file=out, width=120).print(neighbours_summary(make_measurement("Unknown"), found))
    assert said in out.getvalue()


def test_a_library_without_use_is_named(tmp_path):
    with pytest.raises(UsageError, match="There is no folder"):
        neighbours(make_measurement(), tmp_path / "missing")
    with pytest.raises(UsageError, match=r"No curve file in .* can be compared"):
        neighbours(make_measurement(), tmp_path)


def test_content_is_compared_by_the_cells_that_both_saw():
    """Content without a chart: cells of the source lattice, in two halves of the clip."""
    rng = np.random.default_rng(5)
    cells = rng.choice(CELL_SIDE**3, 400, replace=False)
    source = np.stack(np.unravel_index(cells, (CELL_SIDE,) * 3), axis=1) * 16 + 8

    def measured(device, lift, cells, source):
        tables = {f"cell_{n}": np.zeros((2 * CELL_SIDE**3, 3), np.int64)
                  for n in ("sum_source", "sum_capture", "square_capture")}  # fmt: skip
        tables["cell_count"] = np.zeros(2 * CELL_SIDE**3, np.int64)
        tables["cell_count"][cells] = 100
        tables["cell_sum_source"][cells] = 100 * source
        capture = source + np.array([lift, 0, 0])
        tables["cell_sum_capture"][cells] = 100 * capture
        tables["cell_square_capture"][cells] = 100 * capture**2
        histogram = make_measurement().tallies.tables["capture_histogram"]
        tallies = Tallies(0, {**tables, "capture_histogram": histogram})
        return make_measurement(device, tallies=tallies)

    one = measured("A", 0, cells, source)
    two = measured("B", 2, cells[100:], source[100:])
    comparison = compare([one, two])
    assert (comparison.basis, comparison.colours) == ("colours", 300)
    seen = source[100:].astype(float)
    expected = delta_e_itp(*(shown_light(c, CAPTURE) for c in (seen, seen + np.array([2, 0, 0]))))
    assert comparison.distance_mean[0, 1] == pytest.approx(expected.mean())


def printed(comparison):
    console = Console(file=io.StringIO(), width=120)
    console.print(comparison_summary(comparison))
    return console.file.getvalue()


def test_summary_names_floor_display_and_differences():
    comparison = compare([make_measurement("A"), make_measurement("B", peak=10.0)])
    text = printed(comparison)
    for expected in (
        "Luminance curve minus that of A",
        f"({comparison.distance_floor[0, 1]:.2f})",
        "all: that of a BT.1886 display, 100 cd/m2, black 0 cd/m2 (assumed)",
        "BT.2446 method A",
        "729 source colours",
    ):
        assert expected in text, text


def test_document_holds_what_the_summary_shows():
    comparison = compare([make_measurement("A"), make_measurement("B", peak=10.0)])
    document = comparison_document(comparison)
    assert (document["schema"], document["version"]) == ("tonelab.comparison", 1)
    assert document["delta_e_itp"]["mean"][0][1] == comparison.distance_mean[0, 1]
    assert document["luminance_differences"][0]["reference"] == "A"
    assert document["nearest_standard"][1]["standard"] == "bt2446a"
    assert Landmark(**document["landmarks"][0]["landmarks"][3]).code is None
