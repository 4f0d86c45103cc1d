"""The next captures that would sharpen the answer."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from tonelab.signal.colorimetry import rgb_to_ycbcr, ycbcr_to_rgb
from tonelab.tune.model import Model, predict
from tonelab.tune.operators import EDGE
from tonelab.tune.outcomes import ModeOutcome, Suggestion

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tonelab.results import Measurement
    from tonelab.tune.captures import Bounds

    Key: TypeAlias = tuple[str, tuple[int, ...]]  # mode and settings of a capture

OPENS = "shows what the limits of the output hide"
_OPEN = 0.75  # gain and saturation at which little touches a limit
_BEYOND = 0.1  # signal by which hidden colours are taken to go beyond it
_LIFTS = 9  # settings of lift that are tried
_MOST_HIDDEN = 0.02  # share of colours on a limit in every capture


def suggest(
    outcomes: Sequence[ModeOutcome],
    captures: Sequence[Measurement],
    limits: Bounds,
    mode_key: str,
) -> tuple[Suggestion, ...]:
    """Name the captures that would sharpen the answer most, each once."""
    found: list[Suggestion] = []
    taken = {_key(one.settings, one.settings.get(mode_key, ""), limits) for one in captures}

    def add(settings: Mapping[str, int], mode: str, reason: str) -> None:
        key = _key(settings, mode, limits)
        if key not in taken:
            taken.add(key)
            found.append(Suggestion(dict(settings), mode, reason))

    main = outcomes[0].model
    for name, why in main.held.items():
        if why.startswith("never"):
            add(
                {**main.base, name: _away(main.base[name], limits[name])},
                outcomes[0].mode,
                f"shows what {name} does by itself",
            )
    moved = {quantity for control in main.controls for quantity in control.quantities}
    if main.lift_first is None and {"gain", "lift"} <= moved:
        # At settings seen alone, so that no register is left to explain the difference.
        both = {
            control.name: _farthest(main.base[control.name], control.seen)
            for control in main.controls
            if set(control.quantities) & {"gain", "lift"}
        }
        add({**main.base, **both}, outcomes[0].mode, "shows whether lift goes through the gain")
    for outcome in outcomes:
        opened = {**main.base, **_opened(outcome.model, limits)}
        place = _key(opened, outcome.mode, limits)
        done = any(_alike(place, one, limits) for one in taken)
        if outcome.model.hidden.mean() > _MOST_HIDDEN and not done:
            hidden = int(outcome.model.hidden.sum())
            add(opened, outcome.mode, f"{OPENS} ({hidden} colours)")
        best, *others = outcome.proposals
        hopeful = sorted((p for p in others if p.tie), key=lambda p: -p.promise)[:2]
        add({**main.base, **best.settings}, outcome.mode, "confirms the proposal")
        for one in hopeful:
            add({**main.base, **one.settings}, outcome.mode, "may be better")
        if len(outcomes) > 1:
            add(
                {**main.base, **outcome.shared.settings},
                outcome.mode,
                "confirms the settings shared by all modes",
            )
    return tuple(found)


def _opened(model: Model, limits: Bounds) -> dict[str, int]:
    """Return settings at which little touches a limit: less gain and saturation, and a lift."""
    found, tried = dict(model.base), []
    for control in model.controls:
        low, high, _ = limits[control.name]
        for quantity in ("gain", "saturation"):
            response = control.responses.get(quantity)
            if response is not None:
                effect = response.table[0][low - response.first : high - response.first + 1]
                found[control.name] = low + int(np.argmin(np.abs(effect - _OPEN)))
        if control.quantities[0] == "lift":
            tried += [{control.name: int(at)} for at in np.linspace(low, high, _LIFTS)]
    rows = [{**found, **lift} for lift in ({}, *tried)]
    matrix = model.limits.matrix
    rgb = ycbcr_to_rgb(model.latent, matrix)
    outward = np.where(rgb > 1 - EDGE, _BEYOND, np.where(rgb < EDGE, -_BEYOND, 0.0))
    guessed = rgb_to_ycbcr(rgb + outward * model.hidden[:, None], matrix)
    settings = np.array([[row[one.name] for one in model.controls] for row in rows])
    shown = predict(replace(model, latent=guessed), settings)
    touched = [int(model.limits.touched(signal).sum()) for signal in shown]
    best = rows[int(np.argmin(touched))]
    for control in model.controls:
        name, (low, high, _) = control.name, limits[control.name]
        # Registers of two steps of the menu show at odd distances only.
        if not any((at - best[name]) % 2 for at in (*control.seen, model.base[name])):
            best[name] += 1 if best[name] < high else -1
    return best


def _farthest(base: int, seen: Sequence[int]) -> int:
    return max(seen, key=lambda setting: abs(setting - base))


def _away(base: int, limits: tuple[int, int, str]) -> int:
    """Return a setting well away from the base, on the side with more room."""
    low, high, _ = limits
    return high - (high - base) // 2 if high - base >= base - low else low + (base - low) // 2


def _key(settings: Mapping[str, object], mode: str, limits: Bounds) -> Key:
    return mode, tuple(int(str(settings.get(name, 0))) for name in limits)


def _alike(first: Key, second: Key, limits: Bounds) -> bool:
    """Whether settings of one mode are the same within a sixth of each range."""
    rows = zip(first[1], second[1], limits.values(), strict=True)
    near = all(6 * abs(one - other) <= high - low for one, other, (low, high, _) in rows)
    return first[0] == second[0] and near
