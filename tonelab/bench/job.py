"""One capture of a plan: measured, or kept when the same job was finished before."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, replace
from importlib.metadata import version
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

from tonelab.curvefile import load
from tonelab.errors import CurveFileError, TonelabError
from tonelab.measure import measure
from tonelab.media import open_clip

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from tonelab.bench.reading import Task
    from tonelab.results import Measurement
    from tonelab.results.progress import StageProgress
    from tonelab.tallies.workers import Workers

State: TypeAlias = Literal["done", "kept", "failed"]

_SEAL = "bench"  # entry of the provenance that holds the hash of the job


@dataclass(frozen=True, slots=True)
class Done:
    """What became of a task: its measurement, or the one sentence why there is none.

    ``changed`` says that the curve file must be written.
    """

    state: State
    measurement: Measurement | None = None
    text: str = ""
    changed: bool = False


def job_hash(task: Task, source_sha256: str, capture_sha256: str) -> str:
    """SHA-256 of everything that the numbers of a measurement follow from.

    The words on the device are not among them: they are compared by themselves.
    """
    return hash_of(
        source=source_sha256,
        capture=capture_sha256,
        source_signal=task.source_signal,
        capture_signal=task.capture_signal,
    )


def hash_of(**facts: Any) -> str:
    """SHA-256 of JSON values that a result follows from, and of the tonelab that made it."""
    facts["tonelab"] = version("tonelab")
    return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()


def carry_out(
    task: Task,
    finished: Path,
    progress: StageProgress,
    *,
    anew: bool = False,
    counting: Workers | None = None,
) -> Done:
    """Measure a capture unless its finished curve file is of the very same job.

    Parameters
    ----------
    task
        The capture and what is known of it.
    finished
        Where its curve file is, or will be; it is read and never written.
    progress
        Called with (stage, done, total).
    anew
        Measure even what is finished.
    counting
        What counts the frames; by default the cores of this machine.

    Returns
    -------
    Done
        Never an exception for a capture that cannot be used.
    """
    try:
        kept = None if anew else _kept(task, finished, progress)
        if kept is not None:
            words = _worded(kept, task)
            return Done("kept", words, changed=words is not kept)
        measured = measure(
            task.source,
            task.capture,
            device=task.device,
            firmware=task.firmware,
            settings=task.settings,
            notes=task.notes,
            source_signal=task.source_signal,
            capture_signal=task.capture_signal,
            progress=progress,
            workers=counting,
        )
    except TonelabError as error:
        return Done("failed", text=str(error))
    except Exception as error:  # noqa: BLE001 - one capture must not stop the others
        text = f"This is a defect in tonelab: {type(error).__name__}: {error}."
        return Done("failed", text=text)
    seal = {"job": job_hash(task, measured.source.sha256, measured.capture.sha256)}
    sealed = replace(measured, provenance={**measured.provenance, _SEAL: seal})
    return Done("done", sealed, changed=True)


def _kept(task: Task, finished: Path, progress: StageProgress) -> Measurement | None:
    """Load the finished measurement of this job; None where there is none, or of another job."""
    if not finished.exists():
        return None
    try:
        measurement = load(finished)
    except CurveFileError:
        return None
    recorded = (measurement.source.sha256, measurement.capture.sha256)
    seal = measurement.provenance.get(_SEAL)
    # The files are read only when nothing else has changed: they are large.
    if seal != {"job": job_hash(task, *recorded)}:
        return None
    clips = [
        (task.source, task.source_signal, recorded[0]),
        (task.capture, task.capture_signal, recorded[1]),
    ]
    return measurement if unchanged(clips, progress) else None


def unchanged(
    clips: Sequence[tuple[Path, Mapping[str, Any], str]], progress: StageProgress
) -> bool:
    """Whether clips (path, stated signal, recorded SHA-256) are what they were."""
    for done, (path, stated, sha256) in enumerate(clips):
        progress("hashing", done, len(clips))
        with open_clip(path, stated=stated) as clip:
            if clip.sha256() != sha256:
                return False
    progress("hashing", len(clips), len(clips))
    return True


def _worded(measurement: Measurement, task: Task) -> Measurement:
    """Give a measurement the words of the plan; itself when it has them already."""
    words = (task.device, task.firmware, dict(task.settings), task.notes)
    found = (measurement.device, measurement.firmware, measurement.settings, measurement.notes)
    if words == found:
        return measurement
    device, firmware, settings, notes = words
    return replace(measurement, device=device, firmware=firmware, settings=settings, notes=notes)
