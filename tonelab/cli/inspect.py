"""``tonelab inspect``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from tonelab.cli.options import FILE, as_json, fail_on, good_part, judge, statement, verbosity
from tonelab.cli.terminal import Session, print_json, print_result, progress_bar, say
from tonelab.errors import TonelabError

if TYPE_CHECKING:
    from pathlib import Path


@click.command("inspect", short_help="Say what clips are and how they are read.")
@click.argument("clips", nargs=-1, required=True, type=FILE)
@statement("--signal", "What you know of them, such as range=full; wins over what they declare.")
@good_part
@as_json
@fail_on
@verbosity
@click.pass_obj
def command(
    session: Session,
    clips: tuple[Path, ...],
    signal: dict[str, Any],
    good_part: dict[str, Any],
    as_json: bool,
    fail_on: str | None,
) -> int:
    """Say what each CLIP is, how its codes would be read, and what they show.

    A CLIP is a video, a picture, a folder of pictures or a pattern such as shot.%04d.dpx. The
    codes of 24 frames, spread over it, are counted.
    """
    from tonelab.media.inspection import inspect_clip
    from tonelab.views.documents.inspection import inspection_document
    from tonelab.views.terminal.inspection import inspection_table

    status = 0
    documents: list[dict[str, Any]] = []
    for path in clips:
        try:
            with progress_bar(session) as report:
                found = inspect_clip(
                    path,
                    stated=signal | good_part,
                    progress=lambda done, total: report("reading", done, total),
                )
        except TonelabError as error:
            say(f"tonelab: {error}")
            status = 2
            continue
        if as_json:
            documents.append(inspection_document(found))
        else:
            print_result(inspection_table(found))
        status = max(status, judge(found.findings, fail_on))
    if as_json:
        print_json({"schema": "tonelab.probe", "version": 1, "clips": documents})
    return status
