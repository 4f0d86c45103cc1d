"""``tonelab check``."""

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
    parse_declaration,
    statement,
    verbosity,
    workers_for,
)
from tonelab.cli.terminal import Session, print_json, print_result, progress_bar, say

if TYPE_CHECKING:
    from pathlib import Path

    from tonelab.results import Finding


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
@good_part
@on_workers
@click.option("-o", "--output", type=Written(".json"), help="Keep the findings in this .json.")
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
    good_part: dict[str, Any],
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
    capture_signal |= good_part
    from tonelab.outputs import check_output
    from tonelab.views.document import write_document

    if output:
        check_output(output, overwrite=force)

    # Workers elsewhere have another working folder.
    if cluster:
        source, capture = source.absolute(), capture.absolute()
        loopback, played = loopback and loopback.absolute(), played and played.absolute()
    with workers_for(workers, cluster) as chosen, progress_bar(session) as progress:
        how: dict[str, Any] = {"progress": progress, "workers": chosen}
        if captures:
            from tonelab.differences import difference
            from tonelab.views.documents.differences import difference_document
            from tonelab.views.terminal.differences import difference_summary

            found = difference(
                source, capture, source=played, source_signal=source_signal,
                first_signal=capture_signal, second_signal=capture_signal, **how,
            )  # fmt: skip
            document, shown = difference_document(found), difference_summary(found)
            findings: tuple[Finding, ...] = ()
        else:
            from tonelab.checks import check
            from tonelab.views.documents.checks import check_document
            from tonelab.views.terminal.checks import check_summary

            report = check(
                source, capture, loopback=loopback, declared=declared,
                source_signal=source_signal, capture_signal=capture_signal, **how,
            )  # fmt: skip
            document, shown = check_document(report), check_summary(report)
            findings = report.findings
    if output:
        write_document(document, output, overwrite=force)
        session.written = output
    if as_json:
        print_json(document)
    elif not session.quiet:
        print_result(shown)
    if output and not session.quiet:
        say(f"Kept in {output}")
    return judge(findings, fail_on)
