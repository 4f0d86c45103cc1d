"""CIEDE2000 against its published pairs, and CIELAB and CIEDE2000 against colour-science."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from tonelab.identify.evidence import Evidence
from tonelab.scores.standards import score
from tonelab.signal.ciede2000 import ciede2000, cielab
from tonelab.signal.description import Signal

if TYPE_CHECKING:
    from types import ModuleType

# Sharma, Wu and Dalal, "The CIEDE2000 color-difference formula: implementation notes,
# supplementary test data, and mathematical observations", Color Research and Application 30
# (2005), table 1.
PAIRS = """
50.0000   2.6772 -79.7751  50.0000   0.0000 -82.7485   2.0425
50.0000   3.1571 -77.2803  50.0000   0.0000 -82.7485   2.8615
50.0000   2.8361 -74.0200  50.0000   0.0000 -82.7485   3.4412
50.0000  -1.3802 -84.2814  50.0000   0.0000 -82.7485   1.0000
50.0000  -1.1848 -84.8006  50.0000   0.0000 -82.7485   1.0000
50.0000  -0.9009 -85.5211  50.0000   0.0000 -82.7485   1.0000
50.0000   0.0000   0.0000  50.0000  -1.0000   2.0000   2.3669
50.0000  -1.0000   2.0000  50.0000   0.0000   0.0000   2.3669
50.0000   2.4900  -0.0010  50.0000  -2.4900   0.0009   7.1792
50.0000   2.4900  -0.0010  50.0000  -2.4900   0.0010   7.1792
50.0000   2.4900  -0.0010  50.0000  -2.4900   0.0011   7.2195
50.0000   2.4900  -0.0010  50.0000  -2.4900   0.0012   7.2195
50.0000  -0.0010   2.4900  50.0000   0.0009  -2.4900   4.8045
50.0000  -0.0010   2.4900  50.0000   0.0010  -2.4900   4.8045
50.0000  -0.0010   2.4900  50.0000   0.0011  -2.4900   4.7461
50.0000   2.5000   0.0000  50.0000   0.0000  -2.5000   4.3065
50.0000   2.5000   0.0000  73.0000  25.0000 -18.0000  27.1492
50.0000   2.5000   0.0000  61.0000  -5.0000  29.0000  22.8977
50.0000   2.5000   0.0000  56.0000 -27.0000  -3.0000  31.9030
50.0000   2.5000   0.0000  58.0000  24.0000  15.0000  19.4535
50.0000   2.5000   0.0000  50.0000   3.1736   0.5854   1.0000
50.0000   2.5000   0.0000  50.0000   3.2972   0.0000   1.0000
50.0000   2.5000   0.0000  50.0000   1.8634   0.5757   1.0000
50.0000   2.5000   0.0000  50.0000   3.2592   0.3350   1.0000
60.2574 -34.0099  36.2677  60.4626 -34.1751  39.4387   1.2644
63.0109 -31.0961  -5.8663  62.8187 -29.7946  -4.0864   1.2630
61.2901   3.7196  -5.3901  61.4292   2.2480  -4.9620   1.8731
35.0831 -44.1164   3.7933  35.0232 -40.0716   1.5901   1.8645
22.7233  20.0904 -46.6940  23.0331  14.9730 -42.5619   2.0373
36.4612  47.8580  18.3852  36.2715  50.5065  21.2231   1.4146
90.8027  -2.0831   1.4410  91.1528  -1.6435   0.0447   1.4441
90.9257  -0.5406  -0.9208  88.6381  -0.8985  -0.7239   1.5381
 6.7747  -0.2908  -2.4247   5.8714  -0.0985  -2.2286   0.6377
 2.0776   0.0795  -1.1350   0.9033  -0.0636  -0.5514   0.9082
"""


@pytest.mark.outside("Sharma, Wu and Dalal 2005, table 1", "published")
def test_published_pairs() -> None:
    rows = np.array([line.split() for line in PAIRS.split("\n") if line], np.float64)
    assert len(rows) == 34
    one, other, published = rows[:, :3], rows[:, 3:6], rows[:, 6]
    np.testing.assert_allclose(ciede2000(one, other), published, atol=6e-5)
    np.testing.assert_allclose(ciede2000(other, one), published, atol=6e-5)


@pytest.mark.outside("colour-science", "library")
def test_light_to_difference_against_colour(colour: ModuleType) -> None:
    """From BT.2020 light below and above the white of a 100 cd/m2 display, black among it."""
    rng = np.random.default_rng(2000)
    light = 110 * rng.uniform(0, 1, (500, 3)) ** 4
    light[0] = 0
    near = light * rng.uniform(0.9, 1.1, (500, 3))
    space = colour.RGB_COLOURSPACES["ITU-R BT.2020"]
    to_xyz = colour.normalised_primary_matrix(space.primaries, space.whitepoint)
    theirs = [
        colour.XYZ_to_Lab(part @ to_xyz.T / 100, illuminant=space.whitepoint)
        for part in (light, near)
    ]
    ours = [cielab(part, 100.0) for part in (light, near)]
    for one, other in zip(ours, theirs, strict=True):
        np.testing.assert_allclose(one, other, atol=1e-6)
    np.testing.assert_allclose(
        ciede2000(*ours), colour.difference.delta_E_CIE2000(*theirs), atol=1e-6
    )


@pytest.mark.outside("colour-science", "library")
def test_scores_against_colour(colour: ModuleType) -> None:
    """Greys of a device that shows a fifth less light than the clip at 203 cd/m2 asks for."""
    source = np.linspace(1.0, 200.0, 60)
    seen, wanted = 80 * source / 203, 100 * source / 203
    luma = 64 + 876 * (seen / 100) ** (1 / 2.4)
    codes = np.stack([luma, np.full(60, 512.0), np.full(60, 512.0)], axis=1)
    light = np.repeat(source[:, None], 3, axis=1)
    evidence = Evidence(
        light=light,
        codes=codes,
        held_out=np.zeros(60, bool),
        neutral_light=light,
        neutral_codes=codes,
        neutral_smooth=luma,
        ceiling_light=np.inf,
        target=Signal(),
    )
    (found,) = score(evidence, 1000.0, ["clip-203"])
    white = colour.xy_to_XYZ([0.3127, 0.3290])
    labs = [
        colour.XYZ_to_Lab(grey[:, None] / 100 * white, illuminant=[0.3127, 0.3290])
        for grey in (seen, wanted)
    ]
    theirs = colour.difference.delta_E_CIE2000(*labs).mean()
    assert found.ciede2000 == pytest.approx(theirs, rel=1e-4)
    assert found.ciede2000_floor is not None
    assert 0 < found.ciede2000_floor < 0.15  # half a code of 10 bits is 0.06 of L*
