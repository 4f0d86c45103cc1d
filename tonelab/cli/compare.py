"""``tonelab compare``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from tonelab.cli.options import FILE, as_json, force, verbosity
from tonelab.cli.terminal import Session, print_json, print_result, say

if TYPE_CHECKING:
    from pathlib import Path


@click.command("compare", short_help="Hold measurements against each other.")
@click.argument("files", nargs=-1, required=True, type=FILE)
@click.option(
    "--against", multiple=True, metavar="STANDARD",
    help="Rank against this standard conversion only; repeat for more.",
)  # fmt: skip
@click.option("-o", "--output", type=FILE, help="Draw the curves in this .svg, .pdf or .png.")
@click.option("--dark", is_flag=True, help="Draw on a dark ground.")
@force
@as_json
@verbosity
@click.pass_obj
def command(
    session: Session,
    files: tuple[Path, ...],
    against: tuple[str, ...],
    output: Path | None,
    dark: bool,
    force: bool,
    as_json: bool,
) -> None:
    """Hold the measurements in two or more curve FILES against each other."""
    from tonelab.compare import compare
    from tonelab.curvefile import load
    from tonelab.outputs import check_output
    from tonelab.show.comparison import comparison_document, comparison_summary

    if output:
        check_output(output, overwrite=force)
    measurements = [load(file) for file in files]
    comparison = compare(measurements, against=against)
    if output:
        from tonelab.report.figures import comparison_figure, save_figure

        figure = comparison_figure(measurements, comparison, dark=dark)
        save_figure(figure, output, overwrite=force)
        session.written = output
    if as_json:
        print_json(comparison_document(comparison))
    else:
        print_result(comparison_summary(comparison))
    if output and not session.quiet:
        say(f"Drawn in {output}")
