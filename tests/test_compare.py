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
from tonelab.errors import UsageError
from tonelab.results import Landmark
from tonelab.show.comparison import comparison_document, comparison_summary
from tonelab.signal.description import Signal
from tonelab.signal.quantisation import luma_scale
from tonelab.tallies import Tallies

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
    assert compare(measurements, against=["clip", "bt2390"]).best[0].standard == "bt2390"


def test_common_codes_of_eight_bits():
    signal = Signal(bits=8, range="full")
    np.testing.assert_allclose(common_codes(np.array([0.0, 255.0]), signal), [64, 940])


@pytest.mark.parametrize(
    ("others", "against", "match"),
    [
        ([], (), "needs two measurements"),
        ([make_measurement("B", tallies=NOTHING)], (), "share only 0 source"),
        ([make_measurement("B")], ["bt9999"], "name one of bt2390, bt2446a, clip"),
    ],
)
def test_what_cannot_be_compared(others, against, match):
    with pytest.raises(UsageError, match=match):
        compare([make_measurement("A"), *others], against)


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
        "output light is that of a BT.1886 display, 100 cd/m2, black 0 cd/m2 (assumed)",
        "BT.2446 method A",
        "729 colours",
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
