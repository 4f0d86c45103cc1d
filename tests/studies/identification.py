"""How often identification is right, over simulated devices drawn at random from the family.

    python tests/studies/identification.py --devices 200 --seed 1 --processes 2

Prints a table of what was found against what was simulated, then every failure with the seed that
draws the same device again.
"""

from __future__ import annotations

import argparse
import sys
import time
import traceback
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from itertools import product
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "making"))

from printed import kept
from simulated import (
    DRIVES,
    TONES,
    SimulatedDevice,
    encoded,
    pq_light,
    simulated_tallies,
)

from tonelab.chart import Group, Layout
from tonelab.identify import gather_evidence, identify
from tonelab.readings.colours import code_step, gather
from tonelab.readings.curves import luminance_curve
from tonelab.readings.repeats import repeatability
from tonelab.readings.signals import read_capture
from tonelab.signal.description import Signal

SOURCE = Signal(matrix="bt2020", transfer="pq", primaries="bt2020")
BLENDS = (
    "per-channel+max-rgb",
    "per-channel+luminance",
    "per-channel+luma",
    "per-channel+ictcp",
    "max-rgb+luminance",
    "max-rgb+luma",
    "max-rgb+ictcp",
)
# Chains closer than this share of the rounding floor cannot be told apart by RMS within 4 %.
SAME = 0.3
PARTS = ("drive", "order", "gamut", "encoding")
GAMUTS = ("clip", "excursions", "none", "soft-clip")


def random_tone(generator: np.random.Generator) -> tuple[str, dict[str, float]]:
    def log(low, high):
        return float(np.exp(generator.uniform(np.log(low), np.log(high))))

    uniform = generator.uniform
    white, peak = log(50, 250), log(600, 4000)
    tone = str(generator.choice(list(TONES)))
    match tone:
        case "linear":
            given = {"white": log(80, 600)}
        case "bt2390":
            given = {
                "source_peak": float(generator.choice([1000, 4000, peak])),
                "target_peak": float(generator.choice([100, 100, 203, log(80, 300)])),
                "target_black": float(generator.choice([0, 0, uniform(0.01, 0.1)])),
                "knee_offset": float(generator.choice([0.5, 0.5, 1.0])),
            }
        case "bt2446a":
            given = {
                "hdr_peak": float(generator.choice([1000, 4000, peak])),
                "sdr_peak": float(generator.choice([100, 203])),
            }
        case "bt2446c":
            given = {"slope": uniform(0.6, 1), "knee": log(40, 100), "bend": uniform(0.4, 0.85)}
        case "hable" | "hable-talk":
            given = {"white": log(40, 250), "peak": peak}
        case "aces-narkowicz":
            given = {"white": white}
        case "power":
            given = {"peak": peak, "exponent": uniform(1.3, 2.6), "toe": log(0.5, 10)}
        case "logarithmic":
            given = {"toe": log(3, 300), "peak": peak}
        case "sigmoid":
            given = {"semi_saturation": log(40, 400), "exponent": uniform(0.73, 1.4)}
        case "reinhard":
            given = {"semi_saturation": log(40, 400)}
        case "reinhard-extended" | "reinhard-peak":
            given = {"semi_saturation": log(40, 400), "peak": peak}
        case "drago":
            given = {"adaptation": log(3, 100), "peak": peak, "bias": uniform(0.82, 0.95)}
        case "mobius":
            given = {"white": white, "knee": white * uniform(0.2, 0.8), "peak": peak}
        case "exponential-knee" | "rational-knee":
            given = {"white": white, "knee": white * uniform(0.3, 0.85), "ceiling": 1.0}
    return tone, given


