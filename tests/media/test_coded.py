"""R'G'B' clips seen as Y'CbCr come back to the codes that were sent."""

from __future__ import annotations

import numpy as np
import pytest
from charted import MemoryClip, to_codes, to_rgb

from tonelab.media.coded import CodedClip
from tonelab.signal.description import Signal

HEIGHT, WIDTH = 70, 40  # more rows than are coded at a time


def sent(bits):
    generator = np.random.default_rng(bits)
    grey = generator.uniform(0.1, 0.9, (HEIGHT, WIDTH, 1))
    rgb = np.clip(grey + generator.uniform(-0.1, 0.1, (HEIGHT, WIDTH, 3)), 0, 1)
    return np.floor(to_codes(rgb) * 2.0 ** (bits - 10) + 0.5)


@pytest.mark.outside("BT.2100-2 tables 6 and 9 in numpy", "published")
@pytest.mark.parametrize("bits", [8, 10, 12])
def test_luma_that_was_sent_in_full_range_comes_back_to_the_code(bits):
    codes = sent(bits)
    top = 2**bits - 1
    rgb = np.floor(np.clip(to_rgb(codes * 2.0 ** (10 - bits)), 0, 1) * top + 0.5).astype(np.uint16)
    read = Signal("rgb", "full", "pq", "bt2020", bits=bits)
    clip = MemoryClip("rgb.mov", lambda _: tuple(np.moveaxis(rgb, -1, 0)), 2, read, "444", bits)
    coded = CodedClip(clip, read)
    assert (coded.signal.matrix, coded.signal.range) == ("bt2020", "narrow")
    for frame in (*coded.frames(0, 1), *coded.pick([0])):
        y, *chroma = frame.planes
        np.testing.assert_array_equal(y, codes[..., 0])
        for plane, wanted in zip(chroma, np.moveaxis(codes[..., 1:], -1, 0), strict=True):
            assert np.abs(plane - wanted).max() <= 1
    assert next(coded.strips([1]))[0] == 1
