"""Corrections of a run: baked from its curve files, or kept when those are what they were."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any

from tonelab.bench.job import hash_of
from tonelab.bench.outcome import attempt, write_json
from tonelab.correction import correct
from tonelab.errors import UsageError
from tonelab.views.documents.correction import correction_document
from tonelab.views.figures import save_figure, trust_figure

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tonelab.bench.job import State
    from tonelab.bench.outcome import Outcome, Results
    from tonelab.bench.plan import Baking

GROUNDS = {"light": False, "dark": True}


def bake_all(results: Results, *, anew: bool) -> Iterator[Outcome]:
    """Bake the corrections that the plan asks for."""
    for entry in results.bench.corrections:
        with attempt("correct", entry.title) as trial:
            document, state = bake(results, entry, "corrections", anew=anew)
            results.corrections[entry.title] = document
            error = document["predicted_errors"][0]
            mean = "unknown" if error["mean"] is None else f"{error['mean']:.2f}"
            trial.succeed(
                f"predicted mean ΔE_ITP {mean} (floor {error['floor']:.2f}) on {error['count']} "
                "colours that the table was not fitted to",
                f"corrections/{document['file']}",
                f"corrections/{entry.title}.json",
                state=state,
            )
        yield trial.outcome


def bake(
    results: Results, entry: Baking, folder: str, *, anew: bool
) -> tuple[dict[str, Any], State]:
    """Bake one correction with its document and figures into a folder of the results.

    Returns
    -------
    dict, State
        The document, with ``file`` and its ``sha256``; and whether it was made or kept.

    Raises
    ------
    UsageError
        When what it needs was not measured, or it cannot be baked.
    """
    needed = [name for name in (entry.of, entry.toward) if name in results.conversions]
    for name in needed:
        if name not in results.measurements:
            raise UsageError(f"{name} was not measured, so nothing can be baked from it.")
    asked = entry.model_dump(exclude={"name"})
    curves = [_sha256(results.inside("curves", f"{name}.h5")) for name in needed]
    job = hash_of(asked=asked, curves=curves)
    path = results.inside(folder, f"{entry.title}.{entry.format}")
    record = results.inside(folder, f"{entry.title}.json")
    drawn = {ground: path.with_name(coverage_name(entry.title, ground)) for ground in GROUNDS}
    if not anew:
        kept = _kept(record, path, job)
        if kept is not None and all(figure.is_file() for figure in drawn.values()):
            return kept, "kept"
    correction = correct(
        results.measurements[entry.of],
        toward=results.measurements.get(entry.toward or "", entry.toward),
        size=entry.size,
        input_range=entry.input_range,
        output_range=entry.output_range,
        whole=entry.format == "cube",
        accept_average=entry.accept_average,
    )
    differ = correction.save(path, overwrite=True)
    for ground, figure in drawn.items():
        save_figure(trust_figure(correction, dark=GROUNDS[ground]), figure, overwrite=True)
    document = correction_document(correction, differ)
    document |= {"file": path.name, "sha256": _sha256(path), "job": job}
    write_json(record, document)
    return document, "done"


def coverage_name(title: str, ground: str) -> str:
    """Name of the figure that shows where a correction can be trusted."""
    return f"{title} where to trust it{'' if ground == 'light' else f' ({ground})'}.svg"


def _kept(record: Path, path: Path, job: str) -> dict[str, Any] | None:
    """Load the document of this very job whose file is as it was written; else None."""
    try:
        document: dict[str, Any] = json.loads(record.read_text(encoding="utf-8"))
        sound = document["job"] == job and document["sha256"] == _sha256(path)
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return document if sound else None


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
