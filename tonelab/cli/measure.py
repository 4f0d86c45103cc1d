"""``tonelab measure``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from tonelab.cli.options import (
    FILE,
    Written,
    as_json,
    fail_on,
    force,
    good_part,
    judge,
    on_workers,
    parse_settings,
    statement,
    verbosity,
    workers_for,
)
from tonelab.cli.terminal import Session, print_json, print_result, progress_bar, say

if TYPE_CHECKING:
    from pathlib import Path


@click.command("measure", short_help="Measure what a device made of a source.")
@click.argument("source", type=FILE)
@click.argument("capture", type=FILE)
@click.option("--device", default="", metavar="NAME", help="Name of the device.")
@click.option(
    "--with", "first", type=FILE, metavar="FILE.h5",
    help="Count a second chart, made by 'tonelab chart --refine FILE.h5', with the first.",
)  # fmt: skip
@click.option("--firmware", default="", metavar="VERSION", help="Its firmware.")
@click.option(
    "--setting", "settings", multiple=True, metavar="KEY=VALUE", callback=parse_settings,
    help="A setting of the device; repeat for more.",
)  # fmt: skip
@click.option("--note", default="", metavar="TEXT", help="Anything worth keeping.")
@statement("--source-signal", "How to read the source.")
@statement(
    "--capture-signal", "How to read the capture, such as range=full,transfer=bt1886,peak=203."
)
@good_part
@on_workers
@click.option(
    "-o", "--output", required=True, type=Written(".h5"), help="The curve file to write, .h5."
)
@force
@as_json
@fail_on
@verbosity
@click.pass_obj
def command(
    session: Session,
    source: Path,
    capture: Path,
    device: str,
    first: Path | None,
    firmware: str,
    settings: dict[str, str],
    note: str,
    source_signal: dict[str, Any],
    capture_signal: dict[str, Any],
    good_part: dict[str, Any],
    workers: int | None,
    cluster: str | None,
    output: Path,
    force: bool,
    as_json: bool,
    fail_on: str | None,
) -> int:
    """Measure what a device made of SOURCE, from the CAPTURE of its output.

    What is stated about a signal wins over what the container declares and what the picture
    suggests. Fields: matrix, range, transfer, primaries, siting, bits, peak, black.
    """
    from tonelab.outputs import check_output

    check_output(output, overwrite=force)

    from tonelab.curvefile import load, save
    from tonelab.measure import measure
    from tonelab.views.document import document
    from tonelab.views.terminal.summary import summary

    known = None if first is None else load(first)
    # Workers elsewhere have another working folder.
    paths = [path.absolute() if cluster else path for path in (source, capture)]
    with workers_for(workers, cluster) as chosen, progress_bar(session) as report:
        measurement = measure(
            *paths,
            device=device,
            firmware=firmware,
            settings=settings,
            notes=note,
            first=known,
            source_signal=source_signal,
            capture_signal=capture_signal | good_part,
            progress=report,
            workers=chosen,
        )
    save(measurement, output, overwrite=force)
    session.written = output
    if as_json:
        print_json(document(measurement))
    elif not session.quiet:
        print_result(summary(measurement))
    if not session.quiet:
        say(f"Kept in {output}")
    return judge(measurement.findings, fail_on)
