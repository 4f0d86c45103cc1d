"""What each pixel table costs, as the entries of `PIXEL_TABLES` state it.

    python tests/benchmarks/pixel_tables.py

Processor milliseconds a burst of two frames and million captured luma pixels, decoding left out,
the least of three, of pictures in memory on one thread: 1080p that was left in place, and the same
halved. Each entry is timed by itself, with the scaled source at hand, for which "resampling" pays,
and "steadiness" of a burst of five; all together take less, as they share more than that.
"""

from __future__ import annotations

import sys
import time
from functools import lru_cache
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "making"))

import natural
import numpy as np
from charted import MemoryClip, capture_signal, clean, rounded

from tonelab.chart import Geometry
from tonelab.pairing import Pair
from tonelab.pixels.bursts import LONG_BURST, Burst
from tonelab.pixels.run import PIXEL_TABLES
from tonelab.results import PairingFacts

SIZE = (1920, 1080)
ROUNDS = 3
PAYS, LONG = "resampling", "steadiness"  # pays for finding the scaler; adds nothing of two frames


@lru_cache(maxsize=4)
def shown(index):
    return natural.planes(2, index, SIZE)


def halved(planes):
    """Means of four samples, of each plane."""
    sizes = [(plane.shape[0] // 2, plane.shape[1] // 2) for plane in planes]
    return tuple(
        rounded(plane.astype(float).reshape(rows, 2, columns, 2).mean(axis=(1, 3)))
        for plane, (rows, columns) in zip(planes, sizes, strict=True)
    )


def pair_of(device, scale):
    captured = lru_cache(maxsize=4)(lambda n: device(clean(shown(n))))
    clips = (
        MemoryClip("source.mkv", shown, 8, capture_signal(), "420"),
        MemoryClip("capture.mov", captured, 8, capture_signal(), "422"),
    )
    grid = Geometry((1.0, 1.0), (0.0, 0.0), SIZE)
    facts = PairingFacts("content", (scale, scale), (0.0, 0.0), 0.0, 0, 8)
    usable = np.ones((-(-SIZE[1] // 16), SIZE[0] // 16), bool)
    matches = np.arange(8).repeat(2).reshape(-1, 2)
    return Pair(*clips, None, grid, grid, matches, facts, (), usable, np.zeros(1, np.int64))


def timed(function):
    started = time.process_time()
    function()
    return 1000 * (time.process_time() - started)


def cost(pair, *entries):
    """Milliseconds of some entries on a burst of two frames, decoding left out."""
    frames = LONG_BURST if {entry.name for entry in entries} == {LONG} else 2
    burst = Burst(pair, 0, pair.matches[1 : 1 + frames])
    burst.pairs, burst.lumas  # noqa: B018
    if PAYS not in {entry.name for entry in entries}:
        burst.shown  # noqa: B018
    return timed(lambda: [entry.function(burst) for entry in entries])


def main():
    pairs = (pair_of(lambda planes: planes, 1.0), pair_of(halved, 0.5))
    rows = {name: (entry,) for name, entry in PIXEL_TABLES.items()}
    print(f"{'':20s}{'in place':>12s}{'halved':>12s}")
    for name, entries in {**rows, "all together": tuple(PIXEL_TABLES.values())}.items():
        cells = []
        for pair in pairs:
            pixels = pair.capture.width * pair.capture.height / 1e6
            cells.append(min(cost(pair, *entries) for _ in range(ROUNDS)) / pixels)
        print(f"{name:20s}{''.join(f'{cell:12.0f}' for cell in cells)}")


if __name__ == "__main__":
    main()
