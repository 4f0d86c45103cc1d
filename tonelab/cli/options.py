"""Options that several verbs share, and the types of their values."""

from __future__ import annotations

import logging
import os
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click
from click.shell_completion import CompletionItem

from tonelab.cli.terminal import Session, say

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from concurrent.futures import Executor

    from tonelab.results import Finding

Command = TypeVar("Command", bound="Callable[..., Any]")

FILE = click.Path(path_type=Path)
SEVERITIES = ("info", "warning", "stop")


class Written(click.Path):
    """A file to write, whose name ends in what it holds."""

    def __init__(self, *suffixes: str) -> None:
        super().__init__(path_type=Path)
        self.suffixes = suffixes

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """Take a path, or say which name it should have."""
        path = Path(os.fsdecode(super().convert(value, param, ctx)))
        if path.suffix.lower() not in self.suffixes:
            named = " or ".join(str(path.with_suffix(suffix)) for suffix in self.suffixes)
            self.fail(f"{path} does not say what it will hold: name it {named}.", param, ctx)
        return path


class FigureName(click.ParamType):  # type: ignore[type-arg]  # later releases alone are generic
    """A figure of a measurement; the register is read only when its names are needed."""

    name = "figure"

    def get_metavar(self, param: click.Parameter, ctx: click.Context | None = None) -> str:  # noqa: ARG002
        """Show the names as a choice."""
        return f"[{'|'.join(self._names())}]"

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """Take the name of a figure, or list those that there are."""
        names = self._names()
        if value not in names:
            self.fail(f"{value!r} is not one of {', '.join(map(repr, names))}.", param, ctx)
        return value

    def shell_complete(
        self,
        ctx: click.Context,  # noqa: ARG002
        param: click.Parameter,  # noqa: ARG002
        incomplete: str,
    ) -> list[CompletionItem]:
        """Complete the names."""
        return [CompletionItem(name) for name in self._names() if name.startswith(incomplete)]

    @staticmethod
    def _names() -> list[str]:
        from tonelab.views.figures import FIGURES

        return list(FIGURES)


as_json = click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON document in place of the summary."
)
force = click.option("--force", is_flag=True, help="Overwrite an existing output.")
fail_on = click.option(
    "--fail-on",
    type=click.Choice(SEVERITIES),
    help="Exit with status 1 when a finding of this severity or a graver one is there.",
)


def on_workers(command: Command) -> Command:
    """Add ``--workers`` and ``--cluster``."""
    command = click.option(
        "--cluster", metavar="tcp://HOST:PORT",
        help="Count on the workers of this Dask cluster, which see the clips under the same paths.",
    )(command)  # fmt: skip
    return click.option(
        "--workers", type=click.IntRange(1, 256), metavar="N",
        help="Threads that read and count here; one for each core by default.",
    )(command)  # fmt: skip


@contextmanager
def workers_for(workers: int | None, cluster: str | None) -> Iterator[Executor | int | None]:
    """Give what ``--workers`` and ``--cluster`` ask for, as `tonelab.measure` takes it.

    Raises
    ------
    click.UsageError
        When both are given.
    """
    if cluster is None:
        yield workers
        return
    if workers is not None:
        raise click.UsageError("--workers is for this machine: leave it out with --cluster.")
    from tonelab.tallies.cluster import cluster_executor

    with cluster_executor(cluster) as executor:
        yield executor


def verbosity(command: Command) -> Command:
    """Add ``-q`` and ``-v``."""
    command = click.option(
        "-v",
        "--verbose",
        count=True,
        expose_value=False,
        callback=_more,
        help="Say more on stderr; twice adds the traceback of an error.",
    )(command)
    return click.option(
        "-q",
        "--quiet",
        is_flag=True,
        expose_value=False,
        callback=_less,
        help="Say nothing but errors.",
    )(command)


