"""How often a device is rightly called static, or varying with the picture.

    python tests/studies/scenes.py --devices 50 --seed 1

Draws static devices as `identification.py` does, and gives each a twin that follows the scene's
peak, one that follows its average and one that adds local contrast.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "making"))

from identification import SOURCE, random_device
from simulated import simulated_tallies

from tonelab.chart import Group, Layout
from tonelab.readings.colours import code_step, gather
from tonelab.readings.repeats import repeatability
from tonelab.readings.signals import read_capture
from tonelab.signal.description import Signal

SCENES = (None, "peak", "average", "local")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--devices", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1, help="first seed")
    options = parser.parse_args()
    layout = Layout.create("quick", width=960, height=540, hold=4)
    swings: dict[str | None, list[float]] = {scene: [] for scene in SCENES}
    wrong: list[str] = []
    for seed in range(options.seed, options.seed + options.devices):
        device = random_device(seed)
        swing = float(np.random.default_rng(seed).uniform(0.03, 0.2))
        for scene in SCENES:
            twin = replace(device, scene=scene, swing=swing)
            if scene == "peak":  # The peak is a parameter of few curves.
                twin = replace(twin, tone="bt2390", tone_parameters={})
            tallies = simulated_tallies(layout, twin, seed=seed)
            target, _ = read_capture(Signal(), gather(tallies, layout, Group.NEUTRAL), SOURCE)
            verdict, (finding,) = repeatability(tallies, layout, code_step(tallies, target))
            swings[scene].append(finding.value or 0.0)
            if (verdict == "static") != (scene is None):
                wrong.append(
                    f"seed {seed}, {scene or 'static'}, swing {swing:.2f}: called {verdict}, "
                    f"{finding.value:.2f} codes against {finding.threshold:g}"
                )
    for scene, sizes in swings.items():
        low, middle, high = np.percentile(sizes, (0, 50, 100))
        name = f"{scene or 'static'} devices"
        count = sum(f", {scene or 'static'}," in line for line in wrong)
        sys.stdout.write(
            f"{name:16s} {len(sizes) - count}/{len(sizes)} right, repeated colours move by "
            f"{low:.2f} / {middle:.2f} / {high:.2f} codes (least, median, most)\n"
        )
    sys.stdout.write("\n".join(wrong) + "\n")


if __name__ == "__main__":
    main()
