"""The tables that summaries consist of, and how a clip is read in one of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from rich import box
from rich.segment import Segment
from rich.table import Table
from rich.text import Text

from tonelab.views.words import readings

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from rich.console import Console, ConsoleOptions, RenderableType

    from tonelab.results import ClipFacts

_LABEL_WIDTH = 12
_INDENT = "  "


def labelled(rows: Iterable[tuple[str, RenderableType]]) -> Table:
    """Lay out labels and what they stand for in two columns."""
    table = Table.grid(padding=(0, 2))
    table.add_column(style="dim", min_width=_LABEL_WIDTH, no_wrap=True)
    table.add_column()
    for label, value in rows:
        table.add_row(label, value)
    return table


@dataclass(frozen=True)
class Indented:
    """A part of a result, two columns in; unlike padding it need not be measured first."""

    part: RenderableType

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> Iterator[Segment]:
        narrower = options.update_width(max(1, options.max_width - len(_INDENT)))
        for line in console.render_lines(self.part, narrower, pad=False):
            yield Segment(_INDENT)
            yield from line
            yield Segment.line()


def number_table(*columns: str) -> Table:
    """Left-align the first column, right-align the numbers in the others."""
    table = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False, header_style="dim")
    for index, column in enumerate(columns):
        table.add_column(Text(column), justify="right" if index else "left", no_wrap=index > 0)
    return table


def reading(clip: ClipFacts) -> Text:
    """How the codes are read, field by field, with what was only assumed standing out."""
    text = Text()
    for index, (field, value, origin) in enumerate(readings(clip.signal)):
        text.append(("  " if index else "") + f"{field} ")
        text.append(value, "bold" if origin in {"inferred", "stated"} else "")
        text.append(f" ({origin})", "yellow" if origin == "assumed" else "dim")
    return text
