"""A package that knows nothing of ours adds a step, and it is found in a capture."""

from __future__ import annotations

from typing import TYPE_CHECKING

from plugged import run_with_package

if TYPE_CHECKING:
    from pathlib import Path

STEP = '''
from typing import Annotated

from tonelab.conversion.parameters import Param
from tonelab.path.steps import STEPS, Medium, of_rgb, rgb_of
from tonelab.signal.arrays import FloatArray


@STEPS.register("green-gain", label="green made stronger", cause="a control of green", words="")
def green_gain(
    signal: FloatArray,
    medium: Medium,
    *,
    gain: Annotated[float, Param(0.5, 1.5, "1", "factor of G'")] = 1.0,
) -> FloatArray:
    """Scale green."""
    return of_rgb(rgb_of(signal, medium) * [1.0, gain, 1.0], medium)
'''

# The capture by the printed equations of BT.709-6.
USE = """
import numpy as np
from tonelab.path.chain import Chain
from tonelab.path.evidence import Evidence
from tonelab.path.search import search
from tonelab.signal.description import Signal

generator = np.random.default_rng(4)
rgb = generator.uniform(0, 1, (1200, 3))


def codes_of(rgb):
    luma = rgb @ [0.2126, 0.7152, 0.0722]
    blue, red = (rgb[:, 2] - luma) / 1.8556, (rgb[:, 0] - luma) / 1.5748
    return np.floor(np.column_stack([64 + 876 * luma, 512 + 896 * blue, 512 + 896 * red]) + 0.5)


source = codes_of(rgb)
signal = (source - [64, 512, 512]) / [876, 896, 896]
luma, blue, red = signal.T
r, b = luma + 1.5748 * red, luma + 1.8556 * blue
g = (luma - 0.2126 * r - 0.0722 * b) / 0.7152
none = np.zeros(len(signal))
evidence = Evidence(
    signal, codes_of(np.column_stack([r, 1.05 * g, b])), np.arange(1200) % 6,
    none, np.zeros((1200, 3)), np.zeros((1200, 2)), Signal(), Signal(), 2,
)
best = search(evidence, [Chain()], lambda step: not step.spatial)[0]
assert [step.name for step in best.chain] == ["green-gain"], best.chain.describe()
assert abs(best.chain.steps[0].values["gain"] - 1.05) < 1e-3
"""


def test_a_step_of_another_package_is_searched_and_fitted(tmp_path: Path) -> None:
    result = run_with_package(tmp_path, STEP, USE, ["path_steps"])
    assert result.returncode == 0, result.stderr
