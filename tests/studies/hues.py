"""How well `tonelab check` gives hue rotation and saturation, and how often its intervals hold.

    python tests/studies/hues.py [CAPTURES]

Captures of the chart with a random rotation and chroma gain, in 10 and 8 bits, with triangular
dither of two steps where the capture has a noise of its own.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "making"))

from charted import capture_signal, chain, controls, evidence_of, rounded
from printed import kept

from tonelab.checks import examine


def dithered(seed: int, step: int):
    def fault(planes, index):
        generator = np.random.default_rng((seed, index))
        noise = [generator.random((2, *plane.shape)) for plane in planes]
        return tuple(
            step * rounded(plane / step + a - b, 1023 // step)
            for plane, (a, b) in zip(planes, noise, strict=True)
        )

    fault.by_frame = True
    return fault


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    for name, step in (("10 bits", 0), ("10 bits, dither", 1), ("8 bits, dither", 4)):
        errors, bounds = [], []
        for seed in range(count):
            generator = np.random.default_rng((9, seed))
            hue, gain = generator.uniform(-2, 2), generator.uniform(0.95, 1.05)
            faults = [controls(hue=hue, saturation=gain), *([dithered(seed, step)] * bool(step))]
            results, _ = examine(evidence_of(chain(*faults), signal=capture_signal()))
            found = {result.name: result.findings[0] for result in results}
            errors.append((found["hue"].value - hue, 100 * (found["saturation"].value - gain)))
            bounds.append((found["hue"].bound, 100 * found["saturation"].bound))
        error, bound = np.abs(errors), np.array(bounds)
        for column, what in enumerate(("hue, degrees", "saturation, %")):
            print(
                f"{name}; {what}: largest error {error[:, column].max():.4f}, half width "
                f"{np.median(bound[:, column]):.4f}, holds in "
                f"{np.mean(error[:, column] <= bound[:, column]):.0%} of {count}"
            )


if __name__ == "__main__":
    with kept(__file__, "How well hue and saturation of a pass-through are resolved"):
        main()
