"""One chart played twice under other static metadata: does the device follow them?"""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from make_measurement import make_measurement
from simulated import SimulatedDevice, simulated_tallies

from tonelab.chart import Layout
from tonelab.cli.app import main
from tonelab.compare.metadata import metadata_dependence
from tonelab.curvefile import save
from tonelab.errors import UsageError


@pytest.fixture(scope="module")
def layout():
    return Layout.create("quick", width=960, height=540, hold=4)


def played(layout, device, max_cll, **changes):
    one = make_measurement("Box", **changes)
    return replace(
        one,
        source=replace(one.source, max_cll=max_cll),
        tallies=simulated_tallies(layout, device),
    )


def test_a_device_that_maps_from_max_cll_is_called_so(layout):
    pair = [
        played(layout, SimulatedDevice(tone_parameters={"source_peak": peak}), int(peak))
        for peak in (1000.0, 4000.0)
    ]
    finding = metadata_dependence(*pair)
    assert (finding.id, finding.severity) == ("metadata-dependent", "warning")
    assert "MaxCLL changes from 1000 to 4000" in finding.text
    # BT.2390-11 5.4.1 from 1000 and from 4000 to 100 cd/m2: 88.244 and 72.620 at 203 cd/m2.
    at_203 = 876 * (0.88244 ** (1 / 2.4) - 0.7262 ** (1 / 2.4))
    assert finding.value > at_203


def test_a_device_that_ignores_metadata_is_called_so(layout):
    device = SimulatedDevice(bits=8, dither="tpdf")
    first, second = (played(layout, device, max_cll) for max_cll in (1000, 4000))
    finding = metadata_dependence(first, second)
    assert (finding.id, finding.severity) == ("metadata-independent", "info")
    assert finding.value <= finding.threshold


def test_compare_says_it(layout, tmp_path, capsys):
    files = [tmp_path / f"max-cll {peak}.h5" for peak in (1000, 4000)]
    for file, peak in zip(files, (1000, 4000), strict=True):
        device = SimulatedDevice(tone_parameters={"source_peak": float(peak)})
        save(played(layout, device, peak), file)
    assert main(["compare", *map(str, files), "--json"]) == 0
    (series,) = json.loads(capsys.readouterr().out)["series"]
    (step,) = series["steps"]
    assert step["changed"] == {}
    assert step["metadata"]["id"] == "metadata-dependent"
    assert main(["compare", *map(str, files)]) == 0
    assert "the mapping follows the metadata" in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({}, "same static metadata"),
        ({"firmware": "other"}, "capture one device twice"),
        ({"capture": make_measurement().source}, "coded differently"),
    ],
)
def test_captures_that_cannot_tell_are_refused(layout, changes, sentence):
    first = played(layout, SimulatedDevice(), 1000)
    second = replace(first, **changes)
    with pytest.raises(UsageError, match=sentence):
        metadata_dependence(first, second)


def test_two_charts_are_refused(layout):
    first, second = (played(layout, SimulatedDevice(), max_cll) for max_cll in (1000, 4000))
    second = replace(second, tallies=replace(second.tallies, layout=1))
    with pytest.raises(UsageError, match="not one chart"):
        metadata_dependence(first, second)
