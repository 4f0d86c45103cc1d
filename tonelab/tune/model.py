"""All controls of one output mode, and what they predict."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from tonelab.tune.operators import OutputLimits, apply

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from tonelab.signal.arrays import FloatArray, IntArray, Mask
    from tonelab.tune.response import Point, Response

Quantity: TypeAlias = Literal["gain", "lift", "saturation", "hue"]
Stage: TypeAlias = Literal["after", "before"]

SEED = 2390


@dataclass(frozen=True, slots=True)
class TunedCapture:
    """One capture: integer settings of its controls, signal (N, 3), and the step of its codes."""

    name: str
    settings: Mapping[str, int]
    signal: FloatArray
    step: float


@dataclass(frozen=True, slots=True)
class Control:
    """What one control does.

    Attributes
    ----------
    name
        As the settings call it.
    stage
        ``after`` the conversion, on the captured signal; ``before`` it, on the source signal.
    quantities
        What it moves, first its main effect; gain carries its pivot and its chroma coupling.
    pivot, pivot_error
        Luma signal that a gain leaves alone.
    coupling, coupling_error
        Power of the gain that chroma gets too: 1 fully, 0 not.
    responses
        By quantity.
    seen
        Settings that were captured.
    points
        What the responses rest on.
    """

    name: str
    stage: Stage
    quantities: tuple[Quantity, ...]
    responses: Mapping[Quantity, Response]
    seen: tuple[int, ...]
    points: Mapping[Quantity, tuple[Point, ...]] = field(default_factory=dict)
    pivot: float = 0.0
    pivot_error: float = 0.0
    coupling: float = 0.0
    coupling_error: float = 0.0


@dataclass(frozen=True, slots=True)
class Model:
    """All controls of one output mode.

    Attributes
    ----------
    controls
        Those that were learnt.
    held
        Controls that stay at the base setting, with the reason.
    base
        Settings of the base capture.
    latent
        (N, 3): signal before the controls of the ``after`` stage, in the base's own gauge, from
        all captures.
    latent_error
        Standard error of one luma or chroma value of it.
    hidden
        (N,): colours that sit on a limit in every capture.
    limits, step
        Where the output ends, and the step of its codes (signal).
    lift_first
        Whether lift goes through the gain; None when no capture shows it.
    shift
        How far the output moves when the source signal does, for ``before`` controls.
    source
        (N, 3): source signal.
    residuals
        For each capture, RMS by which the model misses it, in signal.
    """

    controls: tuple[Control, ...]
    held: Mapping[str, str]
    base: Mapping[str, int]
    latent: FloatArray
    latent_error: float
    hidden: Mask
    limits: OutputLimits
    step: float
    lift_first: bool | None
    source: FloatArray
    shift: Callable[[FloatArray, FloatArray], FloatArray] | None
    residuals: Mapping[str, float] = field(default_factory=dict)


def operators(
    model: Model, settings: IntArray, draw: int = 0
) -> tuple[FloatArray, FloatArray, NDArray[np.complex128], list[FloatArray] | None]:
    """Return the operator after the conversion for settings (B, controls), and before it.

    Returns
    -------
    gain, lift, chroma
        Shape (B,).
    moved
        For each of B how far the controls before the conversion move its output (N, 3), or
        None when there are none.
    """
    size = len(settings)
    parts: dict[Stage, tuple[FloatArray, FloatArray, NDArray[np.complex128]]] = {}
    random = np.random.default_rng(SEED + draw)
    stages: tuple[Stage, ...] = ("after", "before")
    for stage in stages:
        gain, lift, log_chroma = np.ones(size), np.zeros(size), np.zeros(size, complex)
        added = np.zeros(size)
        for at, control in enumerate(model.controls):
            spread = random.standard_normal(2) if draw else np.zeros(2)
            if control.stage != stage:
                continue
            value = {
                q: r.table[draw][settings[:, at] - r.first] for q, r in control.responses.items()
            }
            if "gain" in value:
                pivot = control.pivot + spread[0] * control.pivot_error
                lift = value["gain"] * lift + pivot * (1 - value["gain"])
                gain = gain * value["gain"]
                coupling = control.coupling + spread[1] * control.coupling_error
                log_chroma = log_chroma + coupling * np.log(np.maximum(value["gain"], 1e-6))
            if "lift" in value:
                added = added + value["lift"]
            if "saturation" in value:
                log_chroma = log_chroma + np.log(np.maximum(value["saturation"], 1e-6))
            if "hue" in value:
                log_chroma = log_chroma + 1j * np.radians(value["hue"])
        through = model.lift_first
        if through is None:
            through = bool(draw % 2)
        lift = lift + added * (gain if through else 1.0)
        parts[stage] = gain, lift, np.exp(log_chroma)
    gain, lift, chroma = parts["after"]
    if model.shift is None or all(c.stage == "after" for c in model.controls):
        return gain, lift, chroma, None
    before = np.stack([*parts["before"][:2], parts["before"][2].real, parts["before"][2].imag], 1)
    distinct, label = np.unique(before, axis=0, return_inverse=True)
    shifts = [
        model.shift(model.source, apply(model.source, row[0], row[1], complex(row[2], row[3])))
        for row in distinct
    ]
    moved = [shifts[at] for at in label.reshape(-1)]
    return gain, lift, chroma, moved


def predict(model: Model, settings: IntArray, draw: int = 0) -> list[FloatArray]:
    """Predict output signals (N, 3), limited but not rounded, for settings (B, controls)."""
    gain, lift, chroma, moved = operators(model, settings, draw)
    out = []
    for row in range(len(settings)):
        latent = model.latent if moved is None else model.latent + moved[row]
        signal = apply(latent, float(gain[row]), float(lift[row]), complex(chroma[row]))
        out.append(model.limits.clip(signal))
    return out
