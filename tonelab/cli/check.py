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
    parse_declaration,
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
@click.option(
    "--declared", default="", metavar="K=V,...", callback=parse_declaration,
    help="What the output declared on the wire (InfoFrames), to be held against its codes: matrix, "
    "range, transfer, primaries, bits.",
)  # fmt: skip
@click.option(
    "--captures",
    is_flag=True,
    help="Hold two captures against each other, neither of which is taken for the truth.",
)
@click.option("--source", "played", type=FILE, help="With --captures: the clip that was played.")
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
    declared: dict[str, Any],
    captures: bool,
    played: Path | None,
    source_signal: dict[str, Any],
    capture_signal: dict[str, Any],
    workers: int | None,
    cluster: str | None,
    output: Path | None,
    force: bool,
    as_json: bool,
    fail_on: str | None,
) -> int:
    r"""Compare the CAPTURE of a device's output with the SOURCE that was played.

    Each finding says one of three things: shown transparent, shown not transparent, or that this
    capture cannot tell.

    With --captures both files are captures, and the answer says in what they differ: only levels,
    colour, chroma interpolation, sharpness or scaling, dither or noise, or more. With --source CLIP
    it also says which is nearer to the clip. --capture-signal is then for both captures.

    \b
      tonelab check "box a.mov" "box b.mov" --captures --source "test clip.mp4"
    """
    if played and not captures:
        raise click.UsageError("--source goes with --captures; else the first file is the source.")
    if captures and (loopback or fail_on or declared):
        raise click.UsageError("--loopback, --declared and --fail-on do not go with --captures.")
    from tonelab.outputs import check_output

    if output:
        check_output(output, overwrite=force)

    if captures:
        return _hold(
            session, source, capture, played, source_signal, capture_signal, workers, cluster,
            output, force=force, as_json=as_json,
        )  # fmt: skip

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
            declared=declared,
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


def _hold(
    session: Session,
    first: Path,
    second: Path,
    played: Path | None,
    source_signal: dict[str, Any],
    capture_signal: dict[str, Any],
    workers: int | None,
    cluster: str | None,
    output: Path | None,
    *,
    force: bool,
    as_json: bool,
) -> int:
    """Hold two captures against each other."""
    from tonelab.differences import difference
    from tonelab.views.documents.differences import difference_document, write_difference
    from tonelab.views.terminal.differences import difference_summary

    if cluster:
        first, second, played = first.absolute(), second.absolute(), played and played.absolute()
    with workers_for(workers, cluster) as chosen, progress_bar(session) as progress:
        found = difference(
            first,
            second,
            source=played,
            first_signal=capture_signal,
            second_signal=capture_signal,
            source_signal=source_signal,
            progress=progress,
            workers=chosen,
        )
    if output:
        write_difference(found, output, overwrite=force)
        session.written = output
    if as_json:
        print_json(difference_document(found))
    elif not session.quiet:
        print_result(difference_summary(found))
    if output and not session.quiet:
        say(f"Kept in {output}")
    return 0
