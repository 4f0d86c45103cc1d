"""A fixed part of the pairs of `faults/study.py`: recordings, checked as a user would check them.

There is a pair for each way in which one fault bends what shows another. Each fault must be named
beside the other, and nothing said that neither explains.
"""

from __future__ import annotations

import numpy as np
import pytest
from faults.study import Case, others, outcomes, run
from scipy import ndimage

from tonelab.pairing.registration import Relation, apart, place_by_detail

MIDDLE, LARGE = 1, 2


@pytest.mark.parametrize(
    ("one", "other"),
    [
        pytest.param(*(("dynamic", MIDDLE), ("temporal dither", MIDDLE)), marks=pytest.mark.long),
        pytest.param(*(("dynamic", MIDDLE), ("bits rounded", LARGE)), marks=pytest.mark.long),
        pytest.param(*(("scaled to half", MIDDLE), ("dynamic", LARGE)), marks=pytest.mark.long),
        pytest.param(*(("dynamic", LARGE), ("labelled transfer", MIDDLE)), marks=pytest.mark.long),
        pytest.param(*(("reserved codes", LARGE), ("gain", MIDDLE)), marks=pytest.mark.long),
        pytest.param(*(("matrix 601 as 2020", MIDDLE), ("plateau", LARGE)), marks=pytest.mark.long),
        pytest.param(
            *(("saturation by hue", LARGE), ("compressed as rgb", MIDDLE)), marks=pytest.mark.long
        ),
        pytest.param(
            *(("biased dither", MIDDLE), ("compressed as ycbcr", LARGE)), marks=pytest.mark.long
        ),
        pytest.param(
            *(("local contrast", MIDDLE), ("gradient steps", MIDDLE)), marks=pytest.mark.long
        ),
        pytest.param(*(("period 2 dither", LARGE), ("blurred", MIDDLE)), marks=pytest.mark.long),
        pytest.param(
            *(("depth then gain", MIDDLE), ("noise reduced", LARGE)), marks=pytest.mark.long
        ),
        pytest.param(
            *(("depth then gain", MIDDLE), ("primaries widened", LARGE)), marks=pytest.mark.long
        ),
    ],
    ids=lambda fault: fault[0],
)
def test_both_faults_of_pictures_are_named(one, other):
    line = run(Case("natural", (one[0], other[0]), (one[1], other[1])), whole=False)
    assert outcomes(line) == "NN", line["found"]
    assert not others(line)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        pytest.param(
            *(("saturation", MIDDLE), ("saturation by hue", LARGE)), marks=pytest.mark.long
        ),
        (("reserved codes", LARGE), ("biased dither", LARGE)),
        pytest.param(*(("bits cut", LARGE), ("biased dither", LARGE)), marks=pytest.mark.long),
        pytest.param(
            *(("moved by a fraction", MIDDLE), ("local contrast", LARGE)), marks=pytest.mark.long
        ),
    ],
    ids=lambda fault: fault[0],
)
def test_both_faults_of_the_chart_are_named(one, other):
    line = run(Case("chart", (one[0], other[0]), (one[1], other[1])), whole=False)
    assert outcomes(line) == "NN", line["found"]
    assert not others(line)


@pytest.mark.parametrize("filtered", [lambda y: y, lambda y: ndimage.gaussian_filter(y, 0.9)])
def test_the_place_of_a_picture_is_found_through_a_blur(filtered):
    """Scaled by SciPy's spline; the marks are taken to be off by a fifth of a pixel."""
    generator = np.random.default_rng(3)
    source = 512 + 300 * ndimage.gaussian_filter(generator.normal(size=(270, 480)), 1.5)
    keep = 0.94
    middle = (np.array(source.shape) - 1) / 2
    seen = ndimage.affine_transform(
        filtered(source), [keep, keep], middle - keep * middle, order=3, mode="nearest"
    )
    scale = 1 / keep
    true = Relation((scale, scale), (240 * (1 - scale), 135 * (1 - scale)))
    marked = true.moved(np.array([0.2, -0.15]), np.array([3e-4, -2e-4]))
    corners = [(0.0, 0.0), (480.0, 270.0)]
    clear = np.zeros(source.shape, bool)
    clear[8:-8, 8:-8] = True
    pairs = [(source.astype(np.float32), seen.astype(np.float32))]
    assert apart(marked, true, corners) > 0.15
    assert apart(place_by_detail(pairs, marked, clear), true, corners) < 0.02
