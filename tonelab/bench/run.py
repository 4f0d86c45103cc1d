"""Carrying out a plan: captures, then what holds them against each other."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tonelab.bench import steps
from tonelab.bench.baking import bake_all
from tonelab.bench.outcome import RECORD, Results, attempt
from tonelab.bench.proofs import check_paths, prove
from tonelab.bench.renders import render_all
from tonelab.bench.workers import carry_out_all
from tonelab.curvefile import save
from tonelab.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from tonelab.bench.job import Done
    from tonelab.bench.outcome import Outcome, Watch
    from tonelab.bench.reading import Bench
    from tonelab.tallies.workers import Workers

_SEVERITIES = ("info", "warning", "stop")


def run(
    bench: Bench,
    *,
    folder: Path | None = None,
    workers: int = 1,
    counting: Workers | None = None,
    anew: bool = False,
    watch: Watch | None = None,
    announce: Callable[[Outcome], None] | None = None,
) -> Results:
    """Carry out a plan; finished measurements are kept, and a failed capture stops no other.

    Parameters
    ----------
    bench
        From `read_plan`.
    folder
        Where results go, in place of the folder that the plan names.
    workers
        Captures at a time, each in a process of its own.
    counting
        What counts the frames of one capture after the other, in place of ``workers``; its
        workers see the clips under the same paths.
    anew
        Measure even what is finished, and use a folder that holds other files.
    watch
        Called with (capture, stage, done, total).
    announce
        Called with each outcome.

    Raises
    ------
    UsageError
        When the folder cannot be used.
    """
    results = Results(bench, folder or bench.folder)
    claim(results.folder, anew=anew)
    results.record("unfinished")
    show = watch or (lambda _name, _stage, _done, _total: None)
    for outcome in _steps(results, workers, counting, anew, show):
        results.outcomes.append(outcome)
        if announce is not None:
            announce(outcome)
    _judge(results)
    results.record("finished")
    return results


def claim(folder: Path, *, anew: bool = False) -> None:
    """Make the folder of results, or see that an earlier run made it.

    Raises
    ------
    UsageError
        When it cannot be made, or holds files that no run has written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        foreign = any(folder.iterdir()) and not (folder / RECORD).is_file()
    except OSError as error:
        raise UsageError(
            f"The folder {folder} cannot be used ({error.strerror}): name another with -o."
        ) from error
    if foreign and not anew:
        raise UsageError(
            f"The folder {folder} holds files that no run has written: name another with -o, or "
            "allow to write among them (--force)."
        )


def _steps(
    results: Results, workers: int, counting: Workers | None, anew: bool, watch: Watch
) -> Iterator[Outcome]:
    yield from _measure(results, workers, counting, anew, watch)
    yield from check_paths(results, watch, anew=anew)
    yield from bake_all(results, anew=anew)
    yield from prove(results, watch, anew=anew)
    yield from render_all(results, watch, anew=anew)
    yield from steps.draw(results)
    yield from steps.compare_all(results)
    yield from steps.report(results, watch)


def _measure(
    results: Results, workers: int, counting: Workers | None, anew: bool, watch: Watch
) -> Iterator[Outcome]:
    tasks = [task for task in results.bench.tasks if task.role == "conversion"]
    paths = {task.name: results.inside("curves", f"{task.name}.h5") for task in tasks}
    works = [(task, paths[task.name], anew) for task in tasks]
    found: dict[str, Any] = {}
    for task, done in carry_out_all(works, workers=workers, counting=counting, watch=watch):
        path = paths[task.name]
        with attempt("measure", task.name) as trial:
            if done.measurement is None:
                raise UsageError(done.text)
            if done.changed:
                save(done.measurement, path, overwrite=True)
            found[task.name] = done.measurement
            trial.succeed(_sentence(done), results.relative(path), state=done.state)
        yield trial.outcome
    results.measurements = {task.name: found[task.name] for task in tasks if task.name in found}


def _sentence(done: Done) -> str:
    """One sentence on a measurement."""
    assert done.measurement is not None
    found = done.measurement.conversion
    curve = found.family_label if found.family else "no published curve"
    floors = found.held_out_codes_rms / found.floor_codes_rms
    warnings = sum(one.severity != "info" for one in done.measurement.findings)
    warned = f"; {warnings} warning{'s' if warnings > 1 else ''}" if warnings else ""
    return (
        f"{curve} on {found.drive}, residual {found.held_out_codes_rms:.2f} codes RMS on "
        f"{found.held_out_count} colours held out ({floors:.2f} floors){warned}"
    )


def _judge(results: Results) -> None:
    """Hold measurements and paths against the limits of the plan."""
    limits = results.bench.limits
    grave = _SEVERITIES[_SEVERITIES.index(limits.findings) :] if limits.findings else ()
    for name, document in results.checks.items():
        results.failing += [
            f"{name}: {finding['severity']}: {finding['text']}"
            for one in document["checks"]
            for finding in one["findings"]
            if finding["severity"] in grave and finding["verdict"] == "not transparent"
        ]
    for name, measurement in results.measurements.items():
        results.failing += [
            f"{name}: {finding.severity}: {finding.text}"
            for finding in measurement.findings
            if finding.severity in grave
        ]
        found = measurement.conversion
        floors = found.held_out_codes_rms / found.floor_codes_rms
        if limits.residual is not None and floors > limits.residual:
            results.failing.append(
                f"{name}: the held-out residual is {floors:.2f} floors, over the limit of "
                f"{limits.residual:g}."
            )
