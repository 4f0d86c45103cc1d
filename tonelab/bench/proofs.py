"""What proves the measurements of a run: paths checked, and looks held against unseen captures."""

from __future__ import annotations

import hashlib
import json
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from tonelab.bench.job import unchanged
from tonelab.bench.outcome import attempt, write_json
from tonelab.checks import check
from tonelab.correction import correct, verify
from tonelab.errors import UsageError
from tonelab.show.checks import check_document, verdict_words
from tonelab.show.correction import verification_document

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path
    from typing import TypeAlias

    from tonelab.bench.job import State
    from tonelab.bench.outcome import Outcome, Results
    from tonelab.bench.reading import Task

    Watch: TypeAlias = Callable[[str, str, int, int], None]


def check_paths(results: Results, watch: Watch, *, anew: bool) -> Iterator[Outcome]:
    """Check loopbacks and pass-throughs; a loopback speaks for its chain and source."""
    loopbacks = {
        (task.chain, task.source_key): task
        for task in results.bench.tasks
        if task.role == "loopback"
    }
    for task in results.bench.tasks:
        if task.role not in {"loopback", "pass-through"}:
            continue
        chain = loopbacks.get((task.chain, task.source_key))
        chain = chain if task.role == "pass-through" else None
        with attempt("check", task.name) as trial:
            path = results.inside("checks", f"{task.name}.json")
            # A pass-through without a loopback of its chain may show faults of the chain.
            alone = task.role == "pass-through" and chain is None
            note = "; no loopback of its chain was captured" if alone else ""

            def progress(*at: Any, name: str = task.name) -> None:
                watch(name, *at)

            document = None if anew else _kept(task, chain, path, progress)
            state: State = "done" if document is None else "kept"
            if document is None:
                found = check(
                    task.source,
                    task.capture,
                    loopback=None if chain is None else chain.capture,
                    source_signal=task.source_signal,
                    capture_signal=task.capture_signal,
                    loopback_signal=None if chain is None else chain.capture_signal,
                    progress=progress,
                )
                document = check_document(found)
                document["job"] = _job(task, chain, document)
                write_json(path, document)
            results.checks[task.name] = document
            told = f"{verdict_words(document)}{note}"
            trial.succeed(told, results.relative(path), state=state)
        yield trial.outcome


def prove(results: Results, watch: Watch) -> Iterator[Outcome]:
    """Bake the look of each conversion that has a validation, and verify it on that."""
    baked: dict[str, Path] = {}
    for task in results.bench.tasks:
        if task.role != "validation":
            continue
        with attempt("verify", task.name) as trial:
            if task.validates not in results.measurements:
                raise UsageError(f"{task.validates} was not measured, so nothing can be proved.")
            look = baked.get(task.validates)
            if look is None:
                look = results.inside("looks", f"{task.validates}.clf")
                correct(results.measurements[task.validates]).save(look, overwrite=True)
                baked[task.validates] = look
            found = verify(
                look,
                task.source,
                task.capture,
                source_signal=task.source_signal,
                capture_signal=task.capture_signal,
                progress=lambda *at, name=task.name: watch(name, *at),
            )
            path = results.inside("proofs", f"{task.name}.json")
            proof = {"look": task.validates, "capture": task.name, **verification_document(found)}
            results.proofs[task.name] = proof
            write_json(path, proof)
            trial.succeed(
                f"the look of {task.validates} leaves a mean ΔE_ITP of {found.mean:.2f} (floor "
                f"{found.floor:.2f}), 99 % below {found.p99:.2f}, over {found.count} {found.what}",
                results.relative(look),
                results.relative(path),
            )
        yield trial.outcome


def _job(task: Task, chain: Task | None, document: dict[str, Any]) -> str:
    """SHA-256 of everything that the findings follow from."""
    facts = {
        "tonelab": version("tonelab"),
        "source": document["source"]["sha256"],
        "capture": document["capture"]["sha256"],
        "loopback": chain and document["loopback"]["sha256"],
        "source_signal": task.source_signal,
        "capture_signal": task.capture_signal,
        "loopback_signal": None if chain is None else chain.capture_signal,
    }
    return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()


def _kept(
    task: Task, chain: Task | None, path: Path, progress: Callable[[str, int, int], None]
) -> dict[str, Any] | None:
    """Load the findings of this very job; None where there are none, or of another job."""
    try:
        document: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        if document["job"] != _job(task, chain, document):
            return None
        clips = [
            (task.source, task.source_signal, document["source"]["sha256"]),
            (task.capture, task.capture_signal, document["capture"]["sha256"]),
        ]
        if chain is not None:
            clips.append((chain.capture, chain.capture_signal, document["loopback"]["sha256"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return document if unchanged(clips, progress) else None
