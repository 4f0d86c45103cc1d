"""Colours of content by hue and level, and which of them are missing."""

from __future__ import annotations

import numpy as np
import pytest

from tonelab.readings.colours import Colours
from tonelab.readings.coverage import colour_coverage
from tonelab.readings.palette import HUES, LEVELS, NEEDED, palette_of
from tonelab.signal.colorimetry import rgb_to_ycbcr
from tonelab.signal.description import Signal
from tonelab.signal.quantisation import ycbcr_to_codes
from tonelab.signal.transfer import eotf_inverse_pq

PQ = Signal(matrix="bt2020", transfer="pq", primaries="bt2020", bits=10)
PURE = {
    "red": (1, 0, 0), "yellow": (1, 1, 0), "green": (0, 1, 0),
    "cyan": (0, 1, 1), "blue": (0, 0, 1), "magenta": (1, 0, 1),
}  # fmt: skip


def colours_of(light):
    """Colours whose source is linear BT.2020 light (N, 3) in cd/m2."""
    ycbcr = rgb_to_ycbcr(eotf_inverse_pq(np.asarray(light, float)), "bt2020")
    codes = ycbcr_to_codes(ycbcr, 10, "narrow")
    rows = np.arange(len(codes))
    return Colours(codes, codes, np.zeros_like(codes), np.ones((len(codes), 3), int), rows, rows)


def each(counts):
    """Colours of each hue at each level as often as ``counts`` (6, 3) says."""
    light = [
        np.maximum(np.array(PURE[hue]) * peak, 0.05 * peak)
        for row, hue in zip(counts, HUES, strict=True)
        for many, peak in zip(row, (5, 50, 400), strict=True)
        for _ in range(many)
    ]
    return colours_of(light)


@pytest.mark.parametrize("peak", [5.0, 50.0, 400.0])
@pytest.mark.parametrize("hue", HUES)
@pytest.mark.parametrize("least", [0.0, 0.1])
def test_primaries_and_their_complements_lie_in_the_sectors_of_their_names(hue, peak, least):
    palette = palette_of(colours_of([np.maximum(PURE[hue], least) * peak]), PQ)
    (row,), (level,) = np.nonzero(palette.count)
    assert HUES[row] == hue
    assert LEVELS[level][0] <= peak < LEVELS[level][1]


def test_greys_are_no_colours():
    assert palette_of(colours_of(np.repeat([[1.0], [100.0]], 3, axis=1)), PQ).coloured == 0


def test_what_is_missing_is_counted_and_named():
    counts = np.full((6, 3), NEEDED)
    counts[HUES.index("green"), 2] -= 3
    counts[:, 0] -= 2
    found = colour_coverage(each(counts), PQ, told=False)
    assert "and 15 are missing" in found.text
    assert "12 of any hue from 0 to 10 cd/m2; 3 green above 100 cd/m2" in found.text
    assert (found.severity, found.value) == ("warning", 6 * 3 * NEEDED - 15)
    assert "content with these colours" in found.decided_by


def test_nothing_is_missing_where_it_was_told_or_all_was_seen():
    few = colour_coverage(each(np.full((6, 3), 1)), PQ, told=True)
    assert (few.severity, "missing" in few.text) == ("info", False)
    all_seen = colour_coverage(each(np.full((6, 3), NEEDED)), PQ, told=False)
    assert all_seen.severity == "info"
    assert "not for want of colours" in all_seen.text
