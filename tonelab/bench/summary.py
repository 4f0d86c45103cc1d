"""What a run of a plan found, for people."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich import box
from rich.console import Group
from rich.table import Table
from rich.text import Text

from tonelab.views.terminal.comparison import comparison_summary
from tonelab.views.terminal.facts import Indented

if TYPE_CHECKING:
    from rich.console import RenderableType

    from tonelab.bench.outcome import Results

_OF_CAPTURES = {"measure", "check", "verify"}
_STYLES = {"done": "green", "kept": "cyan", "failed": "bold red"}


def run_summary(results: Results) -> RenderableType:
    """Render what became of every capture, what differs between them, and which limits fail."""
    parts: list[RenderableType] = [Text(results.bench.title, "bold")]
    if results.bench.notes:
        parts.append(Text(results.bench.notes, "dim italic"))
    parts += [_heading("Captures"), Indented(_captures(results))]
    if results.corrections:
        texts = {one.name: one.text for one in results.outcomes if one.step == "correct"}
        rows = [f"{one['file']}: {texts[name]}" for name, one in results.corrections.items()]
        parts += [_heading("Corrections"), Indented(Text("\n".join(rows)))]
    rendered = [one for one in results.outcomes if one.step == "apply" and one.state != "failed"]
    if rendered:
        rows = [f"{one.files[0]}: {one.text}" for one in rendered]
        parts += [_heading("Rendered"), Indented(Text("\n".join(rows)))]
    for key, comparison in results.comparisons.items():
        parts += [
            _heading(f"Compared by the source {key}"),
            Indented(comparison_summary(comparison)),
        ]
    failed = [one for one in results.outcomes if one.state == "failed"]
    if failed:
        parts += [_heading("Failed")]
        parts += [Indented(Text(f"{one.step} {one.name}: {one.text}")) for one in failed]
    if results.failing:
        parts += [_heading("Over the limits of the plan")]
        parts += [Indented(Text(sentence)) for sentence in results.failing]
    return Group(*parts)


def _captures(results: Results) -> Table:
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, header_style="dim")
    for column in ("capture", "role", "", "found"):
        table.add_column(column)
    by_name = {one.name: one for one in results.outcomes if one.step in _OF_CAPTURES}
    for task in results.bench.tasks:
        outcome = by_name.get(task.name)
        if outcome is not None:
            state = Text(outcome.state, _STYLES[outcome.state])
            found = "see below" if outcome.state == "failed" else outcome.text
            table.add_row(Text(task.name), task.role, state, Text(found))
    return table


def _heading(text: str) -> Text:
    return Text(f"\n{text}", "bold blue")
