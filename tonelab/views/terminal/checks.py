"""What the checks of a pair found, as a terminal shows it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich import box
from rich.console import Group
from rich.table import Table
from rich.text import Text

from tonelab.views.terminal.facts import labelled, reading
from tonelab.views.words import measured, picture, unit_of, verdict_line

if TYPE_CHECKING:
    from collections.abc import Iterable

    from rich.console import RenderableType

    from tonelab.results import CheckReport, ClipFacts, Finding

_COLOURS = {"transparent": "green", "not transparent": "bold red", "cannot tell": "yellow", "": ""}


def check_summary(report: CheckReport) -> RenderableType:
    """Render a report for a terminal: a table by check, then what would decide the open ones.

    Returns
    -------
    rich renderable
        For ``rich.print`` or a console's ``print``.
    """
    clips = [("source", report.source), ("capture", report.capture)]
    if report.loopback is not None:
        clips.append(("loopback", report.loopback))
    kind = "pass-through: the capture shows the source's own signal"
    if not report.pass_through:
        kind = "conversion: only the checks that apply to one are made"
    parts: list[RenderableType] = [
        labelled([*((name, _clip(clip)) for name, clip in clips), ("path", Text(kind))]),
        Text(""),
        _table(report),
    ]
    if report.registration:
        lines = (Text(f"  {finding.text}") for finding in report.registration)
        parts += [Text("\nRegistration", "bold blue"), *lines]
    return Group(*parts, Text(f"\n{verdict_line(report)}", "bold"))


def _clip(clip: ClipFacts) -> RenderableType:
    return Group(Text.assemble((clip.name, "bold"), f"  {picture(clip)}"), reading(clip))


def _table(report: CheckReport) -> Table:
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, header_style="dim")
    table.add_column("check", no_wrap=True)
    table.add_column("verdict", no_wrap=True)
    table.add_column("finding", ratio=1)
    for result in report.results:
        for index, finding in enumerate(result.findings):
            table.add_row(
                "" if index else result.name,
                Text(finding.verdict, _COLOURS[finding.verdict]),
                Text.assemble(finding.text, *_rests_on(finding)),
            )
    return table


def _rests_on(finding: Finding) -> Iterable[tuple[str, str]]:
    """Figures, other explanations, and what would decide, as dim lines under the sentence."""
    figures = []
    if finding.value is not None:
        figures.append(f"{measured(finding.value, finding.bound, 5)}{unit_of(finding.unit)}")
    if finding.threshold is not None:
        figures.append(f"limit {finding.threshold:.5g}")
    if finding.count:
        figures.append(f"{finding.count:,} samples")
    if figures:
        yield f"\n{', '.join(figures)}", "dim"
    if finding.alternatives:
        yield f"\nor: {'; '.join(finding.alternatives)}", "dim"
    if finding.decided_by:
        yield f"\nto decide: {finding.decided_by}", "dim"
