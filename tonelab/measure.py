"""The main job: from two files to a measurement."""

from __future__ import annotations

import datetime as dt
import platform
from dataclasses import replace
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

import numpy as np

from tonelab.checks import PathEvidence, pre_checks
from tonelab.correction.second_chart import (
    check_same_device,
    check_second,
    finding_of,
    judge_second,
)
from tonelab.errors import ClipError, UsageError
from tonelab.identify import UNKNOWN, evidence_of, identify
from tonelab.media import open_clip
from tonelab.pairing import pair
from tonelab.readings import read
from tonelab.readings.curves import chroma_transfer, fall_finding, landmarks
from tonelab.results import ClipFacts, Finding, FurtherChart, Measurement
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
    device: str = "",
    firmware: str = "",
    settings: Mapping[str, str] | None = None,
    notes: str = "",
    first: Measurement | None = None,
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
        The person's words on the device under test; kept, never interpreted. Where ``first`` is
        given, its own stand, and others are refused but for notes.
    first
        The measurement of the first chart, when the source is a second one that was made for it.
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
    if first is None and not device.strip():
        raise UsageError("The device has no name: state one, such as --device 'player A'.")
    if first is not None:
        check_words(first, device, firmware, settings or {})
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
        check_second(paired.layout, source_clip.path.name, first)
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
    if first is not None:
        merged = extend(first, tallies, *facts, paired.facts, findings)
        report("identifying", 1, 1)
        return replace(merged, notes=notes or first.notes)
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


def extend(
    first: Measurement,
    tallies: Tallies,
    source: ClipFacts,
    capture: ClipFacts,
    pairing: PairingFacts,
    findings: tuple[Finding, ...] = (),
) -> Measurement:
    """Count a second chart with the measurement for which it was made.

    Parameters
    ----------
    first
        The measurement, perhaps with further charts already.
    tallies, source, capture, pairing, findings
        Of the second chart, as for `reduce`.

    Raises
    ------
    UsageError
        When the capture is coded otherwise, or not of the same device at the same setting.
    SignalError, ChartError, IdentificationError
        As `reduce`.
    """
    _check_coded_alike(first, capture)
    moved = check_same_device(first, tallies, capture.name)
    chart = FurtherChart(source, capture, pairing, tallies, 0, 0.0, 0.0, 0.0, moved)
    merged = reduce(
        first.tallies,
        first.source,
        first.capture,
        further=(*first.further, chart),
        pairing=first.pairing,
        device=first.device,
        firmware=first.firmware,
        settings=first.settings,
        notes=first.notes,
    )
    left = judge_second(first, merged)
    chart = replace(
        chart,
        count=left.count,
        before_codes_rms=left.before,
        after_codes_rms=left.after,
        floor_codes_rms=left.floor,
    )
    brought = finding_of(left, merged.conversion.static)
    anew = {finding.id for finding in (brought, *merged.findings)}
    kept = [finding for finding in first.findings if finding.id not in anew]
    known = anew | {finding.id for finding in kept}
    graver = [one for one in findings if one.severity != "info" and one.id not in known]
    return replace(
        merged,
        findings=(brought, *kept, *merged.findings, *graver),
        further=(*first.further, chart),
    )


def check_words(
    first: Measurement, device: str, firmware: str, settings: Mapping[str, str]
) -> None:
    """Refuse words on a device that are not those of the measurement to be extended.

    Raises
    ------
    UsageError
        When one differs.
    """
    said = {"device": (device, first.device), "firmware": (firmware, first.firmware)}
    for name, (now, before) in said.items():
        if now and now != before:
            raise UsageError(
                f"The first chart was measured with {name} {before!r} and not {now!r}: both charts "
                "must be captures of one device at one setting."
            )
    if settings and dict(settings) != dict(first.settings):
        raise UsageError(
            f"The first chart was measured with other settings of {first.device}: both charts must "
            "be captures of one device at one setting."
        )


def _check_coded_alike(first: Measurement, capture: ClipFacts) -> None:
    one, other = first.capture.signal, capture.signal
    same = one.bits == other.bits and (one.matrix == "rgb") == (other.matrix == "rgb")
    if not same or other.is_hdr != one.is_hdr:
        raise UsageError(
            f"{capture.name} is coded otherwise than the capture of the first chart, "
            f"{first.capture.name}: capture both charts alike."
        )


def reduce(
    tallies: Tallies,
    source: ClipFacts,
    capture: ClipFacts,
    *,
    pairing: PairingFacts,
    device: str,
    further: tuple[FurtherChart, ...] = (),
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
    further
        Further charts of the device, which count with the first.
    findings
        What was found before; kept first.

    Raises
    ------
    SignalError, ChartError, IdentificationError
        When the signals, the chart or the conversion cannot be read from them.
    """
    readings = read(tallies, source, capture, [chart.tallies for chart in further])
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
            *fall_finding(curve),
            *readings.unseen(pairing.used, told=_is_told(conversion)),
        ),
        tallies=tallies,
        luminance_curve=curve,
        chroma_transfer=chroma_transfer(readings.colours, readings.source_coding, coding),
        conversion=conversion,
        landmarks=readings.known(landmarks(curve, readings.source_coding, coding)),
        scores=scores,
        provenance=provenance(),
        further=further,
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


def _is_told(conversion: IdentifiedConversion) -> bool:
    """Whether a conversion has a name, and none of its parts is open; or there is none."""
    parts = (conversion.drive, conversion.order, conversion.chroma, conversion.encoding)
    open_parts = [part for part in parts if part == UNKNOWN or " or " in part]
    return not conversion.structure or (conversion.family is not None and not open_parts)


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
