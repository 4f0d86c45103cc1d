"""Crops of captures that are scaled, shifted and cropped against their source."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from make_measurement import CAPTURE, SOURCE, make_measurement

from tonelab.chart import Geometry
from tonelab.errors import UsageError
from tonelab.media import open_clip, write_clip
from tonelab.pairing.result import Pair
from tonelab.views.pictures import Crop, _Cutter

SIZE = (96, 64)


def planes(width, height, value):
    """Y', Cb, Cr 4:4:4 planes whose luma is ``value(x, y)`` and whose chroma is neutral."""
    y, x = np.mgrid[:height, :width]
    luma = value(x, y).astype(np.uint16)
    return luma, *(np.full((height, width), 512, np.uint16) for _ in range(2))


def clip(path, size, value, signal):
    options = {"rate": Fraction(24), "subsampling": "444", "bits": 10, "codec": "ffv1"}
    write_clip(path, [planes(*size, value)] * 2, width=size[0], height=size[1], signal=signal,
               **options)  # fmt: skip
    return open_clip(path)


def cutter(folder, scale, offset, size):
    """Cut from a capture that shows 64 + 8 x + y, read at source positions."""
    source = clip(folder / "source.mkv", SIZE, lambda x, y: 300 + x + y, SOURCE)
    (sx, sy), (ox, oy) = scale, offset

    def shown(x, y):
        return 64 + 8 * np.floor((x + 0.5 - ox) / sx) + np.floor((y + 0.5 - oy) / sy)

    capture = clip(folder / "capture.mkv", size, lambda x, y: np.clip(shown(x, y), 4, 1019),
                   CAPTURE)  # fmt: skip
    measurement = make_measurement()
    facts = replace(measurement.pairing, scale=scale, offset=offset)
    whole = Geometry((1.0, 1.0), (0.0, 0.0), SIZE)
    matches = np.array([[0, 0], [1, 1]])
    paired = Pair(source, capture, None, whole, whole, matches, facts, ())
    return _Cutter([paired], [measurement], "bt2446a", (32, 16))


@pytest.mark.parametrize(("scale", "offset", "size"), [
    ((1.0, 1.0), (0.0, 0.0), SIZE),
    ((2.0, 2.0), (0.0, 0.0), (192, 128)),
    ((0.5, 0.5), (0.0, 0.0), (48, 32)),
    ((1.0, 1.0), (5.0, -3.0), (104, 61)),
])  # fmt: skip
def test_the_same_place_is_cut_at_the_captures_own_samples(tmp_path, scale, offset, size):
    cut = cutter(tmp_path, scale, offset, size).cut(Crop(1, 40, 20), "here")
    (shown,) = cut.shown
    assert cut.source.shape == (16, 32, 3)
    assert shown.rgb.shape == (round(16 * scale[1]), round(32 * scale[0]), 3)
    expected = 64 + 8 * 40 + 20
    corner = round(255 * (expected - 64) / 876)
    np.testing.assert_allclose(shown.rgb[0, 0], corner, atol=3 / scale[0])
    last = round(255 * (8 * 71 + 35) / 876)
    np.testing.assert_allclose(shown.rgb[-1, -1], last, atol=3 / scale[0])
    assert shown.scale == scale


def test_a_place_that_the_capture_does_not_show_is_refused_and_never_chosen(tmp_path):
    """Eight pixels are lost at the left, and four at the bottom."""
    found = cutter(tmp_path, (1.0, 1.0), (-8.0, 0.0), (88, 60))
    assert found.limits == ((8, 96), (0, 60))
    for x, y in ((7, 0), (8, 45), (65, 0)):
        with pytest.raises(UsageError, match=r"x can be 8 to 64 and y 0 to 44"):
            found.cut(Crop(0, x, y), "here")
    for crop, reason in found.choose(2, lambda *_: None):
        assert 8 <= crop.x <= 64
        assert 0 <= crop.y <= 44
        assert "furthest from the rendered source" in reason
        found.cut(crop, reason)


def test_a_frame_that_is_not_shown_is_said(tmp_path):
    found = cutter(tmp_path, (1.0, 1.0), (0.0, 0.0), SIZE)
    found.present[0].matches[1, 1] = 0
    with pytest.raises(UsageError, match="does not show frame 1"):
        found.cut(Crop(1, 0, 0), "here")
