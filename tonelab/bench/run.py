"""Carrying out a plan: captures, then what holds them against each other."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from hashlib import sha256
from importlib.metadata import version
from typing import TYPE_CHECKING, Any, TypeAlias

from tonelab.bench.workers import carry_out_all
from tonelab.compare import Comparison, compare
from tonelab.curvefile import save
from tonelab.errors import TonelabError, UsageError
from tonelab.outputs import whole_file
from tonelab.show.comparison import comparison_document

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.figure import Figure

    from tonelab.bench.job import Done, State
    from tonelab.bench.reading import Bench, Task
    from tonelab.results import Measurement

Watch: TypeAlias = Callable[[str, str, int, int], None]

RECORD = "run.json"
RECORD_SCHEMA, RECORD_VERSION = "tonelab.run", 1

_SEVERITIES = ("info", "warning", "stop")


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one step.

    Attributes
    ----------
    step
        ``measure``, ``compare`` or ``draw``.
    name
        The capture or source that it was for.
    state
        ``done``, ``kept`` from an earlier run, or ``failed``.
    text
        One sentence.
    files
        What it left in the folder, relative to it.
    """

    step: str
    name: str
    state: State
    text: str
    files: tuple[str, ...] = ()


@dataclass
class Results:
    """What a run has found, as far as it has come.

    Attributes
    ----------
    bench, folder
        The plan, and where the results are.
    outcomes
        Of all steps, in the order in which they ended.
    measurements
        By the name of the capture, in the order of the plan.
    comparisons
        By the key of the source.
    failing
        One sentence for each stated limit that something fails.
    """

    bench: Bench
    folder: Path
    outcomes: list[Outcome] = field(default_factory=list)
    measurements: dict[str, Measurement] = field(default_factory=dict)
    comparisons: dict[str, Comparison] = field(default_factory=dict)
    failing: list[str] = field(default_factory=list)

    @property
    def status(self) -> int:
        """Exit status: 2 when a step failed, 1 when a limit did, otherwise 0."""
        if any(outcome.state == "failed" for outcome in self.outcomes):
            return 2
        return 1 if self.failing else 0


