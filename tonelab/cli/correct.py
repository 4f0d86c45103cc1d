"""``tonelab correct``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, cast

import click

from tonelab.cli.options import FILE, as_json, force, verbosity
from tonelab.cli.terminal import Session, print_json, print_result, say

if TYPE_CHECKING:
    from tonelab.results import Measurement
    from tonelab.signal.quantisation import Range


@click.command("correct", short_help="Bake a device's look, or its repair.")
@click.argument("file", type=FILE)
@click.option("-o", "--output", required=True, type=FILE, help="The .clf or .cube to write.")
@click.option(
    "--toward", metavar="FILE|STANDARD|source",
    help="Correct the device's output toward another device, a standard conversion or its source.",
)  # fmt: skip
@click.option(
    "--size", type=click.Choice(["17", "33", "65"]), default="65", show_default=True,
    help="Nodes along each component.",
)  # fmt: skip
@click.option(
    "--input-range", type=click.Choice(["full", "narrow"]),
    help="Range of the R'G'B' numbers that go in; full unless the device goes beyond it.",
)  # fmt: skip
@click.option(
    "--output-range", type=click.Choice(["full", "narrow"]),
    help="Range of the R'G'B' numbers that come out; full unless the device goes beyond it.",
)  # fmt: skip
@click.option(
    "--accept-average", is_flag=True,
    help="Bake the average of a device that varies with the picture; the file says by how much.",
)  # fmt: skip
@click.option("--figure", type=FILE, help="Draw where to trust it in this .svg, .pdf or .png.")
@click.option("--dark", is_flag=True, help="Draw on a dark ground.")
@force
@as_json
@verbosity
@click.pass_obj
def command(
    session: Session,
    file: Path,
    output: Path,
    toward: str | None,
    size: str,
    input_range: str | None,
    output_range: str | None,
    accept_average: bool,
    figure: Path | None,
    dark: bool,
    force: bool,
    as_json: bool,
) -> None:
    """Bake the conversion in a curve FILE into a Common LUT Format or cube file.

    Without --toward the file turns the source into the device's look. With it, the file turns
    the device's output into that of another device (a curve file), into a standard conversion
    (its name, such as bt2446a), or back into the source.
    """
    from tonelab.correction import correct
    from tonelab.correction.files import check_suffix
    from tonelab.curvefile import load
    from tonelab.outputs import check_output
    from tonelab.views.documents.correction import correction_document
    from tonelab.views.terminal.correction import correction_summary

    check_suffix(output)
    for path in filter(None, (output, figure)):
        check_output(path, overwrite=force)
    target: Measurement | str | None = toward
    if toward and (Path(toward).suffix.lower() == ".h5" or Path(toward).exists()):
        target = load(Path(toward))
    correction = correct(
        load(file),
        toward=target,
        size=int(size),
        input_range=cast("Range | None", input_range),
        output_range=cast("Range | None", output_range),
        whole=output.suffix.lower() == ".cube",
        accept_average=accept_average,
    )
    differ = correction.save(output, overwrite=force)
    session.written = output
    if figure:
        from tonelab.views.figures import save_figure, trust_figure

        save_figure(trust_figure(correction, dark=dark), figure, overwrite=force)
    if as_json:
        print_json(correction_document(correction, differ))
    elif not session.quiet:
        print_result(correction_summary(correction, differ))
    if not session.quiet:
        say(f"Kept in {output}")
