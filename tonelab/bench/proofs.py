"""What proves the measurements of a run: paths checked, and looks held against unseen captures."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from tonelab.bench.baking import bake
from tonelab.bench.job import hash_of, unchanged
from tonelab.bench.outcome import attempt, write_json
from tonelab.bench.plan import Baking
from tonelab.checks import check
from tonelab.correction import verify
from tonelab.media import open_clip
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


def prove(results: Results, watch: Watch, *, anew: bool) -> Iterator[Outcome]:
    """Hold the look of each conversion that has a validation against that."""
    for task in results.bench.tasks:
        if task.role != "validation":
            continue
        with attempt("verify", task.name) as trial:

            def progress(*at: Any, name: str = task.name) -> None:
                watch(name, *at)

            look, _ = bake(results, Baking(of=task.validates), "looks", anew=anew)
            file = results.inside("looks", look["file"])
            path = results.inside("proofs", f"{task.name}.json")
            proof = None if anew else _kept_proof(task, look, path, progress)
            state: State = "done" if proof is None else "kept"
            if proof is None:
                found = verify(
                    file,
                    task.source,
                    task.capture,
                    source_signal=task.source_signal,
                    capture_signal=task.capture_signal,
                    progress=progress,
                )
                proof = {"look": task.validates, "capture": task.name}
                proof |= verification_document(found) | _clips(task)
                proof["job"] = _proof_job(task, look, proof)
                write_json(path, proof)
            results.proofs[task.name] = proof
            trial.succeed(
                f"the look of {task.validates} leaves a mean ΔE_ITP of {proof['mean']:.2f} (floor "
                f"{proof['floor']:.2f}), 99 % below {proof['p99']:.2f}, over {proof['count']} "
                f"{proof['what']}",
                results.relative(file),
                results.relative(path),
                state=state,
            )
        yield trial.outcome


def _clips(task: Task) -> dict[str, str]:
    """SHA-256 of both clips of a task."""
    found = {}
    for name, path, stated in (
        ("source_sha256", task.source, task.source_signal),
        ("capture_sha256", task.capture, task.capture_signal),
    ):
        with open_clip(path, stated=stated) as clip:
            found[name] = clip.sha256()
    return found


def _proof_job(task: Task, look: dict[str, Any], proof: dict[str, Any]) -> str:
    return hash_of(
        look=look["sha256"],
        source=proof["source_sha256"],
        capture=proof["capture_sha256"],
        source_signal=task.source_signal,
        capture_signal=task.capture_signal,
    )


def _kept_proof(
    task: Task, look: dict[str, Any], path: Path, progress: Callable[[str, int, int], None]
) -> dict[str, Any] | None:
    """Load the proof of this very job; None where there is none, or of another job."""
    try:
        proof: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        if proof["job"] != _proof_job(task, look, proof):
            return None
        clips = [
            (task.source, task.source_signal, proof["source_sha256"]),
            (task.capture, task.capture_signal, proof["capture_sha256"]),
        ]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return proof if unchanged(clips, progress) else None


def _job(task: Task, chain: Task | None, document: dict[str, Any]) -> str:
    """SHA-256 of everything that the findings follow from."""
    return hash_of(
        source=document["source"]["sha256"],
        capture=document["capture"]["sha256"],
        loopback=chain and document["loopback"]["sha256"],
        source_signal=task.source_signal,
        capture_signal=task.capture_signal,
        loopback_signal=None if chain is None else chain.capture_signal,
    )


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
