"""``tonelab show``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from tonelab.cli.options import FILE, as_json, fail_on, judge, verbosity
from tonelab.cli.terminal import print_json, print_result

if TYPE_CHECKING:
    from pathlib import Path


@click.command("show", short_help="Show the measurement in a curve file.")
@click.argument("file", type=FILE)
@as_json
@fail_on
@verbosity
def command(file: Path, as_json: bool, fail_on: str | None) -> int:
    """Show the measurement in the curve file FILE."""
    from tonelab.curvefile import load
    from tonelab.show import document, summary

    measurement = load(file)
    if as_json:
        print_json(document(measurement))
    else:
        print_result(summary(measurement))
    return judge(measurement.findings, fail_on)
