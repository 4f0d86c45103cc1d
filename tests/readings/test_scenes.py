"""Whether a mapping follows the scene, from shots through devices that do and do not."""

from __future__ import annotations

import numpy as np
import pytest

from tonelab.readings.repeats import scene_dependence
from tonelab.results.tallies import Tallies

SHOTS, SAMPLES = 8, 30000


def knee(code, bend):
    x = (code - 64) / 876
    return 64 + 876 * np.where(x < bend, x, bend + (1 - bend) * np.tanh((x - bend) / (1 - bend)))


def tallied(device, seed=3, shots=SHOTS):
    """Tallies of grey shots; in half of them the peak is rare, so that it leaves the mean alone."""
    rng = np.random.default_rng(seed)
    tallies = Tallies.empty_content((1024, 1024))
    tables = tallies.tables
    for shot in range(shots):
        peak = rng.integers(450, 900)
        centre = rng.uniform(200, 330)
        grey = np.clip(rng.normal(centre, 60, SAMPLES).round(), 64, min(peak, 420)).astype(int)
        light = grey.copy()
        light[: SAMPLES // 50] = peak
        shown = np.rint(device(grey, peak, light.mean()) + rng.normal(0, 0.3, SAMPLES)).astype(int)
        level = grey >> 3
        tables["scene_light"][shot] += np.bincount(light >> 3, minlength=128)
        tables["scene_count"][shot] += np.bincount(level, minlength=128)
        tables["scene_sum_source"][shot] += np.bincount(level, grey, 128).astype(int)
        tables["scene_sum_capture"][shot] += np.bincount(level, shown, 128).astype(int)
    return tallies


@pytest.mark.parametrize("seed", range(5))
def test_a_fixed_curve_is_static(seed):
    verdict, (finding,) = scene_dependence(tallied(lambda code, *_: knee(code, 0.25), seed), 1)
    assert verdict == "static"
    assert finding.severity == "info"
    assert finding.value < 0.6


@pytest.mark.parametrize("seed", range(5))
def test_a_curve_that_follows_the_peak_is_named_with_its_cause(seed):
    def device(code, peak, _):
        return 64 + (code - 64) * (1.1 - peak / 4500)

    verdict, (finding,) = scene_dependence(tallied(device, seed), 1)
    assert verdict == "scene-dependent"
    assert finding.severity == "warning"
    assert "average" not in finding.text.split("and one curve")[0] or "or its" in finding.text


@pytest.mark.parametrize("seed", range(5))
def test_a_curve_that_follows_the_average_is_named_with_its_cause(seed):
    def device(code, _, average):
        return code * (1 + (average - 270) / 2000)

    verdict, (finding,) = scene_dependence(tallied(device, seed), 1)
    assert verdict == "scene-dependent"
    assert "by its average" in finding.text or "or its average" in finding.text


def test_one_shot_cannot_tell():
    assert scene_dependence(tallied(lambda code, *_: code, shots=1), 1) == ("unknown", ())


def test_tallies_of_an_older_file_cannot_tell():
    tallies = tallied(lambda code, *_: code)
    older = {k: v for k, v in tallies.tables.items() if not k.startswith("scene")}
    assert scene_dependence(Tallies(0, older), 1) == ("unknown", ())
