"""How often `tonelab tune` finds the best settings of a simulated device.

Run by hand::

    python tests/studies/tuning.py [COUNT [FIRST]]
    python tests/studies/tuning.py modes [COUNT]

The device is plain numpy and shares no code with ``tonelab.tune`` or ``tonelab.conversion``: a
published tone curve, then picture controls with registers of their own. Each device starts with
six captures (base, each of four controls alone, all together), and up to three more that the tool
asks for. Its answer is then held against the device itself.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "making"))

from make_measurement import make_measurement
from printed import kept
from simulated import TO_709, SimulatedDevice, pq_light, pq_signal, rgb_of, ycbcr_of

from tonelab.results import Tallies

CONTROLS = ("contrast", "brightness", "colour", "tint")
LOW, HIGH = 0, 100
SHOWN_P95 = 95


@dataclass(frozen=True)
class Menu:
    """One control: register = rounding(rate * (setting - 50)), effect = step * register."""

    step: float
    rate: float
    rounding: str = "round"

    def effect(self, setting):
        register = self.rate * (setting - 50)
        whole = {"round": np.floor(register + 0.5), "floor": np.floor(register),
                 "trunc": np.trunc(register), "none": register}[self.rounding]  # fmt: skip
        return self.step * float(whole)


@dataclass(frozen=True)
class TunedDevice:
    """A converter with a menu of four controls, 10-bit output."""

    converter: SimulatedDevice
    menus: dict = field(default_factory=dict)
    pivot: float = 0.0
    lift_first: bool = False
    coupled: bool = True
    rgb_clip: bool = False

    def codes(self, source_codes, settings):
        """Whole capture codes (P, 3) of 10-bit PQ source codes at menu settings."""
        ycbcr = (np.asarray(source_codes, float) - (64, 512, 512)) / (876, 896, 896)
        out = self.converter.signal(pq_light(rgb_of(ycbcr, "bt2020")))
        return self.coded(out, settings)

    def coded(self, out, settings):
        effect = {name: self.menus[name].effect(settings[name]) for name in CONTROLS}
        contrast, lift = 1 + effect["contrast"], effect["brightness"]
        luma = out[:, 0]
        if self.lift_first:
            luma = contrast * (luma + lift - self.pivot) + self.pivot
        else:
            luma = contrast * (luma - self.pivot) + self.pivot + lift
        chroma = (out[:, 1] + 1j * out[:, 2]) * (1 + effect["colour"])
        chroma *= np.exp(1j * np.radians(effect["tint"])) * (contrast if self.coupled else 1)
        out = np.stack([luma, chroma.real, chroma.imag], axis=1)
        if self.rgb_clip:
            out = ycbcr_of(np.clip(rgb_of(out, "bt709"), 0, 1), "bt709")
        return np.clip(np.floor(out * (876, 896, 896) + (64.5, 512.5, 512.5)), 4, 1019)


def random_device(rng, converter):
    """Draw a menu: steps, registers, rounding, pivot, order, coupling, clipping."""

    def menu(span):
        rate = rng.choice([0.32, 0.5, 0.64, 1.0, 1.28, 2.55, 5.12])
        return Menu(span / 50 / rate * rng.uniform(0.7, 1.3), rate,
                    rng.choice(["round", "floor", "trunc", "none"]))  # fmt: skip

    menus = {
        "contrast": menu(0.35),
        "brightness": menu(0.12),
        "colour": menu(0.6),
        "tint": menu(25),
    }
    return TunedDevice(
        converter, menus, pivot=rng.choice([0.0, 0.5, rng.uniform(0, 0.5)]),
        lift_first=bool(rng.integers(2)), coupled=bool(rng.integers(2)),
        rgb_clip=bool(rng.integers(2)),
    )  # fmt: skip


def chart_codes(levels=8):
    """Source codes of a lattice up to 1000 cd/m2, greys among them."""
    axis = np.linspace(0, pq_signal(1000.0), levels)
    rgb = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), -1).reshape(-1, 3)
    grey = np.repeat(np.linspace(0, pq_signal(1000.0), 40)[:, None], 3, 1)
    ycbcr = ycbcr_of(np.concatenate([rgb, grey]), "bt2020")
    return np.unique(np.round(ycbcr * (876, 896, 896) + (64, 512, 512)), axis=0)


def measured(device, source, settings, name="Simulated", mode=None):
    """A measurement of the device at settings, without any clip."""
    capture = device.codes(source, settings).astype(np.int64)
    whole = source.astype(np.int64)
    count = np.full(whole.shape, 16)
    tables = {
        "source_histogram": np.stack([np.bincount(p, minlength=1024) for p in whole.T]),
        "capture_histogram": np.stack([np.bincount(p, minlength=1024) for p in capture.T]),
        "patch_count_source": count, "patch_count_capture": count,
        "patch_sum_source": 16 * whole, "patch_sum_capture": 16 * capture,
    }  # fmt: skip
    stated = {key: str(value) for key, value in settings.items()}
    if mode is not None:
        stated["mode"] = mode
    tallies = Tallies(7, {key: np.asarray(t, np.int64) for key, t in tables.items()})
    return replace(make_measurement(name), settings=stated, tallies=tallies)


# The truth, typed again


def itp(codes):
    """720 (I, T / 2, P) of 10-bit narrow codes on a BT.1886 display of 100 cd/m2, BT.2124."""
    rgb = rgb_of((codes - (64, 512, 512)) / (876, 896, 896), "bt709")
    light = np.maximum(100 * np.maximum(rgb, 0) ** 2.4 @ np.linalg.inv(TO_709).T, 0)
    lms = light @ (np.array([[1688, 2146, 262], [683, 2951, 462], [99, 309, 3688]]) / 4096).T
    matrix = np.array([[2048, 2048, 0], [6610, -13613, 7003], [17933, -17390, -543]]) / 4096
    return pq_signal(lms) @ matrix.T * (720, 360, 720)


class Truth:
    """What the device really gives at any settings."""

    def __init__(self, device, source, target):
        self.device, self.target = device, itp(target)
        ycbcr = (np.asarray(source, float) - (64, 512, 512)) / (876, 896, 896)
        self.out = device.converter.signal(pq_light(rgb_of(ycbcr, "bt2020")))
        self.known = {}

    def distances(self, settings):
        codes = self.device.coded(self.out, dict(zip(CONTROLS, settings, strict=True)))
        return np.linalg.norm(itp(codes) - self.target, axis=1)

    def p95(self, settings):
        key = tuple(map(int, settings))
        if key not in self.known:
            self.known[key] = float(np.percentile(self.distances(key), SHOWN_P95))
        return self.known[key]

    def best(self, starts):
        """Best of pattern searches from several settings."""
        return min((self._descend(tuple(start)) for start in starts), key=self.p95)

    def _descend(self, here):
        moved = True
        while moved:
            moved = False
            for at in range(4):
                for far in (1, -1, 2, -2, 3, -3, 5, -5, 9, -9):
                    for other in [None, *(o for o in range(4) if o != at)]:
                        for sign in (1, -1) if other is not None else (0,):
                            there = list(here)
                            there[at] += far
                            if other is not None:
                                there[other] += sign * abs(far)
                            if min(there) < LOW or max(there) > HIGH:
                                continue
                            if self.p95(there) < self.p95(here) - 1e-9:
                                here, moved = tuple(there), True
        return here


@dataclass(frozen=True)
class Outcome:
    """One device: what was proposed, what is best, and what was said of it."""

    proposed: float
    best: float
    bound: float
    predicted: float
    low: float
    high: float
    captures: int
    seconds: float

    @property
    def right(self):
        return self.proposed <= self.best + self.bound + 1e-9


CONVERTERS = (
    SimulatedDevice("per-channel", "bt2390"),
    SimulatedDevice("max-rgb", "hable", {"white": 100.0, "peak": 1000.0}),
    SimulatedDevice("luminance", "reinhard-extended", order="matrix-first"),
    SimulatedDevice("per-channel", "bt2446c", encoding="bt1886"),
)


def first_captures(rng, base):
    """Base, each control alone, and all together."""
    alone = [{**base, name: base[name] + int(rng.choice([-20, 20]))} for name in CONTROLS]
    return [base, *alone, {name: base[name] + int(rng.choice([-12, 12])) for name in CONTROLS}]


def one_device(seed, source, outs):
    """Tune one random device toward the same or another converter at a hidden setting."""
    from tonelab.tune import tune

    rng = np.random.default_rng(seed)
    converter = int(rng.integers(len(CONVERTERS)))
    device = random_device(rng, CONVERTERS[converter])
    base = {name: int(rng.integers(42, 59)) for name in CONTROLS}
    hidden = {name: int(np.clip(base[name] + rng.integers(-18, 19), 20, 80)) for name in CONTROLS}
    if seed % 2:
        target = device.coded(outs[converter], hidden)
    else:
        clean = replace(device, menus={name: Menu(0, 1) for name in CONTROLS})
        other = (converter + int(rng.integers(2))) % len(CONVERTERS)
        target = clean.coded(outs[other], dict.fromkeys(CONTROLS, 50))
    goal = measured(device, source, base, "Goal")
    tables = dict(goal.tallies.tables)
    tables["patch_sum_capture"] = 16 * target.astype(np.int64)
    goal = replace(goal, tallies=Tallies(7, tables))

    tried = first_captures(rng, base)
    ranges = dict.fromkeys(CONTROLS, (LOW, HIGH))
    start = time.process_time()
    while True:
        found = tune(
            [measured(device, source, one) for one in tried], goal, ranges=ranges, most=700
        )
        wanted = [one for one in found.suggestions if set(one.settings) == set(CONTROLS)]
        if len(tried) == 9 or not wanted:
            break
        tried.append(dict(wanted[0].settings))
    seconds = time.process_time() - start
    truth = Truth(device, source, target)
    best = found.modes[0].proposals[0]
    chosen = [best.settings[name] for name in CONTROLS]
    starts = [chosen, [hidden[name] for name in CONTROLS], [base[name] for name in CONTROLS]]
    optimum = truth.best(starts)
    return Outcome(
        truth.p95(chosen), truth.p95(optimum), found.modes[0].could_gain,
        best.p95, best.low, best.high, len(tried), seconds,
    ), found, optimum  # fmt: skip


def shared_modes(seed, source, outs):
    """Tune two output modes that share controls; of the second, two captures at most.

    Returns predicted minus true p95 and mean of the second mode at the shared settings, and its
    true p95 there and at the base.
    """
    from tonelab.tune import OPENS, tune

    rng = np.random.default_rng(1000 + seed)
    first, second = rng.choice(len(CONVERTERS), 2, replace=False)
    device = random_device(rng, CONVERTERS[first])
    other = replace(device, converter=CONVERTERS[second])
    base = {name: int(rng.integers(42, 59)) for name in CONTROLS}
    hidden = {name: base[name] + int(rng.integers(-15, 16)) for name in CONTROLS}
    target = device.coded(outs[first], hidden)
    goal = measured(device, source, hidden, "Goal")
    tried = first_captures(rng, base)
    ranges = dict.fromkeys(CONTROLS, (LOW, HIGH))
    seen = [base]
    while True:
        captures = [measured(device, source, one, mode="a") for one in tried]
        captures += [measured(other, source, one, mode="b") for one in seen]
        found = tune(captures, goal, ranges=ranges)
        opening = [one for one in found.suggestions if one.mode == "b" and OPENS in one.reason]
        if len(captures) == 9:
            break
        if opening and len(seen) == 1:
            seen.append(dict(opening[0].settings))
        elif dict(found.compromise) not in tried:
            tried.append(dict(found.compromise))
        else:
            break
    truth = Truth(other, source, target)
    there = found.modes[1].shared
    settings = [there.settings[name] for name in CONTROLS]
    return (
        there.p95 - truth.p95(settings),
        there.mean - float(truth.distances(settings).mean()),
        truth.p95(settings),
        truth.p95([base[name] for name in CONTROLS]),
    )


def outputs(source):
    """Signals of all converters ahead of any menu."""
    light = pq_light(rgb_of((source - (64, 512, 512)) / (876, 896, 896), "bt2020"))
    return [converter.signal(light) for converter in CONVERTERS]


def study(count=100, first=0):
    """Tune ``count`` devices and return their outcomes."""
    source = chart_codes()
    outs = outputs(source)
    outcomes = []
    for seed in range(first, first + count):
        outcome, *_ = one_device(seed, source, outs)
        outcomes.append(outcome)
        say(seed, outcome, "" if outcome.right else "MISSED")
    return outcomes


def say(*words):
    """Write one line at once."""
    sys.stdout.write(" ".join(map(str, words)) + "\n")
    sys.stdout.flush()


def report_modes(count=30):
    """Print how well side effects are predicted."""
    source = chart_codes()
    outs = outputs(source)
    errors = []
    for seed in range(count):
        errors.append(shared_modes(seed, source, outs))
        say(seed, *(f"{value:+.3f}" for value in errors[-1]))
    apart = np.abs(np.array(errors)[:, :2])
    say(f"side effects within 0.5 in {(apart.max(axis=1) <= 0.5).sum()} of {count}")
    say(f"p95 off by at most {apart[:, 0].max():.2f}, mean by {apart[:, 1].max():.2f}")


def report(count=100, first=0):
    """Print how often the proposal is right."""
    found = study(count, first)
    behind = np.array([one.proposed - one.best for one in found])
    bound = np.array([one.bound for one in found])
    inside = sum(one.low <= one.proposed <= one.high for one in found)
    say(f"{sum(one.right for one in found)} of {count} optimal or tied within the interval")
    say(f"{(behind <= 1e-6).sum()} exactly optimal; behind by at most {behind.max():.3f}")
    say(f"interval: median {np.median(bound):.3f}, p95 {np.percentile(bound, 95):.3f}")
    say(f"the true p95 lies in the stated interval in {inside}")


if __name__ == "__main__":
    with kept(__file__, "How often the proposed settings are the best"):
        if sys.argv[1:2] == ["modes"]:
            report_modes(*map(int, sys.argv[2:]))
        else:
            report(*map(int, sys.argv[1:]))
