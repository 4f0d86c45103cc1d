"""The main job: from two files to a measurement."""

from __future__ import annotations

import datetime as dt
import platform
from dataclasses import replace
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

import numpy as np

from tonelab.checks import PathEvidence, pre_checks
from tonelab.errors import ClipError, UsageError
from tonelab.identify import evidence_of, identify
from tonelab.media import open_clip
from tonelab.pairing import pair
from tonelab.readings import read
from tonelab.readings.curves import chroma_transfer, landmarks
from tonelab.results import ClipFacts, Finding, Measurement
from tonelab.scores.pass_through import hold_against_source
from tonelab.scores.standards import score
from tonelab.tallies.run import planes_hash, tally
from tonelab.tallies.workers import default_workers, file_hashes

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from tonelab.media import Clip
    from tonelab.readings import Readings
    from tonelab.results import IdentifiedConversion, PairingFacts, Score, Tallies
    from tonelab.results.progress import StageProgress
    from tonelab.signal.description import Signal
    from tonelab.tallies.workers import Workers


def measure(
    source: str | Path,
    capture: str | Path,
    *,
    device: str,
    firmware: str = "",
    settings: Mapping[str, str] | None = None,
    notes: str = "",
    source_signal: Mapping[str, Any] | None = None,
    capture_signal: Mapping[str, Any] | None = None,
    progress: StageProgress | None = None,
    workers: Workers | None = None,
) -> Measurement:
    """Measure what a device makes of an HDR source.

    Parameters
    ----------
    source, capture
        The clip that was played, and what was recorded at the device's output.
    device, firmware, settings, notes
        The person's words on the device under test; kept, never interpreted.
    source_signal, capture_signal
        Stated fields of `tonelab.signal.description.Signal`; they win over what the files say.
    progress
        Called with (stage, done, total).
    workers
        A number of threads, or an executor, for tallying and hashing, see `tonelab.tally`. Workers
        elsewhere must see the clips under the same paths.

    Returns
    -------
    Measurement
        Ready to show, compare and save.

    Raises
    ------
    UsageError, ClipError, ChartError, PairingError, SignalError, IdentificationError, WorkerError
        One sentence each: what is wrong, where, and the mend.
    """
    if not device.strip():
        raise UsageError("The device has no name: state one, such as --device 'player A'.")
    report = progress or (lambda _stage, _done, _total: None)
    workers = workers or default_workers()
    with (
        open_clip(source, stated=source_signal or {}) as source_clip,
        open_clip(capture, stated=capture_signal or {}) as capture_clip,
    ):
        evidence = PathEvidence(
            source_clip.signal, capture_clip.signal, clips=(source_clip, capture_clip)
        )
        found = pre_checks(evidence, "files")
        for finding in found:
            if finding.severity == "stop":
                raise ClipError(finding.text)
        report("pairing", 0, 1)
        paired = pair(
            source_clip, capture_clip, progress=lambda done, total: report("pairing", done, total)
        )
        with file_hashes((source_clip, capture_clip), workers) as hashes:
            tallies = tally(
                paired,
                workers=workers,
                progress=lambda done, total: report("tallying", done, total),
            )
            report("hashing", 0, 1)
            facts = (
                _facts(source_clip, tallies, "source", hashes[0].result()),
                _facts(capture_clip, tallies, "capture", hashes[1].result()),
            )
            report("hashing", 1, 1)
        layout, findings = paired.layout, (*found, *paired.findings)
    report("identifying", 0, 1)
    measurement = reduce(
        tallies,
        facts[0],
        facts[1],
        findings=findings,
        pairing=paired.facts,
        device=device,
        firmware=firmware,
        settings=settings or {},
        notes=notes,
    )
    report("identifying", 1, 1)
    evidence = PathEvidence(measurement.source.signal, measurement.capture.signal, layout, tallies)
    found = pre_checks(evidence, "tallies")
    return replace(measurement, findings=(*measurement.findings, *found))


def reduce(
    tallies: Tallies,
    source: ClipFacts,
    capture: ClipFacts,
    *,
    pairing: PairingFacts,
    device: str,
    findings: tuple[Finding, ...] = (),
    firmware: str = "",
    settings: Mapping[str, str] | None = None,
    notes: str = "",
) -> Measurement:
    """Everything after the tallies: curves, conversion, landmarks and scores.

    Anyone who holds a curve file can run this again on its tallies, without the capture.

    Parameters
    ----------
    tallies
        Sums of the pair.
    source, capture
        Facts of the clips, their signals as declared or stated.
    pairing
        How they were registered.
    device, firmware, settings, notes
        As in `measure`.
    findings
        What was found before; kept first.

    Raises
    ------
    SignalError, ChartError, IdentificationError
        When the signals, the chart or the conversion cannot be read from them.
    """
    readings = read(tallies, source, capture)
    static, repeats = readings.repeats()
    conversion, scores, identified, coding = _convert(readings, static)
    curve = readings.curve
    return Measurement(
        device=device,
        firmware=firmware,
        settings=dict(settings or {}),
        notes=notes,
        source=readings.source,
        capture=_with_coding(readings.capture, coding),
        pairing=pairing,
        findings=(
            *findings,
            *readings.findings,
            *identified,
            *repeats,
            *readings.unseen(pairing.used),
        ),
        tallies=tallies,
        luminance_curve=curve,
        chroma_transfer=chroma_transfer(readings.colours, readings.source_coding, coding),
        conversion=conversion,
        landmarks=readings.known(landmarks(curve, readings.source_coding, coding)),
        scores=scores,
        provenance=provenance(),
    )


def _convert(
    readings: Readings, static: str
) -> tuple[IdentifiedConversion, tuple[Score, ...], tuple[Finding, ...], Signal]:
    """Identify the conversion, and return how its capture is coded."""
    source, coding = readings.source_coding, readings.capture_coding
    if coding.is_hdr or not source.is_hdr:
        held = hold_against_source(
            readings.neutrals, readings.colours, source, coding, readings.step, static
        )
        return *held, coding
    identified = identify(evidence_of(readings, readings.curve))
    return (
        replace(identified.conversion, static=static),
        score(identified.evidence, readings.mastering_peak),
        identified.findings,
        identified.evidence.target,
    )


def _with_coding(capture: ClipFacts, coding: Signal) -> ClipFacts:
    """Facts of a capture as identification reads it; R'G'B' stays what it is."""
    return capture if capture.signal.matrix == "rgb" else replace(capture, signal=coding)


def provenance() -> dict[str, Any]:
    """Say what ran: versions, processor, time."""
    packages = ("tonelab", "numpy", "scipy", "av", "numba", "h5py")
    return {
        "time": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
        "python": platform.python_version(),
        "system": platform.platform(),
        "processor": platform.processor() or platform.machine(),
        "versions": {name: version(name) for name in packages},
    }


def _facts(clip: Clip, tallies: Tallies, side: str, sha256: str) -> ClipFacts:
    """Facts of the clip with its hashes and the codes it uses."""
    histogram = tallies.tables[f"{side}_histogram"]
    names = ("R", "G", "B") if clip.signal.matrix == "rgb" else ("Y", "Cb", "Cr")
    used = {}
    for name, counts in zip(names, histogram, strict=True):
        codes = np.flatnonzero(counts)
        used[name] = (int(codes[0]), int(codes[-1]))
    return replace(
        clip.facts(),
        sha256=sha256,
        planes_sha256=planes_hash(tallies, side),
        code_range=used,
    )
