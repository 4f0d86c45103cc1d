"""``tonelab report``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from tonelab.cli.options import FILE, Written, force, verbosity
from tonelab.cli.terminal import Session, progress_bar, say

if TYPE_CHECKING:
    from pathlib import Path

    from tonelab.views.pictures import Crop


def _crops(_: click.Context, __: click.Parameter, items: tuple[str, ...]) -> list[Crop]:
    """Turn repeated ``FRAME,X,Y[,LABEL]`` into places."""
    from tonelab.views.pictures import Crop

    crops = []
    for item in items:
        parts = item.split(",", 3)
        try:
            frame, x, y = (int(part) for part in parts[:3])
        except ValueError:
            raise click.BadParameter(
                f"{item!r} needs the form FRAME,X,Y or FRAME,X,Y,LABEL."
            ) from None
        crops.append(Crop(frame, x, y, parts[3].strip() if len(parts) > 3 else ""))
    return crops


@click.command("report", short_help="Write a page that shows what was measured.")
@click.argument("files", nargs=-1, required=True, type=FILE)
@click.option(
    "-o", "--output", required=True, type=Written(".html"), help="The page to write, .html."
)
@click.option("--title", default="", help="Of the page; by default it names the devices.")
@click.option("--note", default="", metavar="TEXT", help="Your words on the whole.")
@click.option(
    "--source", type=FILE,
    help="The clip that was played, for pictures.",
)  # fmt: skip
@click.option(
    "--capture", "captures", multiple=True, type=FILE,
    help="A capture, for pictures; repeat in the order of FILES.",
)  # fmt: skip
@click.option(
    "--crop", "crops", multiple=True, metavar="FRAME,X,Y[,LABEL]", callback=_crops,
    help="Show this place of the source; by default those where the devices differ most.",
)  # fmt: skip
@click.option(
    "--render", metavar="STANDARD", default="bt2446a", show_default=True,
    help="The standard conversion that renders the source in pictures.",
)  # fmt: skip
@force
@verbosity
@click.pass_obj
def command(
    session: Session,
    files: tuple[Path, ...],
    output: Path,
    title: str,
    note: str,
    source: Path | None,
    captures: tuple[Path, ...],
    crops: list[Crop],
    render: str,
    force: bool,
) -> None:
    """Show the measurements in curve FILES on one page that needs nothing else.

    With --source and a --capture for each file, in their order, the page also shows pictures.
    """
    from tonelab.errors import UsageError
    from tonelab.outputs import check_output

    if (source is None) != (not captures) or (captures and len(captures) != len(files)):
        raise UsageError(
            "Pictures need the source and one capture for each curve file, in their order: give "
            "--source and as many --capture, or neither."
        )
    if crops and source is None:
        raise UsageError("A crop is cut out of clips: give --source and --capture too.")
    check_output(output, overwrite=force)

    from tonelab.curvefile import load
    from tonelab.views.page import write_page
    from tonelab.views.pictures import make_pictures

    measurements = [load(file) for file in files]
    pictures: Any = ()
    if source is not None:
        with progress_bar(session) as report:
            pictures = make_pictures(
                source, captures, measurements, crops=crops, standard=render, progress=report
            )
    write_page(output, measurements, title=title, notes=note, pictures=pictures, overwrite=force)
    session.written = output
    if not session.quiet:
        say(f"Written to {output}")
