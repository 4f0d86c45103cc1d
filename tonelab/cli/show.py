"""``tonelab show``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from tonelab.cli.options import FILE, FigureName, as_json, fail_on, force, judge, verbosity
from tonelab.cli.terminal import Session, print_json, print_result, say

if TYPE_CHECKING:
    from pathlib import Path


@click.command("show", short_help="Show the measurement in a curve file.")
@click.argument("file", type=FILE)
@click.option("-o", "--output", type=FILE, help="Draw a figure in this .svg, .pdf or .png.")
@click.option(
    "--figure", type=FigureName(),
    help="Which figure -o draws; luminance by default.",
)  # fmt: skip
@click.option("--dark", is_flag=True, help="Draw on a dark ground.")
@force
@as_json
@fail_on
@verbosity
@click.pass_obj
def command(
    session: Session,
    file: Path,
    output: Path | None,
    figure: str | None,
    dark: bool,
    force: bool,
    as_json: bool,
    fail_on: str | None,
) -> int:
    """Show the measurement in the curve file FILE."""
    from tonelab.curvefile import load
    from tonelab.outputs import check_output
    from tonelab.views.document import document
    from tonelab.views.terminal.summary import summary

    if figure and not output:
        raise click.UsageError(f"--figure goes with -o: name the file to draw, -o {figure}.svg.")
    if output:
        check_output(output, overwrite=force)
    measurement = load(file)
    if output:
        from tonelab.views.figures import FIGURES, save_figure

        save_figure(FIGURES[figure or "luminance"](measurement, dark=dark), output, overwrite=force)
        session.written = output
    if as_json:
        print_json(document(measurement))
    else:
        print_result(summary(measurement))
    if output and not session.quiet:
        say(f"Drawn in {output}")
    return judge(measurement.findings, fail_on)