def random_device(seed: int) -> SimulatedDevice:
    """Draw a device; the same seed draws the same device."""
    generator = np.random.default_rng(seed)
    tone, given = random_tone(generator)
    blended = generator.random() < 0.2
    drive = str(generator.choice(BLENDS if blended else list(DRIVES)))
    matrix_first = set(drive.split("+")) <= {"per-channel", "max-rgb", "luminance"}
    order = "matrix-first" if matrix_first and generator.random() < 0.4 else "tone-first"
    gamuts = GAMUTS[:2] if order == "matrix-first" else GAMUTS
    chances = (0.7, 0.3) if order == "matrix-first" else (0.6, 0.2, 0.1, 0.1)
    gamut = str(generator.choice(gamuts, p=chances))
    encoding = str(
        generator.choice(("bt1886", "gamma22", "srgb", "bt709-oetf"), p=(0.5, 0.2, 0.15, 0.15))
    )
    controls: dict[str, float] = {}
    if generator.random() < 0.3:
        controls = {
            "saturation": generator.uniform(0.8, 1.2),
            "hue": generator.uniform(-6, 6),
            "contrast": float(generator.choice([1.0, generator.uniform(0.85, 1.05)])),
            "brightness": float(generator.choice([0.0, generator.uniform(-0.01, 0.03)])),
        }
    over_white = gamut == "excursions" or (tone == "bt2446c" and gamut == "clip")
    super_white = bool(over_white and generator.random() < 0.5)
    return SimulatedDevice(
        drive=drive,
        weight=float(generator.uniform(0.15, 0.85)),
        tone=tone,
        tone_parameters=given,
        order=order,
        gamut=gamut,
        encoding=encoding,
        controls=controls,
        ceiling=bool(generator.random() < 0.5) and not (super_white and tone == "bt2446c"),
        super_white=super_white,
        bits=10 if generator.random() < 0.6 else 8,
        dither=[None, None, "rpdf", "tpdf"][generator.integers(4)],
    )


@dataclass(frozen=True)
class Relabelled(SimulatedDevice):
    """A device told with another structure, its curve taken from the neutrals of the true one."""

    truth: SimulatedDevice = field(default_factory=SimulatedDevice)

    def curve(self, light):
        grid = np.linspace(0, 1, 4001)
        signal = np.clip(encoded(self.truth.curve(pq_light(grid)), self.truth.encoding), 0, None)
        if self.truth.ceiling and not self.truth.super_white:
            signal = np.minimum(signal, 1)
        steps = np.linspace(0, 110 ** (1 / 2.4), 100001) ** 2.4  # up to 10,000 over 90 cd/m2
        decoded = np.interp(signal, encoded(steps, self.encoding), steps)
        return np.interp(np.asarray(light), pq_light(grid), decoded)


def apart(device: SimulatedDevice, codes: np.ndarray, **structure: str) -> float:
    """RMS codes between a device and its retelling with another structure, without rounding."""
    known = {name: getattr(device, name) for name in SimulatedDevice.__dataclass_fields__}
    told = Relabelled(**{**known, **structure, "ceiling": False}, truth=device)
    difference = np.clip(told.real_codes(codes), 4, 1019) - np.clip(
        device.real_codes(codes), 4, 1019
    )
    return float(np.sqrt(np.mean(difference**2)))


@dataclass
class Outcome:
    """What one device gave."""

    seed: int
    device: SimulatedDevice
    right: dict[str, bool] = field(default_factory=dict)
    listed: dict[str, str] = field(default_factory=dict)
    explained: bool = False
    family: str | None = None
    family_right: bool = False
    held_out: float = np.nan
    covered: dict[str, tuple[bool, float, float, float, float]] = field(default_factory=dict)
    false_claims: list[str] = field(default_factory=list)
    static: str = ""
    seconds: float = 0.0
    error: str = ""

    @property
    def structure_right(self) -> bool:
        return bool(self.right) and all(self.right.values())


def spelled(drive: str) -> str:
    return {"blend": "per-channel+max-rgb"}.get(drive, drive)


def judge(seed: int) -> Outcome:
    device = random_device(seed)
    outcome = Outcome(seed, device)
    started = time.process_time()
    try:
        _judge(device, outcome)
    except Exception:  # noqa: BLE001 - a study reports every failure and goes on
        outcome.error = traceback.format_exc(limit=-3)
    outcome.seconds = time.process_time() - started
    return outcome


