"""From captures at a few menu settings to the settings nearest to a target.

Controls are learnt from captures, see `tonelab.tune.learn`; integer settings are then searched and
ranked by the predicted 95th percentile of ΔE_ITP, see `tonelab.tune.search`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from tonelab.errors import UsageError
from tonelab.tune.captures import (
    as_capture,
    ends_of,
    hull,
    ranges_of,
    unique_rows,
    varying,
    views_of,
)
from tonelab.tune.confirm import at_settings, confirmed, own_error
from tonelab.tune.learn import learn
from tonelab.tune.model import Control
from tonelab.tune.outcomes import Confirmation, ModeOutcome, Suggestion, Tuning
from tonelab.tune.search import Aim, Proposal, out_of_reach, rank, search, settle
from tonelab.tune.suggest import OPENS, suggest
from tonelab.tune.targets import before_controls, restricted, target_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tonelab.results import Measurement
    from tonelab.tune.captures import ModeCaptures
    from tonelab.tune.search import SettingArray

__all__ = [
    "OPENS",
    "Confirmation",
    "Control",
    "ModeOutcome",
    "Proposal",
    "Suggestion",
    "Tuning",
    "tune",
]

MODE = "mode"
COLOURS = 1500  # colours shared by all captures, evenly taken


def tune(
    captures: Sequence[Measurement],
    toward: str | Measurement,
    *,
    ranges: Mapping[str, tuple[int, int]] | None = None,
    confirm: Sequence[Measurement] = (),
    mode_key: str = MODE,
    most: int = COLOURS,
) -> Tuning:
    """Find the integer settings of a device that bring it nearest to a target.

    Parameters
    ----------
    captures
        The base first, then the same device at other settings, each with ``--setting KEY=VALUE``.
    toward
        A standard conversion by name, ``source``, or a measurement.
    ranges
        Lowest and highest setting of controls; by default those seen.
    confirm
        Captures to hold against their prediction; nothing is learnt from them.
    mode_key
        Setting that names the output mode. Modes that convert nothing, HDR to HDR or SDR to SDR,
        aim at the source.
    most
        Colours to use, evenly taken.

    Returns
    -------
    Tuning
        Controls, proposals with intervals and ties, side effects, next captures.

    Raises
    ------
    UsageError
        When no control varies, captures do not belong together, or a range is impossible.
    """
    names = varying(captures, mode_key)
    bounds = ranges_of(captures, names, ranges or {})
    limits = {name: bounds[name][:2] for name in names}
    every = [*captures, *confirm]
    learnable = {name: hull(limits[name], every, name) for name in names}
    views = views_of(every, None if isinstance(toward, str) else toward, mode_key, most)
    modes = _learn_modes(captures, views, toward, names, learnable, mode_key)
    main = modes[0].aim.model
    known = [control.name for control in main.controls]
    if not known:
        raise UsageError(
            "None of the controls could be learnt: "
            + "; ".join(f"{name}: {why}" for name, why in main.held.items())
            + ". Capture each of them alone at another setting."
        )
    aims = [restricted(one.aim, known) for one in modes]
    span = [limits[name] for name in known]
    starts = unique_rows(
        [[one.settings.get(name, captures[0].settings[name]) for name in known] for one in captures]
    )
    own = [
        own_error(aim, captures, views, one.mode, mode_key)
        for aim, one in zip(aims, modes, strict=True)
    ]
    singles = [search([aim], span, starts) for aim in aims]
    together = _compromise(aims, span, starts, singles)
    ranked = [
        rank(aim, span, found, known, error, starts)
        for aim, found, error in zip(aims, singles, own, strict=True)
    ]
    best = [np.array([found[0].settings[name] for name in known]) for found, _ in ranked]
    outcomes = []
    for at, (one, aim, error) in enumerate(zip(modes, aims, own, strict=True)):
        base = np.array([aim.model.base[name] for name in known])
        outcomes.append(
            ModeOutcome(
                mode=one.mode,
                target=one.target,
                base=at_settings(aim, base, known, error),
                proposals=tuple(ranked[at][0]),
                shared=at_settings(aim, together, known, error),
                others={
                    mode.mode: at_settings(aim, settings, known, error)
                    for mode, settings in zip(modes, best, strict=True)
                    if mode is not one
                },
                could_gain=ranked[at][1],
                reach=out_of_reach(aim, singles[at]),
                model=aim.model,
                colours=len(aim.target),
            )
        )
    return Tuning(
        device=captures[0].device,
        controls=main.controls,
        held=main.held,
        ranges=bounds,
        modes=tuple(outcomes),
        compromise=dict(zip(known, map(int, together), strict=True)),
        suggestions=suggest(outcomes, every, bounds, mode_key),
        confirmations=tuple(
            confirmed(one, view.codes, [m.mode for m in modes], aims, known, own, mode_key)
            for one, view in zip(confirm, views[len(captures) :], strict=True)
        ),
    )


class _Mode(NamedTuple):
    """An output mode, what was learnt in it, and the name of its target."""

    mode: str
    aim: Aim
    target: str


def _learn_modes(
    captures: Sequence[Measurement],
    views: Sequence[ModeCaptures],
    toward: str | Measurement,
    names: Sequence[str],
    ranges: Mapping[str, tuple[int, int]],
    mode_key: str,
) -> list[_Mode]:
    """Learn the controls in each mode, the first being that of the base; others inherit from it."""
    modes = dict.fromkeys(one.settings.get(mode_key, "") for one in captures)
    found: list[_Mode] = []
    for mode in modes:
        rows = [at for at, one in enumerate(captures) if one.settings.get(mode_key, "") == mode]
        first = captures[rows[0]]
        shared, signal = views[rows[0]].shared, views[rows[0]].signal
        source, shift = before_controls(first, shared)
        model = learn(
            [as_capture(captures[at], views[at], names) for at in rows],
            ranges,
            source,
            shift,
            ends_of(signal),
            found[0].aim.model if found else None,
        )
        target, label = target_of(toward, first, shared, signal)
        found.append(_Mode(mode, Aim(model, target, signal), label))
    return found


def _compromise(
    aims: Sequence[Aim],
    span: Sequence[tuple[int, int]],
    starts: SettingArray,
    singles: Sequence[SettingArray],
) -> SettingArray:
    """Find the settings that serve all modes; those of the only one where there is no other."""
    if len(aims) == 1:
        return singles[0]
    best = [float(aim.p95(found[None])[0]) for aim, found in zip(aims, singles, strict=True)]
    begin = np.unique(np.concatenate([starts, singles]), axis=0)
    low, high = np.array(span).T
    found = search(aims, span, begin, best)
    return settle(aims, best, np.clip([found, *begin], low, high))
