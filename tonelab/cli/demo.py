"""``tonelab demo``."""

from __future__ import annotations

from pathlib import Path

import click

from tonelab.cli.options import FILE, verbosity
from tonelab.cli.terminal import Session, progress_bar


@click.command("demo", short_help="Measure invented devices, start to end.")
@click.option(
    "-o", "--output", type=FILE, default=Path("tonelab-demo"), show_default=True,
    help="Folder for clips, captures, curve files and figures.",
)  # fmt: skip
@verbosity
@click.pass_obj
def command(session: Session, output: Path) -> None:
    """Measure invented devices, from the test clip to the comparison, in about a minute."""
    from tonelab.demo import run

    with progress_bar(session) as report:
        run(output, progress=report)
