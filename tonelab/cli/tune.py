"""``tonelab tune``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from tonelab.cli.options import FILE, as_json, verbosity
from tonelab.cli.terminal import Session, print_json, print_result, say

if TYPE_CHECKING:
    from pathlib import Path


def _ranges(
    _: click.Context, __: click.Parameter, items: tuple[str, ...]
) -> dict[str, tuple[int, int]]:
    found = {}
    for item in items:
        name, _equals, span = item.partition("=")
        low, _colon, high = span.partition(":")
        try:
            found[name.strip()] = (int(low), int(high))
        except ValueError:
            raise click.BadParameter(
                f"{item!r} is no range: write it as NAME=LOW:HIGH, such as contrast=0:100."
            ) from None
    return found


@click.command("tune", short_help="Find the menu settings nearest to a target.")
@click.argument("files", nargs=-1, required=True, type=FILE)
@click.option(
    "--toward", required=True, metavar="STANDARD|FILE|source",
    help="Target: a standard conversion, a curve file, or the source itself.",
)  # fmt: skip
@click.option(
    "--range", "ranges", multiple=True, metavar="NAME=LOW:HIGH", callback=_ranges,
    help="Settings that a control has; by default those captured. Repeat for more.",
)  # fmt: skip
@click.option(
    "--confirm", multiple=True, type=FILE, metavar="FILE",
    help="Compare this capture with its prediction; repeat for more.",
)  # fmt: skip
@click.option(
    "--mode-key", default="mode", show_default=True, metavar="KEY",
    help="Setting that names the output mode.",
)  # fmt: skip
@as_json
@verbosity
@click.pass_obj
def command(
    session: Session,
    files: tuple[Path, ...],
    toward: str,
    ranges: dict[str, tuple[int, int]],
    confirm: tuple[Path, ...],
    mode_key: str,
    as_json: bool,
) -> None:
    """Find the integer settings of a device that bring it nearest to a target.

    FILES are curve files of one device: the base first, then the same device at other settings,
    each measured with --setting NAME=VALUE. Let each control vary alone in one of them, and all at
    once in another, at the same values. Files that differ in the setting "mode" belong to output
    modes that share the controls.
    """
    from tonelab.cli.compare import is_file
    from tonelab.curvefile import load
    from tonelab.tune import tune
    from tonelab.views.documents.tuning import tuning_document
    from tonelab.views.terminal.tuning import tuning_summary

    target = load(toward) if is_file(toward) else toward
    found = tune(
        [load(file) for file in files],
        target,
        ranges=ranges,
        confirm=[load(file) for file in confirm],
        mode_key=mode_key,
    )
    if as_json:
        print_json(tuning_document(found))
    else:
        print_result(tuning_summary(found))
    if any(not one.inside for one in found.confirmations) and not session.quiet:
        say("A capture lies outside its prediction: add it to the captures and tune again.")
