"""What tuning found, as a terminal shows it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.console import Group
from rich.text import Text

from tonelab.views.terminal.facts import Indented, labelled, number_table

if TYPE_CHECKING:
    from collections.abc import Mapping

    from rich.console import RenderableType

    from tonelab.tune import Confirmation, Control, ModeOutcome, Proposal, Tuning

_MOST_TIES = 8


def tuning_summary(tuning: Tuning) -> RenderableType:
    """Render what tuning found for a terminal."""
    several = len(tuning.modes) > 1
    parts: list[tuple[str, RenderableType]] = [("Controls", _controls(tuning))]
    for one in tuning.modes:
        mode = f" in mode {one.mode}" if several else ""
        parts.append((f"Nearest to {one.target}{mode}", _proposals(one)))
    if several:
        settings = _settings(tuning.compromise)
        parts.append((f"Shared by all modes: {settings}", _shared(tuning)))
        parts.append(("p95 in every mode of the settings that are best for one", _effects(tuning)))
    parts += [("Predicted against measured", _confirmation(one)) for one in tuning.confirmations]
    if tuning.suggestions:
        parts.append(("Capture next", _next(tuning)))
    lines: list[RenderableType] = []
    for title, part in parts:
        lines.append(Text(f"\n{title}", "bold blue"))
        lines.append(Indented(part))
    colours = " and ".join(map(str, dict.fromkeys(one.colours for one in tuning.modes)))
    note = (
        f"p95: 95th percentile of ΔE_ITP over {colours} colours, with its 95 % interval; settings "
        "are ranked by it"
    )
    return Group(*lines, Text(f"\n{note}", "dim"))


def _controls(tuning: Tuning) -> RenderableType:
    rows: list[tuple[str, RenderableType]] = []
    for control in tuning.controls:
        low, high, origin = tuning.ranges[control.name]
        rows.append(
            (control.name, Text(f"{_effect(control)}; {low} to {high} searched ({origin})"))
        )
    rows += [(name, Text(f"left alone: {why}", "yellow")) for name, why in tuning.held.items()]
    order = tuning.modes[0].model.lift_first
    moved = {quantity for control in tuning.controls for quantity in control.quantities}
    if {"gain", "lift"} <= moved:
        said = {None: "not known: no capture varies both", True: "before", False: "after"}[order]
        rows.append(
            ("order", Text(f"lift is added {said} the gain" if order is not None else said))
        )
    return labelled(rows)


def _effect(control: Control) -> str:
    words = []
    for quantity, response in control.responses.items():
        per = (response.table[0, -1] - response.table[0, 0]) / max(response.table.shape[1] - 1, 1)
        unit = {"gain": "", "lift": " codes", "saturation": "", "hue": "°"}[quantity]
        scale = 876 if quantity == "lift" else 1
        name = "chroma gain" if quantity == "saturation" else quantity
        words.append(f"{name} {scale * per:+.3g}{unit} a step")
        if response.registers is not None and response.registers < 1:
            words[-1] += f", {1 / response.registers:.3g} settings share a register"
    if "gain" in control.quantities:
        words.append(f"about luma {control.pivot:.3f}")
        coupling = {1.0: "with chroma", 0.0: "chroma left alone"}
        words.append(coupling.get(control.coupling, f"chroma to the power {control.coupling:.2f}"))
    stage = "after" if control.stage == "after" else "before"
    return f"{', '.join(words)}; {stage} the tone curve"


def _proposals(outcome: ModeOutcome) -> RenderableType:
    table = number_table("settings", "p95", "95 % interval", "mean", "")
    _row(table, "as captured first", outcome.base, "")
    best, *others = outcome.proposals
    _row(table, _settings(best.settings), best, "best")
    ties = [one for one in others if one.tie]
    for one in ties[:_MOST_TIES]:
        _row(table, _settings(one.settings), one, "tie")
    lines: list[RenderableType] = [table]
    if len(ties) > _MOST_TIES:
        lines.append(Text(f"and {len(ties) - _MOST_TIES} more ties", "dim"))
    if not ties and others:
        _row(table, _settings(others[0].settings), others[0], "next")
    lines.append(
        Text(f"Other settings are better by {outcome.could_gain:.2f} at most (97.5 %).", "dim")
    )
    lines.append(
        Text(
            f"No gain, lift, chroma gain and hue can bring the p95 below {outcome.reach:.2f}: "
            "what remains is out of reach of these controls.",
            "dim",
        )
    )
    hidden = int(outcome.model.hidden.sum())
    if hidden:
        lines.append(
            Text(
                f"{hidden} colours sit on a limit of the output in every capture; what lies beyond "
                "it is not known.",
                "dim",
            )
        )
    return Group(*lines)


def _row(table: Any, label: str, one: Proposal, remark: str) -> None:
    table.add_row(
        Text(label), f"{one.p95:.2f}", f"{one.low:.2f} to {one.high:.2f}", f"{one.mean:.2f}", remark
    )


def _shared(tuning: Tuning) -> RenderableType:
    table = number_table("mode", "p95", "95 % interval", "mean", "as captured first", "alone")
    for one in tuning.modes:
        table.add_row(
            Text(one.mode),
            f"{one.shared.p95:.2f}",
            f"{one.shared.low:.2f} to {one.shared.high:.2f}",
            f"{one.shared.mean:.2f}",
            f"{one.base.p95:.2f}",
            f"{one.proposals[0].p95:.2f}",
        )
    return table


def _effects(tuning: Tuning) -> RenderableType:
    table = number_table("best for", *(one.mode for one in tuning.modes))
    for best in tuning.modes:
        shown = [one.proposals[0] if one is best else one.others[best.mode] for one in tuning.modes]
        label = f"{best.mode}: {_settings(best.proposals[0].settings)}"
        table.add_row(Text(label), *(f"{p.p95:.2f} ({p.low:.2f} to {p.high:.2f})" for p in shown))
    return table


def _confirmation(one: Confirmation) -> RenderableType:
    verdict = "inside the interval" if one.inside else "outside the interval"
    return labelled(
        [
            (
                "settings",
                Text(_settings(one.settings) + (f", mode {one.mode}" if one.mode else "")),
            ),
            (
                "p95",
                Text(
                    f"predicted {one.predicted.p95:.2f} ({one.predicted.low:.2f} to "
                    f"{one.predicted.high:.2f}), measured {one.measured_p95:.2f}: {verdict}"
                ),
            ),
            ("mean", Text(f"predicted {one.predicted.mean:.2f}, measured {one.measured_mean:.2f}")),
            ("codes", Text(f"{one.codes_rms:.2f} RMS difference")),
        ]
    )


def _next(tuning: Tuning) -> RenderableType:
    several = len(tuning.modes) > 1
    return labelled(
        (
            f"{number}.",
            Text(
                _settings(one.settings)
                + (f", mode {one.mode}" if several else "")
                + f": {one.reason}"
            ),
        )
        for number, one in enumerate(tuning.suggestions[:5], 1)
    )


def _settings(settings: Mapping[str, int]) -> str:
    return ", ".join(f"{name} {value}" for name, value in settings.items())
