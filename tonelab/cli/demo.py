"""``tonelab demo``."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path

import click

from tonelab.cli.options import FILE, force, verbosity
from tonelab.cli.terminal import Session, progress_bar, say


@click.command("demo", short_help="Measure invented devices, start to end.")
@click.option(
    "-o", "--output", type=FILE, default=Path("tonelab-demo"), show_default=True,
    help="Folder for clips, captures, curve files and figures.",
)  # fmt: skip
@force
@verbosity
@click.pass_obj
def command(session: Session, output: Path, force: bool) -> None:
    """Measure invented devices, from the test clip to the comparison, in about a minute.

    What an earlier run has finished is kept. The captures take about half a gigabyte.
    """
    scenario = import_module("tonelab.demo.scenario").Scenario(output)
    steps = list(scenario.steps())
    for number, step in enumerate(steps, start=1):
        kept = step.done and not force
        if not session.quiet:
            mark = " (kept from an earlier run)" if kept else ""
            say(f"{number:2} of {len(steps)}  {step.title}{mark}")
        if not kept:
            with progress_bar(session) as report:
                step.make(report)
        session.written = step.outputs[-1]
    if not session.quiet:
        click.echo(scenario.closing())
