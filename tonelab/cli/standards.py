"""``tonelab standards``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tonelab.cli.options import force, verbosity
from tonelab.cli.terminal import Session, progress_bar, say

if TYPE_CHECKING:
    from collections.abc import Sequence


@click.command("standards", short_help="Write curve files of the standard conversions.")
@click.argument("names", nargs=-1, metavar="[STANDARD]...")
@click.option(
    "-o", "--output", "folder", type=click.Path(path_type=Path, file_okay=False),
    default=Path("curves/standards"), show_default=True, help="Folder to write to.",
)  # fmt: skip
@click.option(
    "--peak", "peaks", type=click.IntRange(100, 10000), multiple=True, default=(1000, 4000),
    show_default=True, help="Mastering peak, cd/m2; may be given more than once.",
)  # fmt: skip
@force
@verbosity
@click.pass_obj
def command(
    session: Session, names: Sequence[str], folder: Path, peaks: Sequence[int], force: bool
) -> None:
    """Measure the standard conversions themselves, to compare devices with.

    STANDARD is a name such as bt2446a; without any, all are written.
    """
    from tonelab.bench.standard_files import standard_measurement
    from tonelab.conversion.standards import STANDARDS
    from tonelab.curvefile import save
    from tonelab.outputs import check_output, make_folder

    wanted = [(STANDARDS[name].name, peak) for name in names or STANDARDS for peak in peaks]
    paths = {pair: folder / f"{pair[0]}-{pair[1]}.h5" for pair in wanted}
    make_folder(folder)
    for path in paths.values():
        check_output(path, overwrite=force)
    with progress_bar(session) as progress:
        for done, (name, peak) in enumerate(wanted):
            progress("measuring", done, len(wanted))
            save(standard_measurement(name, peak), paths[name, peak], overwrite=force)
        progress("measuring", len(wanted), len(wanted))
    say(f"{len(wanted)} curve files are in {folder}")
