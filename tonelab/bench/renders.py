"""Clips rendered in a run, or kept when all that they follow from is what it was."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from tonelab.bench.job import hash_of
from tonelab.bench.outcome import attempt, named, write_json
from tonelab.correction import apply
from tonelab.curvefile import content_hash
from tonelab.errors import UsageError
from tonelab.views.documents.correction import applying_document

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tonelab.bench.job import State
    from tonelab.bench.outcome import Attempt, Outcome, Results, Watch
    from tonelab.bench.reading import PlannedRender


def render_all(results: Results, watch: Watch, *, anew: bool) -> Iterator[Outcome]:
    """Render the clips that the plan asks for; parameters as of `tonelab.bench.proofs.prove`."""
    for planned in results.bench.renders:
        with attempt("apply", planned.title) as trial:
            _render(results, planned, trial, watch, anew=anew)
        yield trial.outcome


def _render(
    results: Results, planned: PlannedRender, trial: Attempt, watch: Watch, *, anew: bool
) -> None:
    entry = planned.entry
    if entry.of in results.conversions and entry.of not in results.measurements:
        raise UsageError(f"{entry.of} was not measured, so nothing can be rendered by it.")
    device = results.measurements.get(entry.of)
    path = results.inside("renders", f"{planned.title}.{entry.format}")
    record = results.inside("renders", f"{planned.title}.json")
    asked = entry.model_dump(exclude={"name"})
    curve = content_hash(results.inside("curves", f"{entry.of}.h5")) if device else ""
    job = hash_of(asked=asked, curve=curve, signal=dict(planned.signal), clip=_stamp(planned.clip))
    document = None if anew else _kept(record, path, job)
    state: State = "done" if document is None else "kept"
    if document is None:
        found = apply(
            device or entry.of,
            planned.clip,
            path,
            **entry.model_dump(exclude={"name", "of", "source", "file", "signal", "format"}),
            source_signal=planned.signal,
            overwrite=True,
            progress=named(watch, planned.title),
        )
        document = applying_document(found) | {"job": job, "stamp": _stamp(path)}
        write_json(record, document)
    trial.succeed(
        f"{document['frames']} frames as {document['name']} shows them, {document['signal']}",
        results.relative(path),
        results.relative(record),
        state=state,
    )


def _stamp(path: Path) -> list[Any]:
    """Size and time of a file; hashes of films of 50 GB would take longer than rendering."""
    try:
        facts = path.stat()
    except OSError:
        return []
    return [path.name, facts.st_size, facts.st_mtime_ns]


def _kept(record: Path, path: Path, job: str) -> dict[str, Any] | None:
    """Load the document of this very job whose file is as it was written; else None."""
    try:
        document: dict[str, Any] = json.loads(record.read_text(encoding="utf-8"))
        sound = document["job"] == job and document["stamp"] == _stamp(path) and path.is_file()
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return document if sound else None
