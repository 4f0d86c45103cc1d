"""What proves a run: paths checked, looks and corrections verified on captures not fitted."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, NamedTuple

from tonelab.bench.baking import bake
from tonelab.bench.job import hash_of, unchanged
from tonelab.bench.outcome import attempt, named, write_json
from tonelab.bench.plan import Baking
from tonelab.checks import check
from tonelab.correction import verify
from tonelab.media import open_clip
from tonelab.views.documents.checks import check_document
from tonelab.views.documents.correction import verification_document
from tonelab.views.words import verdict_words

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

    from tonelab.bench.job import State
    from tonelab.bench.outcome import Attempt, Outcome, Results, Watch
    from tonelab.bench.reading import Task
    from tonelab.results.progress import StageProgress


def check_paths(results: Results, watch: Watch, *, anew: bool) -> Iterator[Outcome]:
    """Check loopbacks and pass-throughs; a loopback stands for its chain and source.

    Parameters
    ----------
    results
        Of the run; its ``checks`` are filled with documents by name.
    watch
        Called with (capture, stage, done, total).
    anew
        Check even what was checked before.

    Yields
    ------
    Outcome
        One for each capture, also where it fails.
    """
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
            progress = named(watch, task.name)
            document = None if anew else _kept(task, chain, path, progress)
            state: State = "done" if document is None else "kept"
            if document is None:
                found = check(
                    task.source,
                    task.capture,
                    loopback=None if chain is None else chain.capture,
                    source_signal=task.source_signal,
                    capture_signal=task.capture_signal,
                    declared=task.declared,
                    loopback_signal=None if chain is None else chain.capture_signal,
                    progress=progress,
                )
                document = check_document(found)
                document["job"] = _job(task, chain, document)
                write_json(path, document)
            results.checks[task.name] = document
            text = f"{verdict_words(document)}{note}"
            trial.succeed(text, results.relative(path), state=state)
        yield trial.outcome


def prove(results: Results, watch: Watch, *, anew: bool) -> Iterator[Outcome]:
    """Verify looks and corrections on the validations of their devices.

    Parameters and outcomes are as in `check_paths`; ``proofs`` of the results are filled.
    """
    validations = [task for task in results.bench.tasks if task.role == "validation"]
    for task in validations:
        with attempt("verify", task.name) as trial:
            look, _ = bake(results, Baking(of=task.validates), "looks", anew=anew)
            proof = _Proof(
                task.name,
                f"look of {task.validates}",
                results.inside("looks", look["file"]),
                look["sha256"],
                (task.source, task.source_signal),
                (task.capture, task.capture_signal),
                task.name,
            )
            _carry_out(results, proof, trial, watch, anew=anew)
        yield trial.outcome
    for entry in results.bench.corrections:
        if entry.title not in results.corrections:
            continue
        for proof in _of_correction(results, entry, validations):
            with attempt("verify", proof.name) as trial:
                _carry_out(results, proof, trial, watch, anew=anew)
            yield trial.outcome


class _Proof(NamedTuple):
    """A file applied to one clip, of which another of the same content tells what should come."""

    name: str
    what: str
    file: Path
    sha256: str
    applied_to: tuple[Path, Mapping[str, Any]]
    expected: tuple[Path, Mapping[str, Any]]
    captures: str


def _of_correction(
    results: Results, entry: Baking, validations: Sequence[Task]
) -> Iterator[_Proof]:
    """Pair the validations of a device with those of the other, or with the source.

    Nothing was recorded of what a standard conversion shows, so there is no proof of those.
    """
    document = results.corrections[entry.title]
    file = results.inside("corrections", document["file"])
    for one in (task for task in validations if task.validates == entry.of):
        source, shown = (one.source, one.source_signal), (one.capture, one.capture_signal)
        if entry.toward is None:
            pairs = [(one.name, source, shown)]
        elif entry.toward == "source":
            pairs = [(one.name, shown, source)]
        else:
            pairs = [
                (f"{one.name} and {other.name}", shown, (other.capture, other.capture_signal))
                for other in validations
                if other.validates == entry.toward and other.source_key == one.source_key
            ]
        for captures, start, end in pairs:
            name, what = f"{entry.title} on {captures}", f"correction {entry.title}"
            yield _Proof(name, what, file, document["sha256"], start, end, captures)


def _carry_out(
    results: Results, proof: _Proof, trial: Attempt, watch: Watch, *, anew: bool
) -> None:
    """Verify, or keep the document of this very proof."""
    progress = named(watch, proof.name)
    path = results.inside("proofs", f"{proof.name}.json")
    document = None if anew else _kept_proof(proof, path, progress)
    state: State = "done" if document is None else "kept"
    if document is None:
        found = verify(
            proof.file,
            proof.applied_to[0],
            proof.expected[0],
            source_signal=proof.applied_to[1],
            capture_signal=proof.expected[1],
            progress=progress,
        )
        document = {"of": proof.what, "captures": proof.captures, **verification_document(found)}
        document["source_sha256"] = _clip_hash(*proof.applied_to)
        document["capture_sha256"] = _clip_hash(*proof.expected)
        document["job"] = _proof_job(proof, document)
        write_json(path, document)
    results.proofs[proof.name] = document
    clear = ""
    if document["unclipped_mean"] is not None:
        clear = (
            f"; {document['unclipped_mean']:.2f} (floor {document['unclipped_floor']:.2f}) over "
            f"the {document['unclipped_count']} clear of black and white"
        )
    trial.succeed(
        f"the {proof.what} leaves a mean ΔE_ITP of {document['mean']:.2f} (floor "
        f"{document['floor']:.2f}), 99 % below {document['p99']:.2f}, over {document['count']} "
        f"{document['what']}{clear}",
        results.relative(proof.file),
        results.relative(path),
        state=state,
    )


def _clip_hash(path: Path, stated: Mapping[str, Any]) -> str:
    with open_clip(path, stated=stated) as clip:
        return clip.sha256()


def _proof_job(proof: _Proof, document: Mapping[str, Any]) -> str:
    return hash_of(
        look=proof.sha256,
        source=document["source_sha256"],
        capture=document["capture_sha256"],
        source_signal=proof.applied_to[1],
        capture_signal=proof.expected[1],
    )


def _kept_proof(proof: _Proof, path: Path, progress: StageProgress) -> dict[str, Any] | None:
    """Load the document of this very proof; None where there is none, or of another."""
    try:
        document: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        if document["of"] != proof.what or document["job"] != _proof_job(proof, document):
            return None
        clips = [
            (*proof.applied_to, document["source_sha256"]),
            (*proof.expected, document["capture_sha256"]),
        ]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return document if unchanged(clips, progress) else None


def _job(task: Task, chain: Task | None, document: dict[str, Any]) -> str:
    """SHA-256 of everything that the findings follow from."""
    return hash_of(
        source=document["source"]["sha256"],
        capture=document["capture"]["sha256"],
        loopback=chain and document["loopback"]["sha256"],
        source_signal=task.source_signal,
        capture_signal=task.capture_signal,
        loopback_signal=None if chain is None else chain.capture_signal,
        # Documents of captures without a declaration stay the same job.
        **({"declared": task.declared} if task.declared else {}),
    )


def _kept(
    task: Task, chain: Task | None, path: Path, progress: StageProgress
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
