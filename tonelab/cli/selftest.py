"""``tonelab selftest``."""

from __future__ import annotations

import click

from tonelab.cli.options import as_json, verbosity
from tonelab.cli.terminal import Session, print_json, print_line, progress_bar


@click.command("selftest", short_help="Try this installation on this machine.")
@as_json
@verbosity
@click.pass_obj
def command(session: Session, as_json: bool) -> int:
    """Try decoders, kernels and a whole measurement on this machine; takes under a minute.

    Ends with one line to paste with published results. Exits with 1 when a part fails.
    """
    from dataclasses import asdict

    from tonelab.selftest import run_selftest

    with progress_bar(session) as progress:
        outcome = run_selftest(progress)
    if as_json:
        print_json({"parts": [asdict(part) for part in outcome.parts], "line": outcome.line})
    else:
        for part in outcome.parts:
            print_line(f"{'passed' if part.passed else 'FAILED'}  {part.name}: {part.text}")
        print_line(outcome.line)
    return 0 if outcome.passed else 1
