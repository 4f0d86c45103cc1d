"""``tonelab run``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from tonelab.cli.options import FILE, as_json, force, verbosity, workers_for
from tonelab.cli.terminal import Session, print_json, print_result, progress_rows, say

if TYPE_CHECKING:
    from pathlib import Path

    from tonelab.bench.outcome import Outcome


@click.command("run", short_help="Carry out a bench plan in one go.")
@click.argument("plan", type=FILE)
@click.option(
    "--sketch", is_flag=True,
    help="Take PLAN as a folder of captures and write a first plan for it, to edit.",
)  # fmt: skip
@click.option(
    "--source",
    "sources",
    type=FILE,
    multiple=True,
    help="With --sketch, a clip that was played; once for each. Guessed unless given.",
)
@click.option(
    "-o", "--output", type=FILE,
    help="Folder of results in place of that of the plan; with --sketch, the plan to write.",
)  # fmt: skip
@click.option(
    "--workers", type=click.IntRange(1, 64), default=1, show_default=True,
    help="Captures at a time, each in a process that takes up to 800 MB of memory.",
)  # fmt: skip
@click.option(
    "--cluster", metavar="tcp://HOST:PORT",
    help="Count on the workers of this Dask cluster, one capture after the other; they see the "
    "clips under the same paths.",
)  # fmt: skip
@force
@as_json
@verbosity
@click.pass_obj
def command(
    session: Session,
    plan: Path,
    sketch: bool,
    sources: tuple[Path, ...],
    output: Path | None,
    workers: int,
    cluster: str | None,
    force: bool,
    as_json: bool,
) -> int:
    """Carry out the bench PLAN: measure, check, correct, prove, compare, draw, and say what failed.

    What an earlier run has finished is kept when files, settings and tonelab are the same;
    --force does all anew. Exit status 1 when a limit of the plan is exceeded, 2 when a capture
    could not be used.
    """
    if sketch:
        return _sketch(session, plan, sources, output, force)
    if sources:
        raise click.UsageError(
            "--source goes with --sketch: a plan names its sources itself, under [sources]."
        )

    from tonelab.bench.reading import read_plan
    from tonelab.bench.run import run
    from tonelab.bench.summary import run_summary

    bench = read_plan(plan.absolute() if cluster else plan)
    here_or_there = workers_for(None, cluster)
    with here_or_there as counting, progress_rows(session, len(bench.tasks)) as rows:

        def announce(outcome: Outcome) -> None:
            if outcome.files:
                session.written = (output or bench.folder) / outcome.files[-1]
            rows.end(outcome.name)
            if not session.quiet:
                rows.note(f"{outcome.step} {outcome.name}: {outcome.state}; {outcome.text}")

        results = run(
            bench,
            folder=output,
            workers=workers,
            counting=counting,
            anew=force,
            watch=rows.watch,
            announce=announce,
        )
    if as_json:
        print_json(results.document())
    elif not session.quiet:
        print_result(run_summary(results))
    if not session.quiet:
        say(f"Everything is in {results.folder}")
    for sentence in results.failing:
        say(f"tonelab: over the limit: {sentence}")
    return results.status


def _sketch(
    session: Session,
    folder: Path,
    sources: tuple[Path, ...],
    output: Path | None,
    force: bool,
) -> int:
    """Write a first plan of the captures in a folder."""
    from tonelab.bench.sketch import sketch
    from tonelab.outputs import check_output, whole_file

    path = output or folder / "bench.toml"
    text = sketch(folder, path.parent, sources)
    check_output(path, overwrite=force)
    with whole_file(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")
    session.written = path
    say(f"{path} is a first plan: correct what it guesses, then: tonelab run {path.name}")
    return 0
