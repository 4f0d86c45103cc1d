"""Pairs of pictures and of colours in memory, and what checks say of them."""

from __future__ import annotations

import natural
import numpy as np
from charted import MemoryClip, capture_signal, clean, rounded, to_codes

from tonelab.chart import Geometry
from tonelab.checks import CHECKS
from tonelab.checks.samples import Samples
from tonelab.pairing import Pair
from tonelab.pixels.run import tally_pixels
from tonelab.results import PairingFacts
from tonelab.signal.quantisation import ORIGIN

MOMENTS = (4, 20, 26, 40)


def content_pair(device, scale=1.0, offset=(0.0, 0.0), shown=lambda n: natural.planes(2, n)):
    """Pictures and their capture, registered; the device is a function of 4:2:2 planes."""
    clips = (
        MemoryClip("source.mkv", shown, 48, capture_signal(), "420"),
        MemoryClip(
            "capture.mov",
            lambda n: device(clean(shown(n))),
            48,
            capture_signal(),
            "422",
        ),
    )
    grid = Geometry((1.0, 1.0), (0.0, 0.0), natural.SIZE)
    facts = PairingFacts("content", (scale, scale), offset, 0.0, 0, 48)
    usable = np.ones((17, 30), bool)
    usable[[0, -1]], usable[:, [0, -1]] = False, False
    matches = np.arange(48).repeat(2).reshape(-1, 2)
    return Pair(*clips, None, grid, grid, matches, facts, (), usable, np.zeros(1, np.int64))


def content_paths(
    device, scale=1.0, frames=(20,), offset=(0.0, 0.0), shown=lambda n: natural.planes(2, n), run=1
):
    """Tables of runs of frames of such a pair."""
    runs = [np.arange(frame, frame + run).repeat(2).reshape(-1, 2) for frame in frames]
    return tally_pixels(content_pair(device, scale, offset, shown), runs, workers=1)


def findings_of(evidence, *checks):
    found = [f for name in checks for f in CHECKS[name].function(evidence)]
    return {f.id: f for f in found if f.verdict != "transparent"}


def colours(step, count=500, seed=6):
    """Colours of both sides of a step, as centred codes."""
    generator = np.random.default_rng(seed)
    rgb = generator.uniform(0.15, 0.75, (count, 1)) * generator.uniform(0.4, 1, (count, 3))
    source = rounded(to_codes(rgb)).astype(float)
    none = np.zeros(count, np.int64)
    seen = rounded(step(source)).astype(float)
    return Samples(source - ORIGIN, seen - ORIGIN, 0 * source, none + 90, none, none)


def on_luma(function):
    return lambda planes: (rounded(function(planes[0].astype(float))), *planes[1:])


def in_turn(*steps):
    def device(planes):
        for step in steps:
            planes = step(planes)
        return planes

    return device
