"""Greys that fall are a finding with their own curve, and no look is made of them."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from simulated import SimulatedDevice, simulated_tallies

from tonelab.chart import Layout
from tonelab.correction.look import learn_look
from tonelab.errors import UsageError
from tonelab.measure import reduce
from tonelab.results import ClipFacts, PairingFacts
from tonelab.signal.description import Signal

LAYOUT = Layout.create("quick", width=960, height=540, hold=4)


class Folding(SimulatedDevice):
    """Output folds back above three quarters, as wrapped codes of a defective converter do."""

    def signal(self, light):
        signal = super().signal(light).copy()
        luma = signal[..., 0]
        signal[..., 0] = np.where(luma > 0.75, 1.5 - luma, luma)
        return signal


def reduced(device, bits=10):
    def facts(codec, subsampling, signal):
        return ClipFacts(codec, "mov", codec, 960, 540, str(Fraction(24)), 1, subsampling, signal)

    source = facts("ffv1", "420", Signal(matrix="bt2020", transfer="pq", primaries="bt2020"))
    return reduce(
        simulated_tallies(LAYOUT, replace(device, bits=bits), samples=64, frames=2),
        source, facts("v210", "422", Signal()), device="Box",
        pairing=PairingFacts("chart", (1.0, 1.0), (0.0, 0.0), 0.0, 0, 1),
    )  # fmt: skip


@pytest.mark.parametrize("bits", [10, pytest.param(8, marks=pytest.mark.long)])
def test_greys_that_fall_are_said_with_their_curve(bits):
    one = reduced(Folding("per-channel", "bt2390", {"source_peak": 1000.0}), bits)
    (finding,) = (f for f in one.findings if f.id == "greys-fall")
    # BT.2390 ends at SDR white, code 940; folded at 721 it comes back to 502 (simulated).
    assert finding.value == pytest.approx(219, abs=6)
    assert finding.severity == "stop"
    curve = one.luminance_curve
    assert curve.smooth.max() == pytest.approx(721, abs=4)
    assert curve.smooth[-1] == pytest.approx(502, abs=4)
    apart = np.abs(curve.smooth - curve.code)
    assert np.mean(apart <= (curve.high - curve.low) / 2 + 2) > 0.95
    assert one.conversion.family is None
    assert one.conversion.grey_curves == ()
    assert one.conversion.drive == "not in this model"
    with pytest.raises(UsageError, match="greys of Box fall by 2"):
        learn_look(one)


def test_greys_that_rise_have_no_such_finding():
    one = reduced(SimulatedDevice("per-channel", "linear", {"white": 200.0}))
    assert one.luminance_curve.fall is None
    assert not [f for f in one.findings if f.id == "greys-fall"]
