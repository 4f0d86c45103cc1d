"""The grey curve is named by itself where no chain carries the colours."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from simulated import SimulatedDevice, simulated_tallies

from tonelab.chart import Group, Layout
from tonelab.identify import OUTSIDE, gather_evidence, identify
from tonelab.readings.colours import code_step, gather
from tonelab.readings.curves import luminance_curve
from tonelab.readings.signals import read_capture
from tonelab.signal.description import Signal

LAYOUT = Layout.create("quick", width=960, height=540, hold=4)
SOURCE = Signal(matrix="bt2020", transfer="pq", primaries="bt2020")


def spoilt(device, seed=1):
    """Evidence of a device whose hue turns and chroma shrinks with level, as no chain does."""
    tallies = simulated_tallies(LAYOUT, device, samples=64, frames=2, seed=seed)
    neutrals = gather(tallies, LAYOUT, Group.NEUTRAL)
    neutrals = neutrals[np.argsort(neutrals.source[:, 0], kind="stable")]
    target, _ = read_capture(Signal(), neutrals, SOURCE)
    step = code_step(tallies, target)
    curve = luminance_curve(neutrals, SOURCE, code_step=step)
    colours = gather(tallies, LAYOUT, Group.LATTICE, Group.NEUTRAL_NEAR, Group.KNEE, Group.SWEEP)
    found = gather_evidence(colours, neutrals, curve, SOURCE, target, step=step)
    luma, cb, cr = found.codes.T
    level = (luma - 64) / 876
    chroma = (cb - 512 + 1j * (cr - 512)) * (1 - 0.35 * level) * np.exp(0.4j * level)
    return replace(found, codes=np.stack([luma, 512 + chroma.real, 512 + chroma.imag], axis=1))


@pytest.mark.long
@pytest.mark.parametrize(
    ("tone", "parameters", "encoding"),
    [
        ("bt2390", {"source_peak": 4000.0, "target_peak": 100.0}, "bt1886"),
        ("linear", {"white": 241.9}, "bt709-oetf"),
    ],
)
def test_a_published_curve_of_greys_is_named_and_the_rest_is_not_in_the_model(
    tone, parameters, encoding
):
    device = SimulatedDevice("per-channel", tone, parameters, encoding=encoding, ceiling=False)
    found = identify(spoilt(device)).conversion
    assert found.family is None
    assert (found.drive, found.order, found.gamut, found.encoding) == (OUTSIDE,) * 4
    assert (found.grey_curves[0].name, found.grey_curves[0].encoding) == (tone, encoding)
    for name, value in parameters.items():
        one = found.grey_parameters[name]
        assert one.value == pytest.approx(value, rel=2e-3)
        width = one.high - one.low
        assert one.low - width <= value <= one.high + width
    assert any("Greys alone follow a published curve" in note for note in found.notes)


@pytest.mark.long
def test_greys_that_nothing_published_follows_stay_unnamed():
    device = SimulatedDevice("per-channel", "bt2390", {"source_peak": 4000.0})
    evidence = spoilt(device)
    luma = evidence.neutral_codes[:, 0]
    bump = 4 * np.sin(luma / 40)
    codes = evidence.neutral_codes.copy()
    codes[:, 0] = luma + bump
    found = identify(
        replace(evidence, neutral_codes=codes, neutral_smooth=evidence.neutral_smooth + bump)
    ).conversion
    assert found.grey_curves == ()
    assert found.grey_parameters == {}