def _judge(device: SimulatedDevice, outcome: Outcome) -> None:
    layout = Layout.create("quick", width=960, height=540, hold=4)
    tallies = simulated_tallies(layout, device, samples=64, frames=2, seed=outcome.seed)
    target, _ = read_capture(Signal(), gather(tallies, layout, Group.NEUTRAL), SOURCE)
    step = code_step(tallies, target)
    neutrals = gather(tallies, layout, Group.NEUTRAL)
    neutrals = neutrals[np.argsort(neutrals.source[:, 0], kind="stable")]
    curve = luminance_curve(neutrals, SOURCE, code_step=step)
    colours = gather(tallies, layout, Group.LATTICE, Group.NEUTRAL_NEAR, Group.KNEE, Group.SWEEP)
    found = identify(
        gather_evidence(colours, neutrals, curve, SOURCE, target, step=step)
    ).conversion
    outcome.static = repeatability(tallies, layout, step)[0]

    outcome.family = found.family
    outcome.held_out = found.held_out_codes_rms / found.floor_codes_rms
    outcome.listed = {
        "drive": found.drive,
        "order": found.order,
        "gamut": found.gamut,
        "encoding": found.encoding,
        "chroma": found.chroma,
    }
    choices = {
        part: [spelled(name) for name in outcome.listed[part].split(" or ")] for part in PARTS
    }
    outcome.explained = not found.drive.startswith("not identifiable")
    seen = np.isin(layout.patches.group, (Group.LATTICE, Group.KNEE, Group.SWEEP))
    codes = np.unique(layout.patches.code[seen], axis=0)[::4]
    limit = SAME * found.floor_codes_rms
    for part in PARTS:
        truth = getattr(device, part)
        outcome.right[part] = truth in choices[part] and all(
            other == truth or _same(device, codes, choices, part, other, limit)
            for other in choices[part]
        )
    if found.chroma != "none":
        outcome.right["drive"] = False
    if outcome.explained and found.family is None:
        for encoding in ("bt1886", "gamma22", "srgb", "bt709-oetf"):
            if encoding not in choices["encoding"] and (
                apart(device, codes, encoding=encoding) < 0.1 * found.floor_codes_rms
            ):
                outcome.false_claims.append(f"encoding {found.encoding} but {encoding} is the same")
    _judge_parameters(device, outcome, found)


def _same(device, codes, choices, part, other, limit) -> bool:
    rest = [name for name in PARTS if name != part]
    for values in product(*(choices[name] for name in rest)):
        told = {part: other, **dict(zip(rest, values, strict=True))}
        drives = told["drive"].split("+")
        # Without a matrix there is no order, and luminance is the same before and after it.
        if told["gamut"] == "none" or (told["drive"], told["gamut"]) == ("luminance", "soft-clip"):
            told["order"] = "tone-first"
        if told["order"] == "matrix-first" and told["gamut"] == "soft-clip":
            continue
        if not set(drives) <= set(DRIVES) or told["gamut"] not in GAMUTS:
            continue
        if apart(device, codes, **told) < limit:
            return True
    return False


def _judge_parameters(device: SimulatedDevice, outcome: Outcome, found) -> None:
    light = pq_light(np.linspace(0, 1, 800))
    truth: dict[str, float] = {**device.controls}
    if "+" in device.drive and spelled(found.drive) == device.drive:
        truth["weight"] = device.weight
    if found.family is not None and found.family in TONES:
        values = {name: e.value for name, e in found.parameters.items()}
        drawn = np.clip(TONES[found.family](light, **values), 0, 1)
        meant = np.clip(TONES[device.tone](light, **device.tone_parameters), 0, 1)
        difference = np.abs(drawn ** (1 / 2.4) - meant ** (1 / 2.4)).max() * 876
        outcome.family_right = found.family == device.tone or bool(
            difference < 0.5 * found.floor_codes_rms / 0.2887
        )
        if found.family == device.tone:
            truth |= _with_defaults(device)
    for name, e in {**found.parameters, **found.controls}.items():
        if e.identifiable and name in truth:
            inside = e.low <= truth[name] <= e.high
            outcome.covered[name] = (inside, truth[name], e.value, e.low, e.high)
    for name, (_, meant_value, value, low, high) in outcome.covered.items():
        if abs(value - meant_value) > max(3 * (high - low), 0.02 * abs(meant_value)):
            outcome.false_claims.append(f"{name} claimed at {value:.5g}, truth {meant_value:.5g}")