def _more(context: click.Context, _: click.Parameter, count: int) -> None:
    if count:
        context.find_object(Session).verbosity = count  # type: ignore[union-attr]
        logging.basicConfig(format="%(message)s")
        logging.getLogger("tonelab").setLevel(logging.DEBUG if count > 1 else logging.INFO)


def _less(context: click.Context, _: click.Parameter, quiet: bool) -> None:
    if quiet:
        context.find_object(Session).verbosity = -1  # type: ignore[union-attr]


def parse_size(_: click.Context, __: click.Parameter, text: str) -> tuple[int, int]:
    """Read a picture size such as ``1920x1080``: width and height in pixels.

    Raises
    ------
    click.BadParameter
        When it is written otherwise.
    """
    width, _x, height = text.lower().partition("x")
    if not (width.isdecimal() and height.isdecimal()):
        raise click.BadParameter(f"{text!r} is not a size: write it as 1920x1080.")
    return int(width), int(height)


def parse_rate(_: click.Context, __: click.Parameter, text: str) -> Fraction:
    """Read a frame rate such as ``24000/1001``, ``50`` or ``23.976``.

    Decimals stand for the 1001 rates that they abbreviate.

    Raises
    ------
    click.BadParameter
        When it is no rate of 1 to 240 frames a second.
    """
    try:
        rate = Fraction(text)
    except (ValueError, ZeroDivisionError):
        raise click.BadParameter(
            f"{text!r} is not a frame rate: write it as 24000/1001 or 50."
        ) from None
    if not 1 <= rate <= 240:
        raise click.BadParameter(f"A rate of {text} is not possible: state 1 to 240.")
    exact = Fraction(round(rate) * 1000, 1001)
    return exact if abs(rate - exact) < Fraction(1, 500) else rate


def parse_statement(_: click.Context, __: click.Parameter, text: str) -> dict[str, Any]:
    """Read how a clip is to be read; an error says what is wrong with it."""
    if not text:
        return {}
    from tonelab.media import parse_statement as parse

    return parse(text)


def parse_declaration(_: click.Context, __: click.Parameter, text: str) -> dict[str, Any]:
    """Read what an output declared on the wire; an error says what is wrong with it."""
    if not text:
        return {}
    from tonelab.signal.description import parse_declared

    return parse_declared(text)


def statement(name: str, words: str) -> Callable[[Command], Command]:
    """Make an option that states how a clip is to be read."""
    return click.option(name, default="", metavar="K=V,...", callback=parse_statement, help=words)


def good_part(command: Command) -> Command:
    """Add ``--use-good-part``, which becomes a part of how a clip is to be read."""
    return click.option(
        "--use-good-part", "good_part", is_flag=True, callback=_good_part,
        help="Of a recording that is cut off or damaged, use the whole frames before; one that is "
        "compressed is decoded once more for it.",
    )(command)  # fmt: skip


def _good_part(_: click.Context, __: click.Parameter, wanted: bool) -> dict[str, Any]:
    return {"use_good_part": True} if wanted else {}


def parse_settings(_: click.Context, __: click.Parameter, items: tuple[str, ...]) -> dict[str, str]:
    """Turn repeated ``KEY=VALUE`` into a mapping.

    Raises
    ------
    click.BadParameter
        When one is written otherwise.
    """
    settings = {}
    for item in items:
        key, separator, value = (part.strip() for part in item.partition("="))
        if not (separator and key):
            raise click.BadParameter(f"{item!r} needs the form KEY=VALUE.")
        settings[key] = value
    return settings


def judge(findings: Iterable[Finding], level: str | None) -> int:
    """Exit status for the findings: 1 when one is as grave as ``level``, and which one it is."""
    if level is None:
        return 0
    grave = SEVERITIES[SEVERITIES.index(level) :]
    failing = [finding for finding in findings if finding.severity in grave]
    for finding in failing:
        say(f"tonelab: {finding.severity}: {finding.text}")
    return 1 if failing else 0
