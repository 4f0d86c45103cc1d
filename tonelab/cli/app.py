"""The ``tonelab`` command: its verbs, and what becomes of errors."""

from __future__ import annotations

import signal
import sys
import traceback
from contextlib import suppress
from difflib import get_close_matches
from importlib import import_module
from typing import TYPE_CHECKING

import click

from tonelab.cli.terminal import Session, say, settle_streams
from tonelab.errors import TonelabError

if TYPE_CHECKING:
    from collections.abc import Sequence

VERBS = (
    "chart",
    "inspect",
    "check",
    "measure",
    "show",
    "compare",
    "correct",
    "verify",
    "apply",
    "tune",
    "report",
    "standards",
    "run",
    "selftest",
    "demo",
)

UNUSABLE, DEFECT, INTERRUPTED = 2, 70, 130

_EPILOG = """
Exit status: 0 done, 1 a finding fails --fail-on, 2 unusable input, 130 interrupted.

\b
Shell completion:
  bash   eval "$(_TONELAB_COMPLETE=bash_source tonelab)"   in ~/.bashrc
  zsh    eval "$(_TONELAB_COMPLETE=zsh_source tonelab)"    in ~/.zshrc
  fish   _TONELAB_COMPLETE=fish_source tonelab | source    in config.fish
"""


class _Verbs(click.Group):
    """One module a verb, imported when it is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        return list(VERBS)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        verb = args[0]
        if verb == "help":  # as people expect of a command with verbs
            args = [*args[1:2], "--help"]
            verb = args[0]
            if verb == "--help":
                click.echo(ctx.get_help())
                ctx.exit()
        if verb not in VERBS and not verb.startswith("-"):
            near = get_close_matches(verb, VERBS, 1)
            meant = f" Did you mean {near[0]!r}?" if near else ""
            raise click.UsageError(f"There is no command {verb!r}.{meant}", ctx)
        return super().resolve_command(ctx, args)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in VERBS:
            return super().get_command(ctx, cmd_name)
        command: click.Command = import_module(f"tonelab.cli.{cmd_name}").command
        return command


@click.group(
    cls=_Verbs,
    epilog=_EPILOG,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.version_option(package_name="tonelab", message="%(prog)s %(version)s")
@click.pass_context
def tonelab(context: click.Context) -> None:
    """Measure, identify and compare how playback devices turn HDR video into SDR."""
    if context.invoked_subcommand is None:
        click.echo(context.get_help())


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command and return its exit status.

    Parameters
    ----------
    arguments
        Words of the command line; by default those of the process.
    """
    settle_streams()
    with suppress(ValueError):  # not the main thread: whoever runs it minds the signals
        signal.signal(signal.SIGTERM, signal.default_int_handler)
    session = Session()
    try:
        outcome = tonelab.main(arguments, "tonelab", standalone_mode=False, obj=session)
    except click.Abort:
        kept = f"{session.written} is complete" if session.written else "nothing was written"
        say(f"Interrupted; {kept}.")
        return INTERRUPTED
    except click.ClickException as error:
        context = error.ctx if isinstance(error, click.UsageError) else None
        where = context.command_path if context else "tonelab"
        say(f"{where}: {_sentence(error.format_message())} See '{where} --help'.")
        return UNUSABLE
    except TonelabError as error:
        _trace(session)
        say(f"tonelab: {error}")
        return UNUSABLE
    except Exception as error:  # noqa: BLE001 - whatever is left is a defect, and said to be one
        _trace(session)
        again = "" if session.verbosity > 1 else " Run again with -vv for the details to report."
        say(f"tonelab: This is a defect in tonelab: {type(error).__name__}: {error}.{again}")
        return DEFECT
    return outcome if isinstance(outcome, int) else 0


def _trace(session: Session) -> None:
    if session.verbosity > 1:
        traceback.print_exc(file=sys.stderr)


def _sentence(message: str) -> str:
    return " ".join(message.split())
