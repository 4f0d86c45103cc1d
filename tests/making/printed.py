"""What a study or a benchmark prints, kept in a Markdown file beside it when asked to."""

from __future__ import annotations

import io
import sys
from contextlib import contextmanager, redirect_stdout
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

KEEP = "--keep"


class _Both(io.TextIOBase):
    """Write to the terminal at once, and remember."""

    def __init__(self, terminal, memory) -> None:
        self.terminal, self.memory = terminal, memory

    def write(self, text: str) -> int:
        self.memory.write(text)
        return self.terminal.write(text)

    def flush(self) -> None:
        self.terminal.flush()


@contextmanager
def kept(script: str, title: str, *, fenced: bool = True) -> Iterator[None]:
    """Keep what is printed in ``NAME.md`` beside ``name.py`` if the command says ``--keep``.

    ``fenced`` is for prints that are not Markdown themselves.
    """
    keep = KEEP in sys.argv
    if keep:
        sys.argv.remove(KEEP)
    words, memory = sys.argv[1:], io.StringIO()
    with redirect_stdout(_Both(sys.stdout, memory)):
        yield
    if keep:
        path = Path(script).resolve()
        place = path.relative_to(path.parents[2]).as_posix()
        body = memory.getvalue().strip("\n")
        fence = "```" if fenced else ""
        path.with_name(f"{path.stem.upper()}.md").write_text(
            f"# {title}\n\nPrinted on {datetime.now(UTC):%Y-%m-%d} by:\n\n"
            f"    python {' '.join([place, *words])}\n\n{fence}{'text' if fenced else ''}\n{body}\n"
            f"{fence}\n".replace("\n\n\n", "\n\n"),
            encoding="utf-8",
        )
