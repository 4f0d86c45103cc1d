"""What a run has found, as far as it has come."""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import contextmanager
from dataclasses import dataclass, field
from hashlib import sha256
from importlib.metadata import version
from typing import TYPE_CHECKING, Any, TypeAlias

from tonelab.bench.plan import FORBIDDEN
from tonelab.errors import TonelabError
from tonelab.outputs import make_folder, whole_file

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from tonelab.bench.job import State
    from tonelab.bench.reading import Bench, Task
    from tonelab.compare import Comparison
    from tonelab.results import Measurement
    from tonelab.results.progress import StageProgress

RECORD = "run.json"
RECORD_SCHEMA, RECORD_VERSION = "tonelab.run", 1


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one step.

    Attributes
    ----------
    step
        ``measure``, ``check``, ``correct``, ``verify``, ``apply``, ``draw``, ``compare`` or
        ``report``.
    name
        The capture, source or correction that it was for.
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
        Of conversions, by the name of the capture, in the order of the plan.
    checks
        JSON documents on pass-throughs and loopbacks, likewise.
    corrections
        JSON documents on what was baked, by its name.
    proofs
        JSON documents on validations, by the name of the capture.
    comparisons
        By the key of the source.
    failing
        One sentence for each stated limit that something fails.
    """

    bench: Bench
    folder: Path
    outcomes: list[Outcome] = field(default_factory=list)
    measurements: dict[str, Measurement] = field(default_factory=dict)
    checks: dict[str, dict[str, Any]] = field(default_factory=dict)
    corrections: dict[str, dict[str, Any]] = field(default_factory=dict)
    proofs: dict[str, dict[str, Any]] = field(default_factory=dict)
    comparisons: dict[str, Comparison] = field(default_factory=dict)
    failing: list[str] = field(default_factory=list)

    @property
    def status(self) -> int:
        """Exit status: 2 when a step failed, 1 when a limit did, otherwise 0."""
        if any(outcome.state == "failed" for outcome in self.outcomes):
            return 2
        return 1 if self.failing else 0

    @property
    def conversions(self) -> set[str]:
        """Names of the captures that the plan has measured."""
        return {task.name for task in self.bench.tasks if task.role == "conversion"}

    def by_source(self) -> dict[str, list[Task]]:
        """Conversions that were measured, by the key of their source; the reference first."""
        first = self.bench.output.reference
        found: dict[str, list[Task]] = {}
        for task in sorted(self.bench.tasks, key=lambda task: task.name != first):
            if task.name in self.measurements:
                found.setdefault(task.source_key, []).append(task)
        return found

    def inside(self, *parts: str) -> Path:
        """Give a path in the folder of results, whose own folder is there."""
        path = self.folder.joinpath(*parts)
        make_folder(path.parent)
        return path

    def relative(self, path: Path) -> str:
        """Name a path as it stands in the folder of results."""
        return path.relative_to(self.folder).as_posix()

    def document(self, state: str = "finished") -> dict[str, Any]:
        """Lay out what was done as JSON values."""
        bench = self.bench
        return {
            "schema": RECORD_SCHEMA,
            "version": RECORD_VERSION,
            "state": state,
            "title": bench.title,
            "notes": bench.notes,
            "plan": {
                "name": bench.path.name,
                "sha256": sha256(bench.path.read_bytes()).hexdigest(),
            },
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
                for one in self.outcomes
            ],
            "failing": list(self.failing),
        }

    def record(self, state: str) -> None:
        """Write the document into the folder of results."""
        write_json(self.folder / RECORD, self.document(state))


class Attempt:
    """A step under way; what it does not succeed in has failed."""

    def __init__(self, step: str, name: str) -> None:
        self.outcome = Outcome(step, name, "failed", "")

    def succeed(self, text: str, *files: str, state: State = "done") -> None:
        """Say what was done, and which files it left."""
        self.outcome = Outcome(self.outcome.step, self.outcome.name, state, text, files)


@contextmanager
def attempt(step: str, name: str) -> Iterator[Attempt]:
    """Let a step fail by itself: a `TonelabError` within becomes its outcome."""
    trial = Attempt(step, name)
    try:
        yield trial
    except TonelabError as error:
        trial.outcome = Outcome(step, name, "failed", str(error))
    except Exception as error:  # noqa: BLE001 - one step must not stop the others
        text = f"This is a defect in tonelab: {type(error).__name__}: {error}."
        trial.outcome = Outcome(step, name, "failed", text)


def write_json(path: Path, values: Mapping[str, Any]) -> None:
    """Write JSON values, whole or not at all; a file that is there is replaced."""
    with whole_file(path) as temporary:
        text = json.dumps(values, indent=1, allow_nan=False, ensure_ascii=False)
        temporary.write_text(text + "\n", encoding="utf-8")


def plain_name(key: str) -> str:
    """Make a file name of a key of the plan."""
    return FORBIDDEN.sub("-", key).strip(" .") or "source"


# Name of the capture or of another part of a plan, stage, done, total.
Watch: TypeAlias = Callable[[str, str, int, int], None]


def named(watch: Watch, name: str) -> StageProgress:
    """Report the stages of one part under its name."""

    def report(stage: str, done: int, total: int) -> None:
        watch(name, stage, done, total)

    return report
