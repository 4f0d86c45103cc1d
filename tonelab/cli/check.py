"""``tonelab check``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from tonelab.cli.options import (
    FILE,
    as_json,
    fail_on,
    force,
    judge,
    on_workers,
    statement,
    verbosity,
    workers_for,
)
from tonelab.cli.terminal import Session, print_json, print_result, progress_bar, say

if TYPE_CHECKING:
    from pathlib import Path


@click.command("check", short_help="Say whether a path leaves the picture as it is.")
@click.argument("source", type=FILE)
@click.argument("capture", type=FILE)
@click.option(
    "--loopback", type=FILE,
    help="The source recorded by the same capture chain through a path known to be good.",
)  # fmt: skip
@statement("--source-signal", "How to read the source.")
@statement("--capture-signal", "How to read the capture, such as range=full,transfer=pq.")
@on_workers
@click.option("-o", "--output", type=FILE, help="Keep the findings in this .json.")
@force
@as_json
@fail_on
@verbosity
@click.pass_obj
def command(
    session: Session,
    source: Path,
    capture: Path,
    loopback: Path | None,
    source_signal: dict[str, Any],
    capture_signal: dict[str, Any],
    workers: int | None,
    cluster: str | None,
    output: Path | None,
    force: bool,
    as_json: bool,
    fail_on: str | None,
) -> int:
    """Compare the CAPTURE of a device's output with the SOURCE that was played.

    Each finding says one of three things: shown transparent, shown not transparent, or that this
    capture cannot tell.
    """
    from tonelab.outputs import check_output

    if output:
        check_output(output, overwrite=force)

    from tonelab.checks import check
    from tonelab.views.documents.checks import check_document, write_checks
    from tonelab.views.terminal.checks import check_summary

    # Workers elsewhere have another working folder.
    if cluster:
        source, capture = source.absolute(), capture.absolute()
        loopback = loopback and loopback.absolute()
    with workers_for(workers, cluster) as chosen, progress_bar(session) as progress:
        report = check(
            source,
            capture,
            loopback=loopback,
            source_signal=source_signal,
            capture_signal=capture_signal,
            progress=progress,
            workers=chosen,
        )
    if output:
        write_checks(report, output, overwrite=force)
        session.written = output
    if as_json:
        print_json(check_document(report))
    elif not session.quiet:
        print_result(check_summary(report))
    if output and not session.quiet:
        say(f"Kept in {output}")
    return judge(report.findings, fail_on)
