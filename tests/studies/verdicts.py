"""Whether verdicts of `compare` say what is true of pairs of simulated devices.

    python tests/studies/verdicts.py --pairs 200 --seed 1

Draws a device as `identification.py` does and a twin of it: equal but for its dither, nearly equal
(its curve moved by less than half a code), equal on average but not in highlights, equal but for
picture controls, or unlike. Printed: kinds of verdict by kind of pair, and every sentence that the
true codes contradict.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "making"))

from identification import SOURCE, random_device
from make_measurement import make_measurement
from simulated import SimulatedDevice, simulated_tallies

from tonelab.chart import Group, Layout
from tonelab.compare import compare
from tonelab.readings.colours import code_step, gather
from tonelab.readings.curves import luminance_curve
from tonelab.readings.signals import read_capture
from tonelab.signal.description import Signal
from tonelab.signal.transfer import eotf_pq

LAYOUT = Layout.create("quick", width=960, height=540, hold=4)
KINDS = ("equal", "nearly equal", "highlights", "controls", "unlike")
# What a verdict on each kind of pair may be; nothing that is false, though it may not be sure.
ALLOWED = {
    "equal": {"same", "undecided", "controls"},
    "nearly equal": {"same", "undecided", "controls"},
    "highlights": {"different", "undecided"},
    "controls": {"controls", "undecided", "same", "different"},
    "unlike": {"different", "undecided", "same", "controls"},
}


@dataclass(frozen=True)
class Bent(SimulatedDevice):
    """A device whose luma is moved by codes around a level of its own output."""

    size: float = 0.0
    level: float = 0.5

    def signal(self, light):
        signal = super().signal(light).copy()
        luma = signal[..., 0]
        signal[..., 0] = luma + self.size / 876 * np.exp(-(((luma - self.level) / 0.05) ** 2))
        return signal


def twin(device: SimulatedDevice, kind: str, rng: np.random.Generator):
    if kind == "nearly equal":
        return Bent(**vars(device), size=rng.uniform(-0.4, 0.4), level=rng.uniform(0.3, 0.9))
    if kind == "highlights":
        size = rng.choice([-1, 1]) * rng.uniform(4, 20)
        return Bent(**vars(device), size=size, level=rng.uniform(0.6, 0.9))
    if kind == "controls":
        moved = {
            "contrast": rng.uniform(0.85, 0.97),
            "brightness": rng.uniform(0.0, 12 / 876),
            "saturation": rng.uniform(0.85, 1.0),
            "hue": rng.uniform(-3, 3),
        }
        return replace(device, controls=moved)
    return random_device(int(rng.integers(2**31))) if kind == "unlike" else device


def measured(device, name: str, seed: int):
    """A measurement that holds what a comparison looks at; its conversion is nobody's."""
    tallies = simulated_tallies(LAYOUT, device, samples=64, frames=2, seed=seed)
    target, _ = read_capture(Signal(), gather(tallies, LAYOUT, Group.NEUTRAL), SOURCE)
    neutrals = gather(tallies, LAYOUT, Group.NEUTRAL)
    neutrals = neutrals[np.argsort(neutrals.source[:, 0], kind="stable")]
    curve = luminance_curve(neutrals, SOURCE, code_step=code_step(tallies, target))
    base = make_measurement(name)
    return replace(
        base, tallies=tallies, luminance_curve=curve, source=replace(base.source, signal=SOURCE),
        capture=replace(base.capture, signal=target),
    )  # fmt: skip


def true_luma(device, light: float) -> float:
    signal = device.signal(np.full((1, 3), light))
    return 64 + 876 * float(signal[0, 0])


def contradictions(verdict, kind: str, one, other) -> list[str]:
    found = []
    if verdict.kind not in ALLOWED[kind]:
        found.append(f"{kind} pair called {verdict.kind}")
    if verdict.luma:
        at = verdict.luma.luminance
        truth = true_luma(other, at) - true_luma(one, at)
        if abs(truth - verdict.luma.codes) > 1.5 * verdict.luma.bound + 0.5:
            found.append(f"true difference at {at:.3g} cd/m2 is {truth:+.2f} codes")
        if verdict.luma.below:
            limit, codes = verdict.luma.below
            lights = eotf_pq(np.linspace(0.02, 0.9, 200))
            apart = [abs(true_luma(other, x) - true_luma(one, x)) for x in lights[lights < limit]]
            if apart and max(apart) > codes + 1:
                found.append(f"below {limit:.3g} cd/m2 they differ by {max(apart):.2f} codes")
    if kind == "controls" and verdict.kind == "controls":
        for name, value in verdict.controls.items():
            # Saturation is the gain of chroma, which contrast moves too.
            unit = {"brightness": 876, "saturation": other.controls["contrast"]}.get(name, 1)
            truth = other.controls[name] * unit
            slack = 0.5 * (value.high - value.low)
            if not value.low - slack <= truth <= value.high + slack:
                found.append(f"{name} is {truth:.4g}, not {value.low:.4g} to {value.high:.4g}")
    return found


def judged(number: int, kind: str):
    """A pair of one kind, drawn from its number, with the verdict on what was measured of it."""
    rng = np.random.default_rng((number, 25))
    one = replace(random_device(number), controls={})
    other = twin(one, kind, rng)
    (verdict,) = compare(
        (measured(one, "A", number), measured(other, "B", number + 10**6))
    ).verdicts
    return one, other, verdict


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    counts: Counter[tuple[str, str]] = Counter()
    wrong = []
    for number in range(options.seed, options.seed + options.pairs):
        kind = KINDS[number % len(KINDS)]
        one, other, verdict = judged(number, kind)
        counts[kind, verdict.kind] += 1
        wrong += [
            f"seed {number} ({kind}): {text}: {verdict.text}"
            for text in contradictions(verdict, kind, one, other)
        ]
    for kind in KINDS:
        found = {told: n for (name, told), n in sorted(counts.items()) if name == kind}
        print(f"{kind:13}", ", ".join(f"{told} {n}" for told, n in found.items()))
    print(f"{options.pairs} pairs, {len(wrong)} contradictions", *wrong, sep="\n")


if __name__ == "__main__":
    main()
