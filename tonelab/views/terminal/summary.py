"""What a person reads after a measurement."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from rich.console import Group
from rich.text import Text

from tonelab.views.sentences import device_sentence
from tonelab.views.terminal.facts import Indented, labelled, number_table, reading
from tonelab.views.terminal.plot import axis, braille
from tonelab.views.words import (
    NONE,
    NOT_IDENTIFIABLE,
    display_of,
    further_chart,
    interval,
    landed,
    left_out,
    light,
    measured,
    picture,
    unit_of,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from rich.console import RenderableType
    from rich.table import Table

    from tonelab.results import (
        ClipFacts,
        Correlation,
        IdentifiedConversion,
        Measurement,
        ParameterEstimate,
    )

_SEVERITIES = {"stop": "bold red", "warning": "yellow", "info": "cyan"}
_PLOT = (64, 12)
_WORTH_NAMING = 0.5  # correlation
_TICKS = (0.1, 1, 10, 100, 1000, 10000)


def summary(measurement: Measurement) -> RenderableType:
    """Render a measurement for a terminal: what it is, what it does, how sure, and what to doubt.

    Returns
    -------
    rich renderable
        For ``rich.print`` or a console's ``print``.
    """
    return Group(
        _title(measurement),
        *_section("How it was read", _facts(measurement)),
        *_section("Luminance curve", _curve(measurement)),
        *_section("Landmarks", _landmarks(measurement)),
        *_section("Conversion", _conversion(measurement.conversion)),
        *_section("Distance from the standard conversions", _scores(measurement)),
        *_section("Findings", _findings(measurement)),
    )


def _title(measurement: Measurement) -> RenderableType:
    title = Text(measurement.device, "bold")
    if measurement.firmware:
        title.append(f"  firmware {measurement.firmware}", "not bold")
    lines: list[RenderableType] = [title]
    if measurement.settings:
        stated = "  ".join(f"{name} = {value}" for name, value in measurement.settings.items())
        lines.append(Text(stated, "dim"))
    if measurement.notes:
        lines.append(Text(measurement.notes, "dim italic"))
    return Group(*lines, Text(device_sentence(measurement.device, measurement)))


def _section(title: str, *parts: RenderableType) -> Iterable[RenderableType]:
    yield Text(f"\n{title}", "bold blue")
    yield from (Indented(part) for part in parts)


def _facts(measurement: Measurement) -> Table:
    pairing = measurement.pairing
    without = left_out(pairing)
    aligned = (
        f"by {pairing.method}: {pairing.used} frames used, "
        f"{'left out: ' + without if without else 'none left out'}; scale "
        f"{pairing.scale[0]:.4g} × {pairing.scale[1]:.4g}, offset {pairing.offset[0]:+.2f}, "
        f"{pairing.offset[1]:+.2f} px, residual {pairing.residual:.2f} px"
    )
    return labelled(
        [
            ("source", _clip(measurement.source)),
            ("capture", _clip(measurement.capture)),
            ("aligned", Text(aligned)),
            *(("with", Text(further_chart(chart))) for chart in measurement.further),
            ("light shown", Text(f"on a {display_of(measurement.capture.signal)}")),
        ]
    )


def _clip(clip: ClipFacts) -> RenderableType:
    return Group(Text.assemble((clip.name, "bold"), f"  {picture(clip)}"), reading(clip))


def _curve(measurement: Measurement) -> RenderableType:
    curve = measurement.luminance_curve
    if len(curve.source_code) < 2:
        return Text(NOT_IDENTIFIABLE)
    x_range = float(curve.source_code[0]), float(curve.source_code[-1])
    y_range = float(curve.smooth.min()), max(float(curve.smooth.max()), curve.smooth.min() + 1)
    lines = braille(curve.source_code, curve.smooth, size=_PLOT, x_range=x_range, y_range=y_range)
    labels = [""] * len(lines)
    labels[0], labels[-1] = f"{y_range[1]:.0f}", f"{y_range[0]:.0f}"
    text = Text("capture code\n", "dim")
    for label, line in zip(labels, lines, strict=True):
        text.append(f"{label:>5} │", "dim").append(line + "\n", "green")
    ticks = {
        f"{level:g}": float(
            (np.interp(level, curve.luminance, curve.source_code) - x_range[0])
            / (x_range[1] - x_range[0])
        )
        for level in _TICKS
        if curve.luminance[0] <= level <= curve.luminance[-1]
    }
    text.append(f"{'':5} └{'─' * _PLOT[0]}\n{'':7}{axis(ticks, _PLOT[0])}\n", "dim")
    clipped = int(curve.clipped.sum())
    tail = f"; {clipped} of {len(curve.code)} points sit on a clip" if clipped else ""
    text.append(f"{'':7}source light, cd/m2{tail}", "dim")
    return text


def _landmarks(measurement: Measurement) -> RenderableType:
    table = number_table("", "source light", "capture code", "output light")
    for mark in measurement.landmarks:
        code, output = landed(mark)
        table.add_row(Text(mark.label), "" if mark.luminance is None else light(mark.luminance),
                      code, output)  # fmt: skip
    return Group(table, Text(f"output on a {display_of(measurement.capture.signal)}", "dim"))


def _conversion(conversion: IdentifiedConversion) -> RenderableType:
    family = Text(conversion.family_label, "bold green")
    if conversion.family is None and conversion.structure:
        family = Text("no published family fits; the free curve stands", "bold yellow")
    rows: list[tuple[str, RenderableType]] = [
        ("tone curve", family),
        *_parameters(conversion.parameters),
        *_greys(conversion),
        ("drive", Text(conversion.drive)),
        ("order", Text(conversion.order)),
        ("chroma", Text(conversion.chroma)),
        ("gamut", Text(conversion.gamut)),
        ("encoding", Text(conversion.encoding)),
        *_parameters(conversion.controls),
        *_correlations(conversion.correlations),
        ("static", Text(conversion.static)),
        ("residual", _residual(conversion)),
    ]
    rows += [
        ("runner-up" if index == 0 else "", Text(f"{rival.held_out_codes_rms:.2f} codes  "
         f"{rival.description}", "dim"))
        for index, rival in enumerate(conversion.runners_up)
    ]  # fmt: skip
    rows += [("note", Text(note)) for note in conversion.notes]
    return labelled(rows)


def _greys(conversion: IdentifiedConversion) -> Iterable[tuple[str, RenderableType]]:
    """Curves that greys alone follow, with the parameters of the first."""
    for index, one in enumerate(conversion.grey_curves):
        text = Text(f"{one.label}, {one.encoding}", "bold green")
        text.append(f"  {one.held_out_codes_rms:.3f} codes RMS on {one.count} greys held out",
                    "dim not bold")  # fmt: skip
        yield ("of greys alone" if index == 0 else "or"), text
        if index == 0:
            yield from _parameters(conversion.grey_parameters)


def _parameters(
    parameters: Mapping[str, ParameterEstimate],
) -> Iterable[tuple[str, RenderableType]]:
    for name, estimate in parameters.items():
        unit = unit_of(estimate.unit)
        if not estimate.identifiable:
            value = Text(NOT_IDENTIFIABLE, "yellow")
        else:
            best, bounds = interval(estimate)
            value = Text(f"{best}{unit}", "bold")
            value.append(f"  95 % {bounds}{unit}" if bounds else "", "dim not bold")
        if estimate.note:
            reason = estimate.note.removeprefix(f"{NOT_IDENTIFIABLE}: ")
            value.append(f"  {reason}", "dim not bold")
        yield f"  {name.replace('_', ' ')}", value


def _correlations(pairs: Sequence[Correlation]) -> Iterable[tuple[str, RenderableType]]:
    """Name the pairs of parameters that hang together; the others are in the document."""
    strong = [
        f"{p.first} and {p.second} {p.value:+.2f}" for p in pairs if abs(p.value) >= _WORTH_NAMING
    ]
    if strong:
        yield "correlated", Text(", ".join(strong).replace("_", " "), "dim")


def _residual(conversion: IdentifiedConversion) -> Text:
    floors = conversion.held_out_codes_rms / conversion.floor_codes_rms
    text = Text(f"{conversion.held_out_codes_rms:.3f} codes RMS", "bold")
    text.append(
        f" on {conversion.held_out_count} colours held out; floor "
        f"{conversion.floor_codes_rms:.3f}, so {floors:.2f} floors "
        f"(fitted {conversion.residual_codes_rms:.3f}, neutrals "
        f"{conversion.neutral_codes_rms:.3f}, free curve {conversion.free_codes_rms:.3f})",
        "not bold",
    )
    return text


def _scores(measurement: Measurement) -> RenderableType:
    if not measurement.scores:
        return Text("none was computed")
    table = number_table("", "mean ΔE_ITP", "p95", "max", "floor", "ΔE00", "luminance", "codes RMS")
    for index, score in enumerate(sorted(measurement.scores, key=lambda entry: entry.mean)):
        table.add_row(
            Text(score.label),
            f"{score.mean:.2f}",
            f"{score.p95:.2f}",
            f"{score.max:.2f}",
            f"{score.floor:.2f}",
            NONE if score.ciede2000 is None else f"{score.ciede2000:.2f}",
            f"{score.luminance_error:.1f} %",
            f"{score.codes_rms:.2f}",
            style="bold" if index == 0 else "",
        )
    first = measurement.scores[0]
    note = f"{first.count} colours, shown on {first.display}"
    if first.ciede2000_floor is not None:
        note += f"; ΔE00 is the mean CIEDE2000, floor {first.ciede2000_floor:.2f}"
    return Group(table, Text(note, "dim"))


def _findings(measurement: Measurement) -> RenderableType:
    if not measurement.findings:
        return Text("none")
    order = list(_SEVERITIES)
    lines = []
    for finding in sorted(measurement.findings, key=lambda item: order.index(item.severity)):
        text = Text(f"{finding.severity:>7}  ", _SEVERITIES[finding.severity])
        text.append(finding.text, "default not bold")
        if finding.value is not None:
            figures = measured(finding.value, finding.bound)
            limit = f", limit {finding.threshold:g}" if finding.threshold is not None else ""
            count = f", {finding.count} samples" if finding.count else ""
            unit = unit_of(finding.unit)
            text.append(f" ({figures}{unit}{limit}{count})", "dim not bold")
        if finding.alternatives:
            text.append(f"\n         or: {'; '.join(finding.alternatives)}", "dim not bold")
        if finding.decided_by:
            text.append(f"\n         to decide: {finding.decided_by}", "dim not bold")
        lines.append(text)
    return Group(*lines)
