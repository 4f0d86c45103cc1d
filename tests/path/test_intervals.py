"""Intervals of a chain's parameters hold the truth as often as they say, or say that none is."""

from __future__ import annotations

import numpy as np
import pytest

from tonelab.path.chain import Chain, Placed
from tonelab.path.evidence import Evidence
from tonelab.path.intervals import intervals
from tonelab.path.search import controls_between, fit
from tonelab.signal.description import Signal

NAMES = ("contrast", "brightness", "saturation", "hue")


def evidence(rgb, true, noise, generator):
    """Colours through contrast, brightness, saturation and hue, by the equations of BT.709-6."""
    luma = rgb @ [0.2126, 0.7152, 0.0722]
    blue, red = (rgb[:, 2] - luma) / 1.8556, (rgb[:, 0] - luma) / 1.5748
    codes = np.rint(np.column_stack([64 + 876 * luma, 512 + 896 * blue, 512 + 896 * red]))
    y, b, r = ((codes - [64, 512, 512]) / [876, 896, 896]).T
    contrast, brightness, saturation, hue = true
    c, s = np.cos(np.radians(hue)), np.sin(np.radians(hue))
    after = [64 + 876 * (contrast * y + brightness)]
    after += [512 + 896 * saturation * (c * b - s * r), 512 + 896 * saturation * (s * b + c * r)]
    count = len(rgb)
    captured = np.rint(np.column_stack(after) + generator.normal(0, noise, (count, 3)))
    return Evidence(
        np.column_stack([y, b, r]), captured, np.arange(count) % 8, np.zeros(count),
        np.zeros((count, 3)), np.zeros((count, 2)), Signal(), Signal(), 2,
    )  # fmt: skip


def fitted(sites):
    half = sites.halves()[0]
    first = controls_between(half.signal, half.captured)
    chain = Chain((Placed("controls", {}, {name: first[name] for name in NAMES}),))
    chain = fit(chain, half)[0]
    return chain.steps[0].values, intervals(chain, sites, sites[np.arange(0)])[0]


@pytest.mark.parametrize(("noise", "most"), [(0.0, 15), (1.5, 5)])
def test_intervals_hold_the_truth(noise, most):
    generator = np.random.default_rng(7)
    held, apart, widths = [], [], []
    for _ in range(60):
        true = generator.uniform([0.9, -0.02, 0.85, -3.0], [1.1, 0.02, 1.15, 3.0])
        sites = evidence(generator.uniform(0.1, 0.85, (800, 3)), true, noise, generator)
        values, bounds = fitted(sites)
        off = np.abs([values[name] for name in NAMES] - true)
        bound = np.array([bounds[name] for name in NAMES])
        held.append(off <= bound)
        apart.append(off)
        widths.append(bound)
    assert np.mean(held) >= 0.93
    # The fit takes any value that predicts the codes, which rounding alone narrows further.
    assert (np.median(widths, axis=0) < most * np.sqrt(np.mean(np.square(apart), axis=0))).all()


def test_greys_do_not_tell_saturation():
    generator = np.random.default_rng(3)
    greys = np.repeat(generator.uniform(0.1, 0.8, (800, 1)), 3, axis=1)
    sites = evidence(greys, (0.95, 0.0, 1.0, 0.0), 0.0, generator)
    values, bounds = fitted(sites)
    assert np.isinf(bounds["saturation"])
    assert np.isinf(bounds["hue"])
    assert bounds["contrast"] < 1e-3
    step = Placed("controls", {}, values)
    assert " (this capture cannot tell)" in step.describe(bounds)
    assert "contrast 0.95" in step.describe(bounds)
