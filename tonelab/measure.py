"""The main job: from two files to a measurement."""

from __future__ import annotations

import datetime as dt
import platform
from collections.abc import Callable, Mapping
from dataclasses import replace
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

import numpy as np

from tonelab.chart import COLOURED, Group
from tonelab.checks import PathEvidence, pre_checks
from tonelab.errors import ClipError, UsageError
from tonelab.identify import identify
from tonelab.identify.evidence import gather_evidence
from tonelab.media import open_clip
from tonelab.pairing import pair
from tonelab.readings.colours import as_ycbcr, code_step, coded_signal, coded_source, gather
from tonelab.readings.content import (
    CONTENT_PEAK,
    PQ_PEAK,
    content_colours,
    coverage,
    flat_share,
    read_content_source,
    scene_dependence,
    without_gaps,
)
from tonelab.readings.curves import chroma_transfer, landmarks, luminance_curve
from tonelab.readings.signals import read_capture, read_source, repeatability
from tonelab.results import ClipFacts, Finding, Measurement
from tonelab.scores.pass_through import hold_against_source
from tonelab.scores.standards import score
from tonelab.tallies.run import planes_hash, tally
from tonelab.tallies.workers import default_workers, file_hashes

if TYPE_CHECKING:
    from pathlib import Path

    from tonelab.media import Clip
    from tonelab.results import Tallies
    from tonelab.tallies.workers import Workers

Progress = Callable[[str, int, int], None]


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
    progress: Progress | None = None,
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
    ClipError, ChartError, PairingError, IdentificationError, WorkerError
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
        layout,
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
    layout: Any,
    source: ClipFacts,
    capture: ClipFacts,
    *,
    pairing: Any,
    device: str,
    findings: tuple[Finding, ...] = (),
    firmware: str = "",
    settings: Mapping[str, str] | None = None,
    notes: str = "",
) -> Measurement:
    """Everything after the tallies: curves, conversion, landmarks and scores.

    Anyone who holds a curve file can run this again on its tallies, without the capture.
    """
    if layout is None:
        source_signal, source_findings = read_content_source(source.signal)
        neutrals, colours = content_colours(tallies, source_signal)
        copies = None
        peak = source.mastering_peak or CONTENT_PEAK
        promised = source.mastering_peak or PQ_PEAK
    else:
        source_signal, source_findings = read_source(source.signal, layout)
        neutrals = gather(tallies, layout, Group.NEUTRAL)
        copies = gather(tallies, layout, Group.NEUTRAL, merge=False)
        colours = gather(tallies, layout, *COLOURED)
        promised = float(layout.peak)
        peak = source.mastering_peak or promised
    neutrals = neutrals[np.argsort(neutrals.source[:, 0], kind="stable")]
    as_read, source_signal = source_signal, coded_source(source_signal)
    target, capture_findings = read_capture(capture.signal, tallies, layout, as_read)
    step, coded = code_step(tallies, target), coded_signal(target)
    neutrals, colours = as_ycbcr(neutrals, target), as_ycbcr(colours, target)
    copies = copies and as_ycbcr(copies, target)
    curve = luminance_curve(neutrals, source_signal, code_step=step, copies=copies)
    static, static_findings = (
        scene_dependence(tallies, step) if layout is None else repeatability(tallies, layout, step)
    )
    if layout is None:
        static_findings = (
            *static_findings,
            *coverage(curve, colours, source_signal),
            flat_share(tallies, source, pairing.used),
        )
    if coded.is_hdr or not source_signal.is_hdr:
        conversion, scores, identified_findings = hold_against_source(
            neutrals, colours, source_signal, coded, step, static
        )
    else:
        evidence = gather_evidence(
            colours, neutrals, curve, source_signal, coded, peak=promised, step=step
        )
        identified = identify(evidence)
        conversion = replace(identified.conversion, static=static)
        scores, identified_findings = score(identified.evidence, peak), identified.findings
        coded = identified.evidence.target
    if target.matrix != "rgb":
        target = coded
    marks = landmarks(curve, source_signal, coded)
    return Measurement(
        device=device,
        firmware=firmware,
        settings=dict(settings or {}),
        notes=notes,
        source=replace(source, signal=as_read),
        capture=replace(capture, signal=target),
        pairing=pairing,
        findings=(
            *findings,
            *source_findings,
            *capture_findings,
            *identified_findings,
            *static_findings,
        ),
        tallies=tallies,
        luminance_curve=curve,
        chroma_transfer=chroma_transfer(colours, source_signal, coded),
        conversion=conversion,
        landmarks=marks if layout is not None else without_gaps(marks, curve, source_signal),
        scores=scores,
        provenance=provenance(),
    )


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
