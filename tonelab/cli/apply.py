"""``tonelab apply``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

import click

from tonelab.cli.options import FILE, as_json, force, good_part, statement, verbosity
from tonelab.cli.terminal import Session, print_json, print_result, progress_bar, say

if TYPE_CHECKING:
    from pathlib import Path

    from tonelab.media.writing import Codec
    from tonelab.signal.quantisation import Range


@click.command("apply", short_help="Render a clip or still as a device shows it.")
@click.argument("what", metavar="FILE.h5|STANDARD|LOOK")
@click.argument("clip", type=FILE)
@click.option(
    "-o", "--output", required=True, type=FILE,
    help="v210 in .mov, .avi or .v210; FFV1 in .mkv; HEVC in .mp4; a still in .png, .tif or .tiff.",
)  # fmt: skip
@click.option(
    "--codec", type=click.Choice(["v210", "ffv1", "hevc", "prores"]),
    help="In place of the one that goes with the ending.",
)  # fmt: skip
@click.option(
    "--output-range", type=click.Choice(["full", "narrow"]),
    help="Range of the codes; that of the device by default.",
)  # fmt: skip
@click.option("--dither", is_flag=True, help="Add triangular noise of one code before rounding.")
@click.option(
    "--exact/--lattice", default=None,
    help="Take the formula for each pixel, or a lattice of it; stills are exact by default.",
)  # fmt: skip
@click.option("--frame", type=click.IntRange(0), metavar="N", help="The frame to write as a still.")
@click.option(
    "--quality", type=click.IntRange(0, 51), metavar="N", help="Quantiser of HEVC; 0 is the finest."
)
@click.option(
    "--peak", type=click.FloatRange(100, 10000), metavar="NITS",
    help="Mastering peak that a standard conversion takes; that of the clip by default.",
)  # fmt: skip
@click.option(
    "--accept-average", is_flag=True, help="Render by the average of a device that varies."
)
@statement("--source-signal", "How to read the clip.")
@click.option(
    "--workers", type=click.IntRange(1, 64), metavar="N", help="Threads that render; one a core."
)
@good_part
@force
@as_json
@verbosity
@click.pass_obj
def command(
    session: Session,
    /,
    what: str,
    clip: Path,
    output: Path,
    codec: str | None,
    output_range: str | None,
    source_signal: dict[str, Any],
    good_part: dict[str, Any],
    force: bool,
    as_json: bool,
    **options: Any,
) -> None:
    r"""Render the HDR CLIP as a device would show it.

    The device is a curve file, the name of a standard conversion (such as bt2446a), or a table
    that `tonelab correct` baked.

    \b
    Example: tonelab apply box.h5 film.mkv -o film-on-the-box.mov
    """
    from tonelab.correction import apply
    from tonelab.views.documents.correction import applying_document
    from tonelab.views.terminal.correction import applying_summary

    with progress_bar(session) as report:
        found = apply(
            what,
            clip,
            output,
            codec=cast("Codec | None", codec),
            output_range=cast("Range | None", output_range),
            source_signal=source_signal | good_part,
            overwrite=force,
            progress=report,
            **options,
        )
    session.written = output
    if as_json:
        print_json(applying_document(found))
    elif not session.quiet:
        print_result(applying_summary(found))
    if not session.quiet:
        say(f"Kept in {output}")
