"""``tonelab compare``."""

from __future__ import annotations

from pathlib import Path

import click

from tonelab.cli.options import FILE, as_json, force, verbosity
from tonelab.cli.terminal import Session, print_json, print_result, say


@click.command("compare", short_help="Compare measurements with each other.")
@click.argument("files", nargs=-1, required=True, type=FILE)
@click.option(
    "--against", multiple=True, metavar="STANDARD|FILE",
    help="Rank by distance from this standard conversion or curve file; repeat for more.",
)  # fmt: skip
@click.option(
    "--library", type=FILE, metavar="FOLDER",
    help="Find the nearest curve files of this folder to the one FILE.",
)  # fmt: skip
@click.option(
    "--margin", type=click.FloatRange(0, min_open=True), default=0.5, show_default=True,
    help="Mean colour difference within which two devices count as the same.",
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
    library: Path | None,
    margin: float,
    output: Path | None,
    dark: bool,
    force: bool,
    as_json: bool,
) -> None:
    """Compare the measurements in curve FILES with each other.

    Devices are compared by the source colours that all of them show; without such, by the greys
    along their luminance curves. Captures of one device are put in the order of firmware and
    settings; of one chart with other static metadata, they show whether the device follows it.
    Verdicts are tests of equivalence: "same" is said when it is shown.
    """
    if library is not None:
        if len(files) != 1 or against or output:
            raise click.UsageError("--library takes one curve file and no --against or -o.")
        _print_neighbours(files[0], library, margin, as_json=as_json)
        return
    from tonelab.compare import compare
    from tonelab.curvefile import load, load_all
    from tonelab.outputs import check_output
    from tonelab.views.documents.comparison import comparison_document
    from tonelab.views.terminal.comparison import comparison_summary

    if output:
        check_output(output, overwrite=force)
    measurements = load_all(files)
    references = [load(one) if is_file(one) else one for one in against]
    comparison = compare(measurements, references, margin)
    if output:
        from tonelab.views.figures import comparison_figure, save_figure

        figure = comparison_figure(measurements, comparison, dark=dark)
        save_figure(figure, output, overwrite=force)
        session.written = output
    if as_json:
        print_json(comparison_document(comparison))
    else:
        print_result(comparison_summary(comparison))
    if output and not session.quiet:
        say(f"Drawn in {output}")


def _print_neighbours(file: Path, library: Path, margin: float, *, as_json: bool) -> None:
    from tonelab.compare.library import neighbours
    from tonelab.curvefile import load
    from tonelab.views.documents.comparison import neighbours_document
    from tonelab.views.terminal.comparison import neighbours_summary

    measurement = load(file)
    found = neighbours(measurement, library, margin=margin)
    if as_json:
        print_json(neighbours_document(measurement, found))
    else:
        print_result(neighbours_summary(measurement, found))


def is_file(name: str) -> bool:
    """Whether a reference names a curve file; standard conversions have no suffix."""
    return Path(name).suffix.lower() in {".h5", ".hdf5"} or Path(name).is_file()
