"""Running the checks on a pair of files, or on what a measurement has at hand."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from tonelab.checks.evidence import PathEvidence
from tonelab.checks.levels import shows_full_range
from tonelab.checks.loopback import relate
from tonelab.checks.registry import CHECKS, identical
from tonelab.checks.whole import answered, as_a_whole
from tonelab.media import open_clip
from tonelab.media.coded import CodedClip
from tonelab.pairing import pair
from tonelab.path.account import account_of
from tonelab.pixels.bursts import bursts
from tonelab.pixels.run import tally_pixels
from tonelab.readings.signals import read_chart_source
from tonelab.results import CheckReport, CheckResult
from tonelab.tallies.run import tally
from tonelab.tallies.workers import default_workers, file_hashes

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from concurrent.futures import Future
    from pathlib import Path

    from tonelab.checks.registry import Check, Findings, Needs
    from tonelab.media import Clip
    from tonelab.pairing import Pair
    from tonelab.results import ClipFacts, Finding, PathAccount, Unexplained
    from tonelab.results.progress import StageProgress
    from tonelab.signal.description import Signal
    from tonelab.tallies.workers import Workers


def check(
    source: str | Path,
    capture: str | Path,
    *,
    loopback: str | Path | None = None,
    source_signal: Mapping[str, Any] | None = None,
    capture_signal: Mapping[str, Any] | None = None,
    loopback_signal: Mapping[str, Any] | None = None,
    declared: Mapping[str, Any] | None = None,
    progress: StageProgress | None = None,
    workers: Workers | None = None,
) -> CheckReport:
    """Compare a capture with its source.

    Parameters
    ----------
    source, capture
        The clip that was played, and what was recorded at the device's output.
    loopback
        A recording of the same source through a trusted path into the same capture chain. What it
        shows too is attributed to the chain, and where it is clean the chain is cleared.
    source_signal, capture_signal
        Stated fields of `tonelab.signal.description.Signal`; they win over what the files say.
    loopback_signal
        The same of the loopback; by default that of the capture.
    declared
        Matrix, range, transfer, primaries or bits that the output declared on the wire. They change
        nothing in how the capture is read: its codes are held against them.
    progress
        Called with (stage, done, total).
    workers
        A number of threads, or an executor, for tallying, reading pixels and hashing, see
        `tonelab.tally`. Workers elsewhere must see the clips under the same paths. The findings are
        the same to the last bit for all of them.

    Raises
    ------
    ClipError, ChartError, PairingError, WorkerError
        One sentence each: what is wrong, where, and how to correct it.
    """
    report = progress or (lambda _stage, _done, _total: None)
    workers = workers or default_workers()
    with (
        open_clip(source, stated=source_signal or {}) as source_clip,
        open_clip(capture, stated=capture_signal or {}) as capture_clip,
    ):
        with file_hashes((source_clip, capture_clip), workers) as hashes:
            evidence = gather(source_clip, capture_clip, progress=report, workers=workers)
            evidence = replace(evidence, declared=declared or {})
            results, registration = examine(evidence)
            whole = explained(evidence, report)
            report("hashing", 0, 1)
            facts = _hashed((source_clip, capture_clip), hashes)
        chain = None
        if loopback is not None:
            stated = capture_signal if loopback_signal is None else loopback_signal
            with (
                open_clip(loopback, stated=stated or {}) as chain_clip,
                file_hashes((chain_clip,), workers) as hashes,
            ):
                bound = gather(source_clip, chain_clip, progress=report, workers=workers)
                results = [
                    CheckResult(mine.name, mine.title, relate(mine.findings, of_chain.findings))
                    for mine, of_chain in _side_by_side(results, examine(bound)[0])
                ]
                (chain,) = _hashed((chain_clip,), hashes)
        report("hashing", 1, 1)
        if whole is not None:
            results = answered(results, *whole)
            results.append(as_a_whole(*whole, results))
        assert evidence.pairing is not None
        return CheckReport(
            source=facts[0],
            capture=facts[1],
            loopback=chain,
            pairing=evidence.pairing,
            pass_through=evidence.pass_through,
            results=tuple(results),
            registration=registration,
            path=whole[0] if whole else None,
            unexplained=whole[1] if whole else None,
        )


def explained(
    evidence: PathEvidence, report: StageProgress = lambda _stage, _done, _total: None
) -> tuple[PathAccount, Unexplained] | None:
    """Say what the path of a pass-through did as a whole; nothing where samples are identical."""
    if evidence.recorded is None or evidence.identity is not None or not evidence.pass_through:
        return None
    recorded, source = evidence.recorded
    capture = recorded.capture.signal
    if capture.origins.get("range", "assumed") == "assumed" and source.range == "full":
        range_ = "full" if shows_full_range(evidence) else "narrow"
        capture = capture.with_fields("inferred", range=range_)
    return account_of(recorded, source, capture, progress=partial(report, "explaining"))


def _hashed(clips: Sequence[Clip], hashes: Sequence[Future[str]]) -> list[ClipFacts]:
    return [
        replace(clip.facts(), sha256=sha256.result())
        for clip, sha256 in zip(clips, hashes, strict=True)
    ]


def gather(
    source: Clip,
    capture: Clip,
    *,
    progress: StageProgress | None = None,
    workers: Workers | None = None,
) -> PathEvidence:
    """Register a pair of clips and read what the checks need.

    Raises
    ------
    ChartError, PairingError
        When the two cannot be registered.
    """
    report = progress or (lambda _stage, _done, _total: None)
    paired = pair(source, capture, sdr=True, progress=partial(report, "pairing"))
    return gather_pair(paired, progress=report, workers=workers)


def gather_pair(
    paired: Pair, *, progress: StageProgress | None = None, workers: Workers | None = None
) -> PathEvidence:
    """Read what the checks need from a registered pair; R'G'B' of it as Y'CbCr."""
    report = progress or (lambda _stage, _done, _total: None)
    workers = workers or default_workers()
    tallies, paths = None, None
    if paired.layout is not None:
        signal = read_chart_source(paired.source.signal, paired.layout)[0]
    else:
        signal = _read_content(paired.source)
    capture = _read_capture(paired.capture.signal, signal)
    recorded = paired, signal
    if paired.identity is None:  # or else nothing is left to be found in the pictures
        if signal.matrix == "rgb":
            paired = replace(paired, source=CodedClip(paired.source, signal))
            signal = paired.source.signal
        if capture.matrix == "rgb":
            paired = replace(paired, capture=CodedClip(paired.capture, capture))
            capture = paired.capture.signal
        runs = bursts(paired)
        few = replace(paired, matches=np.concatenate(runs))
        tallies = tally(few, workers=workers, progress=partial(report, "tallying"))
        paths = tally_pixels(paired, runs, workers=workers, progress=partial(report, "comparing"))
    return PathEvidence(
        source=signal,
        capture=capture,
        layout=paired.layout,
        tallies=tallies,
        paths=paths,
        clips=(recorded[0].source, recorded[0].capture),
        pair=paired,
        recorded=recorded,
        pairing=paired.facts,
        findings=paired.findings,
        workers=workers,
    )


def _read_content(clip: Clip) -> Signal:
    """HDR without a word on its colours is BT.2020; of SDR the size of the picture decides."""
    declared = clip.signal
    if not declared.is_hdr:
        silent = declared.origins.get("transfer", "assumed") == "assumed"
        read = declared.with_sdr_colours(clip.width, clip.height)
        return read.with_fields("inferred", transfer=read.transfer) if silent else read
    silent_ = [
        n for n in ("matrix", "primaries") if declared.origins.get(n, "assumed") == "assumed"
    ]
    return declared.with_fields("assumed", **dict.fromkeys(silent_, "bt2020"))


def _read_capture(declared: Signal, source: Signal) -> Signal:
    """R'G'B' of the source's own kind without a word on its primaries has those of the source."""
    silent = declared.matrix == "rgb" and declared.origins.get("primaries", "assumed") == "assumed"
    if not silent or declared.transfer != source.transfer:
        return declared
    return declared.with_fields("inferred", primaries=source.primaries)


def examine(evidence: PathEvidence) -> tuple[list[CheckResult], tuple[Finding, ...]]:
    """Run every check that applies; also return what else the registration found."""
    entries = [entry for entry in CHECKS.values() if entry.always or evidence.pass_through]
    results = _run(entries, evidence)
    taken = {finding.id for result in results for finding in result.findings}
    return results, tuple(f for f in evidence.findings if f.id not in taken)


def pre_checks(evidence: PathEvidence, needs: Needs) -> tuple[Finding, ...]:
    """Run what must hold before a curve means anything, and return what could be decided."""
    entries = [entry for entry in CHECKS.values() if entry.always and entry.needs == needs]
    found = (finding for result in _run(entries, evidence) for finding in result.findings)
    return tuple(finding for finding in found if finding.verdict != "cannot tell")


def _run(entries: Iterable[Check], evidence: PathEvidence) -> list[CheckResult]:
    ran = ((entry, tuple(_answers(entry, evidence))) for entry in entries)
    return [CheckResult(entry.name, entry.label, found) for entry, found in ran if found]


def _answers(entry: Check, evidence: PathEvidence) -> Findings:
    if evidence.identity is None or not entry.of_samples:
        return entry.function(evidence)
    return [identical(entry, evidence.identity, evidence.source_histogram)]


def _side_by_side(
    results: Iterable[CheckResult], chain: Iterable[CheckResult]
) -> Iterable[tuple[CheckResult, CheckResult]]:
    by_name = {result.name: result for result in chain}
    for result in results:
        yield result, by_name.get(result.name, CheckResult(result.name, result.title, ()))
