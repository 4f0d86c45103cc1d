"""``tonelab probe``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from tonelab.cli.options import FILE, as_json, verbosity
from tonelab.cli.terminal import print_json, print_result, say
from tonelab.errors import TonelabError

if TYPE_CHECKING:
    from pathlib import Path


@click.command("probe", short_help="Say what clips are and how they are read.")
@click.argument("clips", nargs=-1, required=True, type=FILE)
@as_json
@verbosity
def command(clips: tuple[Path, ...], as_json: bool) -> int:
    """Say what each CLIP is and how its codes would be read."""
    from tonelab.media import open_clip
    from tonelab.show.document import plain
    from tonelab.show.facts import clip_table

    status = 0
    documents: list[dict[str, Any]] = []
    for path in clips:
        try:
            with open_clip(path) as clip:
                facts, notes = clip.facts(), clip.notes
        except TonelabError as error:
            say(f"tonelab: {error}")
            status = 2
            continue
        if as_json:
            documents.append({**plain(facts), "notes": list(notes)})
        else:
            print_result(clip_table(facts, notes))
    if as_json:
        print_json({"schema": "tonelab.probe", "version": 1, "clips": documents})
    return status