def run(
    bench: Bench,
    *,
    folder: Path | None = None,
    workers: int = 1,
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
    _record(results, "unfinished")
    show = watch or (lambda _name, _stage, _done, _total: None)
    for outcome in _steps(results, workers, anew, show):
        results.outcomes.append(outcome)
        if announce is not None:
            announce(outcome)
    _judge(results)
    _record(results, "finished")
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


def _steps(results: Results, workers: int, anew: bool, watch: Watch) -> Iterator[Outcome]:
    yield from _measured(results, workers, anew, watch)
    for task in results.bench.tasks:
        if task.role != "conversion":
            text = f"A run cannot yet carry out a capture with the role {task.role}."
            yield Outcome("check", task.name, "failed", text)
    by_source: dict[str, list[Task]] = {}
    for task in results.bench.tasks:
        if task.name in results.measurements:
            by_source.setdefault(task.source_key, []).append(task)
    for name, measurement in results.measurements.items():
        yield from _drawn(results, name, measurement)
    for key, tasks in by_source.items():
        if len(tasks) > 1:
            yield from _compared(results, key, [task.name for task in tasks])


def _measured(results: Results, workers: int, anew: bool, watch: Watch) -> Iterator[Outcome]:
    tasks = [task for task in results.bench.tasks if task.role == "conversion"]
    paths = {task.name: _inside(results, "curves", f"{task.name}.h5") for task in tasks}
    works = [(task, paths[task.name], anew) for task in tasks]
    found: dict[str, Measurement] = {}
    for task, done in carry_out_all(works, workers=workers, watch=watch):
        path = paths[task.name]
        with _attempt("measure", task.name) as attempt:
            if done.measurement is None:
                raise UsageError(done.text)
            if done.changed:
                save(done.measurement, path, overwrite=True)
            found[task.name] = done.measurement
            attempt.succeed(_told(done), _relative(results, path), state=done.state)
        yield attempt.outcome
    results.measurements = {task.name: found[task.name] for task in tasks if task.name in found}


def _told(done: Done) -> str:
    """One sentence on a measurement."""
    assert done.measurement is not None
    found = done.measurement.conversion
    curve = found.family_label if found.family else "no published curve"
    floors = found.held_out_codes_rms / found.floor_codes_rms
    warnings = sum(one.severity != "info" for one in done.measurement.findings)
    heeded = f"; {warnings} finding{'s' if warnings > 1 else ''} to heed" if warnings else ""
    return (
        f"{curve} on {found.drive}, residual {found.held_out_codes_rms:.2f} codes RMS on "
        f"{found.held_out_count} colours held out ({floors:.2f} floors){heeded}"
    )


def _drawn(results: Results, name: str, measurement: Measurement) -> Iterator[Outcome]:
    formats = results.bench.output.figures
    if not formats:
        return
    from tonelab.report.figures import FIGURES

    with _attempt("draw", name) as attempt:
        drawn = {kind: draw(measurement) for kind, draw in FIGURES.items()}
        attempt.succeed("drawn", *_save_figures(results, name, drawn))
    yield attempt.outcome


def _compared(results: Results, key: str, names: Sequence[str]) -> Iterator[Outcome]:
    """Hold the measurements of one source against each other, the reference first."""
    output = results.bench.output
    ordered = sorted(names, key=lambda name: name != output.reference)
    with _attempt("compare", key) as attempt:
        measurements = [results.measurements[name] for name in ordered]
        comparison = compare(measurements, output.against)
        results.comparisons[key] = comparison
        path = _inside(results, f"comparison {_plain(key)}.json")
        _write_json(path, comparison_document(comparison))
        files = [_relative(results, path)]
        if output.figures:
            from tonelab.report.figures import comparison_figure, distance_figure

            drawn = {
                "curves": comparison_figure(measurements, comparison),
                "distances": distance_figure(comparison),
            }
            files += _save_figures(results, f"comparison {_plain(key)}", drawn)
        attempt.succeed(f"{len(names)} captures over {comparison.colours} colours", *files)
    yield attempt.outcome


def _save_figures(results: Results, name: str, drawn: dict[str, Figure]) -> list[str]:
    from tonelab.report.figures import save_figure

    files = []
    for kind, figure in drawn.items():
        for suffix in results.bench.output.figures:
            path = _inside(results, "figures", f"{name} {kind}.{suffix}")
            save_figure(figure, path, overwrite=True)
            files.append(_relative(results, path))
    return files


class _Attempt:
    """A step under way; what it does not succeed in has failed."""

    def __init__(self, step: str, name: str) -> None:
        self.outcome = Outcome(step, name, "failed", "")

    def succeed(self, text: str, *files: str, state: State = "done") -> None:
        self.outcome = Outcome(self.outcome.step, self.outcome.name, state, text, files)


@contextmanager
def _attempt(step: str, name: str) -> Iterator[_Attempt]:
    """Let a step fail by itself."""
    attempt = _Attempt(step, name)
    try:
        yield attempt
    except TonelabError as error:
        attempt.outcome = Outcome(step, name, "failed", str(error))


def _judge(results: Results) -> None:
    """Hold the measurements against the limits of the plan."""
    limits = results.bench.limits
    grave = _SEVERITIES[_SEVERITIES.index(limits.findings) :] if limits.findings else ()
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


def document(results: Results, state: str = "finished") -> dict[str, Any]:
    """Lay out what a run did as JSON values; paths are relative to the folder of results."""
    bench = results.bench
    return {
        "schema": RECORD_SCHEMA,
        "version": RECORD_VERSION,
        "state": state,
        "title": bench.title,
        "notes": bench.notes,
        "plan": {"name": bench.path.name, "sha256": sha256(bench.path.read_bytes()).hexdigest()},
        "tonelab": version("tonelab"),
        "captures": [
            {
                "name": task.name,
                "role": task.role,
                "source": task.source_key,
                "device": task.device,
                "firmware": task.firmware,
                "settings": dict(task.settings),
                "chain": task.chain,
            }
            for task in bench.tasks
        ],
        "outcomes": [
            {
                "step": one.step,
                "name": one.name,
                "state": one.state,
                "text": one.text,
                "files": list(one.files),
            }
            for one in results.outcomes
        ],
        "failing": list(results.failing),
    }


def _record(results: Results, state: str) -> None:
    _write_json(results.folder / RECORD, document(results, state))


def _write_json(path: Path, values: Any) -> None:
    with whole_file(path) as temporary:
        text = json.dumps(values, indent=1, allow_nan=False, ensure_ascii=False)
        temporary.write_text(text + "\n", encoding="utf-8")


def _inside(results: Results, *parts: str) -> Path:
    path = results.folder.joinpath(*parts)
    path.parent.mkdir(parents=True, exist_ok=True)
    return path


def _relative(results: Results, path: Path) -> str:
    return path.relative_to(results.folder).as_posix()


def _plain(key: str) -> str:
    from tonelab.bench.plan import FORBIDDEN

    return FORBIDDEN.sub("-", key).strip(" .") or "source"
