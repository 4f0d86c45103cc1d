"""``tonelab verify``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

import click

from tonelab.cli.options import FILE, as_json, good_part, statement, verbosity
from tonelab.cli.terminal import Session, print_json, print_result, progress_bar

if TYPE_CHECKING:
    from pathlib import Path

    from tonelab.correction.table import Interpolation


@click.command("verify", short_help="Verify a correction on another pair.")
@click.argument("look", type=FILE, metavar="LOOK|FILE.h5")
@click.argument("source", type=FILE)
@click.argument("capture", type=FILE)
@click.option(
    "--reader", type=click.Choice(["tetrahedral", "trilinear"]), default="tetrahedral",
    show_default=True, help="Interpolation of a cube; a CLF states its own.",
)  # fmt: skip
@statement("--source-signal", "How to read the first clip.")
@statement("--capture-signal", "How to read the second clip.")
@good_part
@as_json
@verbosity
@click.pass_obj
def command(
    session: Session,
    look: Path,
    source: Path,
    capture: Path,
    reader: str,
    source_signal: dict[str, Any],
    capture_signal: dict[str, Any],
    good_part: dict[str, Any],
    as_json: bool,
) -> None:
    """Apply the correction LOOK to SOURCE and compare the result with CAPTURE.

    A curve file is applied by its exact formula, without a table. On content the floor holds what
    smaller chroma costs: 1 floor is as good as an exact formula.

    SOURCE is what the correction takes: the HDR source, or a device's capture. CAPTURE is what
    should come out, of the same content: the chart, or anything else.
    """
    from tonelab.correction import verify
    from tonelab.views.documents.correction import verification_document
    from tonelab.views.terminal.correction import verification_summary

    with progress_bar(session) as report:
        found = verify(
            look,
            source,
            capture,
            reader=cast("Interpolation", reader),
            source_signal=source_signal,
            capture_signal=capture_signal | good_part,
            progress=report,
        )
    if as_json:
        print_json(verification_document(found))
    else:
        print_result(verification_summary(found))