def _with_defaults(device: SimulatedDevice) -> dict[str, float]:
    curve = TONES[device.tone]
    names = curve.__code__.co_varnames[1 : curve.__code__.co_argcount]
    return {**dict(zip(names, curve.__defaults__ or (), strict=True)), **device.tone_parameters}


def table(outcomes: list[Outcome]) -> str:
    """Return the summary as lines of text."""
    done = [o for o in outcomes if not o.error]
    covered = [c for o in done for c in o.covered.values()]
    named = [o for o in done if o.family]

    def share(flags) -> str:
        flags = list(flags)
        return f"{sum(flags)}/{len(flags)} ({100 * sum(flags) / max(len(flags), 1):.1f} %)"

    rows = [
        ("errors", share(bool(o.error) for o in outcomes)),
        ("explained at the floor", share(o.explained for o in done)),
        ("structure right", share(o.structure_right for o in done)),
        *[(f"  {part} right", share(o.right[part] for o in done)) for part in PARTS],
        (
            "  without blend or controls",
            share(
                o.structure_right
                for o in done
                if "+" not in o.device.drive and not o.device.controls
            ),
        ),
        ("  with controls", share(o.structure_right for o in done if o.device.controls)),
        ("  with blended drive", share(o.structure_right for o in done if "+" in o.device.drive)),
        ("family named", share(bool(o.family) for o in done)),
        ("  and right among those named", share(o.family_right for o in named)),
        ("held-out residual <= 1.2 floors", share(o.held_out <= 1.2 for o in done)),
        ("intervals that cover the truth", share(c[0] for c in covered)),
        (
            "values within 1 % of the truth",
            share(abs(c[2] - c[1]) <= 0.01 * max(abs(c[1]), 1e-9) for c in covered),
        ),
        ("devices with a false claim", share(bool(o.false_claims) for o in done)),
        ("called static", share(o.static == "static" for o in done)),
        ("median CPU seconds", f"{np.median([o.seconds for o in outcomes]):.1f}"),
    ]
    return "\n".join(f"{name:34s} {value}" for name, value in rows)


def failures(outcomes: list[Outcome]) -> str:
    lines = []
    for o in outcomes:
        if o.error:
            lines.append(f"seed {o.seed}: {o.error}")
            continue
        d = o.device
        told = f"{d.drive} {d.weight:.2f}" if "+" in d.drive else d.drive
        head = (
            f"seed {o.seed}: {d.tone} {told} {d.order} {d.gamut} {d.encoding} {d.bits}-bit "
            f"dither {d.dither} ceiling {d.ceiling} super-white {d.super_white} "
            f"{ {k: round(v, 3) for k, v in d.tone_parameters.items()} } "
            f"{ {k: round(v, 3) for k, v in d.controls.items()} }"
        )
        found = []
        if not o.structure_right or o.held_out > 1.2:
            found.append(f"found {o.listed}, held out {o.held_out:.2f} floors")
        if o.family and not o.family_right:
            found.append(f"named {o.family}")
        if not o.family:
            found.append("no family named")
        for name, (inside, truth, value, low, high) in o.covered.items():
            if not inside:
                found.append(f"{name} {truth:.5g} outside {low:.5g}..{high:.5g} ({value:.5g})")
        found += o.false_claims
        if o.static != "static":
            found.append(f"called {o.static}")
        if found:
            lines.append(head + "\n    " + "\n    ".join(found))
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--devices", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1, help="first seed")
    parser.add_argument("--processes", type=int, default=2, choices=(1, 2))
    options = parser.parse_args()
    seeds = range(options.seed, options.seed + options.devices)
    outcomes = []
    with ProcessPoolExecutor(options.processes) as pool:
        for outcome in pool.map(judge, seeds):
            outcomes.append(outcome)
            sys.stderr.write(f"\r{len(outcomes)}/{len(seeds)}")
            sys.stderr.flush()
    head = f"{options.devices} devices, seeds {seeds[0]} to {seeds[-1]}"
    sys.stdout.write(f"{head}\n\n{table(outcomes)}\n\nFailures\n{failures(outcomes)}\n")


if __name__ == "__main__":
    with kept(__file__, "How often identification is right"):
        main()
