"""The curve files of known converters: complete, current, and found as what a box is built on."""

from __future__ import annotations

import sys
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import numpy as np
import pytest
from simulated import SimulatedDevice

from tonelab.bench.standard_files import computed_measurement
from tonelab.compare.library import neighbours
from tonelab.curvefile import load

CURVES = Path(__file__).parents[2] / "curves"
FOLDER = CURVES / "known"
FILES = sorted(path.stem for path in FOLDER.glob("*.h5"))


@pytest.fixture(scope="module")
def script():
    spec = spec_from_file_location("known_make", FOLDER / "make.py")
    module = module_from_spec(spec)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "path", [*sys.path])
        patch.setitem(sys.modules, "known_make", module)
        spec.loader.exec_module(module)
        yield module


def test_every_known_converter_has_its_file_and_no_other(script):
    assert set(FILES) == set(script.KNOWN)
    assert sum(path.stat().st_size for path in FOLDER.glob("*.h5")) < 6e6


@pytest.mark.parametrize("name", FILES)
def test_a_file_names_library_version_and_call(name):
    kept = load(FOLDER / f"{name}.h5")
    library, version = kept.firmware.rsplit(" ", 1)
    assert kept.device.startswith(library)
    assert version[0].isdigit()
    assert kept.settings
    assert "not captured" in kept.notes


@pytest.mark.outside("OpenColorIO 2.6 and FFmpeg 9.0 themselves", "library")
@pytest.mark.parametrize("name", ["ocio-aces-2.0", "ffmpeg-tonemap-mobius"])
def test_a_file_is_what_its_library_gives_today(name, script, monkeypatch):
    kept = load(FOLDER / f"{name}.h5")
    if script.KNOWN[name].library != kept.firmware:
        pytest.skip(f"{script.KNOWN[name].library} is here, {kept.firmware} made the file")
    given = {}

    def computed(convert, peak, **words):
        layout = kept.tallies.tables["patch_sum_source"]
        given.update(words, codes=convert(layout), peak=peak)

    monkeypatch.setattr(script, "computed_measurement", computed)
    script.known_measurement(name)
    assert (given["device"], given["settings"]) == (kept.device, kept.settings)
    apart = np.abs(given["codes"] - kept.tallies.tables["patch_sum_capture"])
    # Processors may round a value that lies between two codes to either.
    assert apart.max() <= 1
    assert np.mean(apart > 0) < 0.002


@pytest.mark.long
def test_a_box_is_found_to_be_built_on_a_known_converter():
    """A box that does what a published curve says, written out in numpy, and turns colour down."""
    box = SimulatedDevice(
        drive="max-rgb", tone="hable", tone_parameters={"white": 100.0, "peak": 1000.0},
        order="matrix-first", ceiling=False, super_white=True, controls={"saturation": 0.95},
    )  # fmt: skip
    measured = computed_measurement(box.capture_codes, 1000, device="Box")
    found = neighbours(measured, CURVES, count=2)
    first, second = found.nearest
    assert found.built_on == first
    assert first.path.stem == "ffmpeg-tonemap-hable"
    assert first.verdict.distance.mean < 0.3 * second.verdict.distance.mean
