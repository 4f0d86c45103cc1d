"""Everything that reaches the terminal: results on stdout, the rest on stderr."""

from __future__ import annotations

import codecs
import io
import json
import os
import re
import sys
import time
import unicodedata
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

import click

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import Console, ConsoleOptions, RenderableType
    from rich.segment import Segment

    from tonelab.results.progress import StageProgress


READER_GONE = 141  # as a program that SIGPIPE ends
_PIPED_WIDTH = 110
_SILENCE = 5.0  # seconds after which progress is told where there is no terminal

# Control characters but the ends of lines and tabs, and what turns the direction of writing.
_OBEYED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]")

# What a console without the character gets; what is not here becomes a question mark.
_PLAIN = {
    "Δ": "d", "±": "+/-", "×": "x", "–": "-", "—": "-", "°": " deg", "→": "->", "≤": "<=",
    "≥": ">=", "│": "|", "└": "+", "─": "-", "━": "-", "…": "...", "‘": "'", "’": "'",
}  # fmt: skip


@dataclass
class Session:
    """What one call of the command knows: how much to say, and which output is complete."""

    verbosity: int = 0
    written: Path | None = None

    @property
    def quiet(self) -> bool:
        """Whether only results and errors are wanted."""
        return self.verbosity < 0


def settle_streams() -> None:
    """Make both streams writable whatever the console's encoding, and even when closed."""
    codecs.register_error("tonelab", _transliterate)
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, _nowhere())
        elif isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="tonelab")


def say(text: str) -> None:
    """Write one line to stderr."""
    click.echo(visible(text), err=True)


def visible(text: str) -> str:
    """Spell out what a terminal would obey; a stranger's file may name a device by it."""
    return _OBEYED.sub(lambda found: found[0].encode("unicode_escape").decode(), text)


def quoted(path: Path) -> str:
    """Write a path as an argument that a shell takes whole."""
    text = str(path)
    return text if re.fullmatch(r"[\w./\\:+-]+", text) else f'"{text}"'


def print_result(renderable: RenderableType) -> None:
    """Print a result for people on stdout; ends the command with 141 when its reader has gone."""
    from rich.console import Console

    class Results(Console):
        def on_broken_pipe(self) -> None:
            raise BrokenPipeError

    console = Results(markup=False, highlight=False)
    if not console.is_terminal and "COLUMNS" not in os.environ:
        console.width = _PIPED_WIDTH
    with _reader():
        console.print(_Visible(renderable))
        sys.stdout.flush()


@dataclass
class _Visible:
    """A result of which a terminal obeys nothing but its styles."""

    result: RenderableType

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> Iterator[Segment]:
        from rich.segment import Segment

        for text, style, control in console.render(self.result, options):
            yield Segment(text if control else visible(text), style, control)


def print_line(text: str) -> None:
    """Print a result of one line on stdout, never wrapped."""
    with _reader():
        sys.stdout.write(text + "\n")
        sys.stdout.flush()


def print_json(document: Any) -> None:
    """Print the one JSON document of a command on stdout."""
    with _reader():
        sys.stdout.write(json.dumps(document, indent=1, allow_nan=False) + "\n")
        sys.stdout.flush()


@contextmanager
def progress_bar(session: Session) -> Iterator[StageProgress]:
    """Give a ``(stage, done, total)`` callable that shows on stderr how far work has come.

    A terminal gets a bar; anything else a line now and then while work takes long.
    """
    if session.quiet:
        yield lambda _stage, _done, _total: None
        return
    if not sys.stderr.isatty():
        yield _in_lines()
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn
    from rich.progress import TimeRemainingColumn as Remaining

    columns = (TextColumn("{task.description:12}"), BarColumn(), MofNCompleteColumn(), Remaining())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        tasks = {}

        def report(stage: str, done: int, total: int) -> None:
            if stage not in tasks:
                tasks[stage] = bar.add_task(stage, total=total)
            bar.update(tasks[stage], completed=done, total=total)

        yield report


def _in_lines() -> StageProgress:
    """Say how far work has come, a line every `_SILENCE` seconds."""
    last = time.monotonic()

    def report(stage: str, done: int, total: int) -> None:
        nonlocal last
        if time.monotonic() - last >= _SILENCE:
            last = time.monotonic()
            say(f"{stage} {done}/{total}" if total > 1 else stage)

    return report


class Rows:
    """Progress of several things at once, one row each, and lines that stay above them."""

    def __init__(self, bar: Any = None, total: int = 0) -> None:
        self._bar, self._tasks = bar, {}  # type: ignore[var-annotated]
        if bar is not None:
            self._all = bar.add_task("captures", total=total)

    def watch(self, name: str, stage: str, done: int, total: int) -> None:
        """Show how far the thing of this name has come."""
        if self._bar is None:
            return
        if name not in self._tasks:
            self._tasks[name] = self._bar.add_task("")
        label = f"{name[:24]}, {stage}"
        self._bar.update(self._tasks[name], description=label, completed=done, total=total)

    def end(self, name: str) -> None:
        """Take away the row of what has ended, and count it."""
        if self._bar is not None and name in self._tasks:
            self._bar.remove_task(self._tasks.pop(name))
            self._bar.advance(self._all)

    def note(self, text: str) -> None:
        """Write a line to stderr."""
        if self._bar is None:
            say(text)
        else:
            self._bar.console.print(visible(text), markup=False, highlight=False, soft_wrap=True)


@contextmanager
def progress_rows(session: Session, total: int) -> Iterator[Rows]:
    """Give rows of progress on stderr when that is a terminal, lines alone when it is not."""
    if session.quiet or not sys.stderr.isatty():
        yield Rows()
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    # Names are the user's, and brackets in them are no markup.
    columns = (TextColumn("{task.description:40}", markup=False), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        yield Rows(bar, total)


@contextmanager
def _reader() -> Iterator[None]:
    """End quietly when whoever reads stdout has gone."""
    try:
        yield
    except BrokenPipeError:
        # The interpreter flushes stdout once more when it ends.
        sys.stdout = _nowhere()
        raise click.exceptions.Exit(READER_GONE) from None


def _nowhere() -> TextIO:
    return Path(os.devnull).open("w", encoding="utf-8")


def _transliterate(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    text = error.object[error.start : error.end]
    return "".join(map(_plain, text)), error.end


def _plain(character: str) -> str:
    code = ord(character)
    if 0x2800 <= code <= 0x28FF:  # braille: the dots of a curve
        return "*" if code > 0x2800 else " "
    bare = unicodedata.normalize("NFKD", character).encode("ascii", "ignore").decode()
    return _PLAIN.get(character, bare or "?")
