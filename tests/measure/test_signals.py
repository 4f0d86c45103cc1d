"""The main job on other signals: an HLG chart through a device with an 8-bit full-range output."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from played import played
from simulated import SimulatedDevice, hlg_light

from tonelab.chart import Layout, render_planes, write_chart
from tonelab.measure import measure
from tonelab.media import write_clip
from tonelab.signal.description import Signal

LAYOUT = Layout.create("quick", 960, 540, "hlg", 1000, hold=4)
DEVICE = SimulatedDevice(
    source="hlg",
    drive="max-rgb",
    tone="hable",
    tone_parameters={"white": 120.0, "peak": 1000.0},
    bits=8,
    range="full",
)


def device(codes):
    """8-bit codes of what the device shows."""
    return DEVICE.capture_codes(codes) // 4


@pytest.fixture(scope="module")
def measured(tmp_path_factory):
    folder = tmp_path_factory.mktemp("hlg")
    write_chart(folder / "chart.mkv", LAYOUT, rate=Fraction(25))
    write_clip(
        folder / "capture.mkv",
        played((render_planes(LAYOUT, n) for n in range(LAYOUT.frame_count)), device),
        width=960,
        height=540,
        rate=Fraction(25),
        subsampling="422",
        bits=8,
        codec="ffv1",
        signal=Signal(bits=8),
    )
    return measure(folder / "chart.mkv", folder / "capture.mkv", device="Box")


def test_signals_are_read(measured):
    source, capture = measured.source.signal, measured.capture.signal
    assert (source.transfer, source.peak) == ("hlg", 1000.0)
    assert (capture.bits, capture.range, capture.origins["range"]) == (8, "full", "inferred")


def test_curve_is_the_one_applied(measured):
    curve = measured.luminance_curve
    grey = np.stack([curve.source_code, *np.full((2, len(curve.code)), 512.0)], axis=1)
    truth = DEVICE.real_codes(grey)[:, 0] / 4
    inside = ~curve.clipped & (curve.source_code >= 66)
    assert np.abs(curve.smooth - truth)[inside].max() < 0.6
    shown = hlg_light((curve.source_code[inside, None] - 64) / 876 * np.ones(3))[:, 0]
    np.testing.assert_allclose(curve.luminance[inside], shown, rtol=1e-6)


def test_conversion_is_named(measured):
    found = measured.conversion
    assert (found.family, found.drive, found.encoding) == ("hable", "max-rgb", "bt1886")
    assert found.gamut == "clip"
    for name, truth in DEVICE.tone_parameters.items():
        assert found.parameters[name].low <= truth <= found.parameters[name].high
    assert found.floor_codes_rms == pytest.approx(1 / np.sqrt(12), rel=0.01)
    assert found.held_out_codes_rms <= 1.2 * found.floor_codes_rms
