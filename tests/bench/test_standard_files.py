"""The curve files of the standard conversions: complete, current, and what their documents say."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tonelab.bench.standard_files import PEAKS, standard_measurement
from tonelab.compare import compare
from tonelab.conversion.standards import STANDARDS
from tonelab.curvefile import content_hash, load, save
from tonelab.curvefile.index import has_index

FOLDER = Path(__file__).parents[2] / "curves" / "standards"


def kept(name, peak):
    return load(FOLDER / f"{name}-{peak}.h5")


def test_every_standard_has_its_files():
    expected = {f"{name}-{peak}.h5" for name in STANDARDS for peak in PEAKS}
    assert {path.name for path in FOLDER.iterdir()} == expected
    assert all(has_index(path.read_bytes()) for path in FOLDER.iterdir())


def test_a_file_is_what_the_code_makes_today(tmp_path):
    stored, made = kept("bt2446a", 1000), standard_measurement("bt2446a", 1000)
    assert stored.tallies == made.tallies
    curve, again = stored.luminance_curve, made.luminance_curve
    np.testing.assert_allclose(curve.smooth, again.smooth, atol=1e-6)
    assert stored.conversion.family == made.conversion.family
    for name, estimate in stored.conversion.parameters.items():
        assert made.conversion.parameters[name].value == pytest.approx(estimate.value, rel=1e-5)
    for path in (tmp_path / "one.h5", tmp_path / "two.h5"):
        save(made, path)
    assert content_hash(tmp_path / "one.h5") == content_hash(tmp_path / "two.h5")


@pytest.mark.parametrize("name", STANDARDS)
@pytest.mark.parametrize("peak", PEAKS)
def test_a_standard_is_nearest_to_itself_at_the_floor(name, peak):
    nearest = kept(name, peak).scores[0]
    assert nearest.standard == name
    assert nearest.mean == pytest.approx(nearest.floor, rel=0.02)


@pytest.mark.outside("BT.2390-11 5.4.1; BT.2446-1 6.1.4", "published")
@pytest.mark.parametrize("peak", PEAKS)
def test_identification_names_what_the_documents_publish(peak):
    for drive in ("per-channel", "max-rgb", "luminance", "luma", "ictcp"):
        found = kept(f"bt2390-{drive}", peak).conversion
        assert (found.family, found.drive) == ("bt2390", drive)
        # BT.2390-11 5.4.1: the mastering peak, to a display of 100 cd/m2.
        assert found.parameters["source_peak"].value == pytest.approx(peak, rel=0.005)
        assert found.parameters["target_peak"].value == pytest.approx(100, rel=0.005)
    method_a = kept("bt2446a", peak).conversion
    assert (method_a.family, method_a.drive) == ("bt2446a", "gamma-luma")
    assert method_a.parameters["hdr_peak"].value == pytest.approx(peak, rel=0.005)
    method_c = kept("bt2446c", peak).conversion
    assert (method_c.family, method_c.chroma) == ("bt2446c", "crosstalk")
    # BT.2446-1 6.1.4: k1, Y_ip and k3.
    for name, value in (("slope", 0.83802), ("knee", 69.85), ("bend", 0.74204)):
        assert method_c.parameters[name].value == pytest.approx(value, rel=0.005)


@pytest.mark.outside("BT.2446-1 4.1 and 6.1; BT.2390-11 5.4.1", "published")
@pytest.mark.parametrize(
    ("name", "light", "code"),
    [
        # Check values of BT.2446-1 4.1 (10-bit codes at 1000 to 100 cd/m2).
        ("bt2446a", 26, 357),
        ("bt2446a", 203, 666),
        ("bt2446a", 1000, 940),
        # BT.2446-1 6.1.4 and 6.1.7: signals 0.529983 and 0.959987.
        ("bt2446c", 26, 64 + 876 * 0.529983),
        ("bt2446c", 203, 64 + 876 * 0.959987),
        # BT.2390-11 5.4.1, 1000 to 100 cd/m2: 203 becomes 88.244 cd/m2 (BT.1886).
        ("bt2390-luminance", 203, 64 + 876 * 0.88244 ** (1 / 2.4)),
    ],
)
def test_luminance_curves_pass_the_published_values(name, light, code):
    curve = kept(name, 1000).luminance_curve
    assert np.interp(light, curve.luminance, curve.smooth) == pytest.approx(code, abs=0.6)


def test_a_device_compares_with_the_files_of_another_chart():
    comparison = compare([kept("bt2446a", 1000), kept("bt2446a", 4000)])
    assert comparison.colours > 900
    assert comparison.distance_mean[0, 1] > 5
