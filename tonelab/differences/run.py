"""Holding two captures of the same content against each other."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from tonelab.differences.kinds import classify, floor_of, interval_of, place_of, rms_of
from tonelab.differences.sums import sums_of
from tonelab.errors import PairingError
from tonelab.media import open_clip
from tonelab.pairing import pair_captures
from tonelab.pixels.bursts import Burst, bursts
from tonelab.pixels.co_registration import co_register
from tonelab.pixels.resampling import KERNELS
from tonelab.results import CaptureDifference, Nearness, PlaneDifference
from tonelab.tallies.workers import default_workers, file_hashes

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from tonelab.differences.sums import Sums
    from tonelab.media import Clip
    from tonelab.pairing import Pair
    from tonelab.results.progress import StageProgress
    from tonelab.tallies.workers import Workers

_SAME_PLACE = 0.05  # pixels
_TOO_APART = "no two pictures of them share a pixel"


def difference(
    first: str | Path,
    second: str | Path,
    *,
    source: str | Path | None = None,
    first_signal: Mapping[str, Any] | None = None,
    second_signal: Mapping[str, Any] | None = None,
    source_signal: Mapping[str, Any] | None = None,
    progress: StageProgress | None = None,
    workers: Workers | None = None,
) -> CaptureDifference:
    """Say in what two captures of the same content differ, and how that kind was told.

    Parameters
    ----------
    first, second
        The captures, A and B.
    source
        The clip that was played; then it is also said which is nearer to it.
    first_signal, second_signal, source_signal
        Stated fields of `tonelab.signal.description.Signal`; they win over what the files say.
    progress
        Called with (stage, done, total).
    workers
        A number of threads, or an executor, see `tonelab.tally`.

    Raises
    ------
    ClipError, PairingError, WorkerError
        One sentence each: what is wrong, where, and how to correct it.
    """
    workers = workers or default_workers()
    report = progress or (lambda _stage, _done, _total: None)
    with (
        open_clip(first, stated=first_signal or {}) as a,
        open_clip(second, stated=second_signal or {}) as b,
        file_hashes((a, b), workers) as hashes,
    ):
        found = compare_clips(a, b, workers=workers, progress=report)
        if source is not None:
            with open_clip(source, stated=source_signal or {}) as played:
                found = with_source(found, a, b, played, workers=workers, progress=report)
        report("hashing", 0, 1)
        ours, theirs = (sha256.result() for sha256 in hashes)
        report("hashing", 1, 1)
    return replace(
        found,
        first=replace(found.first, sha256=ours),
        second=replace(found.second, sha256=theirs),
    )


def compare_clips(
    a: Clip,
    b: Clip,
    *,
    workers: Workers,
    progress: StageProgress | None = None,
) -> CaptureDifference:
    """Compare two open captures, without the source.

    Raises
    ------
    PairingError
        When they cannot be laid over each other.
    """
    pair, sums = _compared(a, b, workers, progress)
    step = 1 << max(0, 10 - min(a.bits, b.bits))
    how = co_register(pair)
    kind = classify(sums, step, scaled=not how.in_place)
    floor = floor_of(step)
    words, names, open_ = kind.words, list(kind.names), list(kind.open)
    placed = _place(pair)
    if not how.in_place:
        kernel = KERNELS[Burst(pair, 0, bursts(pair)[0]).scaling.name].label
        names.append(f"B as A scaled with {kernel}")
        words = f"B is A {placed}, as by the filter {kernel}; after that {words}"
        open_.append("chroma, which is not compared under scaling: both captures at one size")
    elif any(pair.facts.offset):
        words = f"B is A {placed}; after that {words}"
    totals = np.sum([s["planes"] for s in sums], axis=0)
    if how.in_place and not totals[1:, 0].all():
        open_.append("chroma, whose samples are not in the same places: both in one subsampling")
    planes = tuple(
        _plane(name, row, sums)
        for row, name in enumerate(("R'", "G'", "B'") if how.rgb else ("Y'", "Cb", "Cr"))
        if totals[row, 0]
    )
    above = max(kind.left, kind.left_chroma)
    rest = (
        "nothing is left above rounding"
        if above <= 1.35 * floor
        else f"{kind.left:.2f} codes RMS of luma and {kind.left_chroma:.2f} of chroma are left, "
        f"rounding alone gives {floor:.2f}"
    )
    sentence = f"{words[0].upper()}{words[1:]}" + (
        "." if kind.names == ("identical",) else f"; {rest}."
    )
    return CaptureDifference(
        sentence=sentence,
        kind=kind.name,
        names=tuple(names),
        first=a.facts(),
        second=b.facts(),
        source=None,
        pairing=pair.facts,
        offset_frames=float(np.median(pair.matches[:, 1] - pair.matches[:, 0])),
        compared=len(sums),
        planes=planes,
        values=kind.values,
        left=kind.left,
        left_chroma=kind.left_chroma,
        floor=floor,
        where=() if kind.name == "none" else (place_of(sums),),
        open=tuple(open_),
    )


def with_source(
    found: CaptureDifference,
    a: Clip,
    b: Clip,
    source: Clip,
    *,
    workers: Workers,
    progress: StageProgress | None = None,
) -> CaptureDifference:
    """Add which capture is nearer to the clip that was played.

    Raises
    ------
    PairingError
        When a capture cannot be laid over the source.
    """
    facts = source.facts()
    if source.signal.is_hdr and not (a.signal.is_hdr and b.signal.is_hdr):
        why = (
            "which is nearer to the source: the captures are conversions of HDR, and nearness in "
            "codes means nothing; `tonelab measure` of each, then `tonelab compare`"
        )
        return replace(found, source=facts, open=(*found.open, why))
    (first, ours), (second, theirs) = (_compared(source, c, workers, progress) for c in (a, b))
    open_ = tuple(one for one in found.open if not one.startswith("the kernels"))
    names = list(found.names)
    for letter, pair in (("A", first), ("B", second)):
        if co_register(pair).in_place:
            continue
        scaling = Burst(pair, 0, bursts(pair)[0]).scaling
        others = ", ".join(KERNELS[one].label for one in scaling.ties)
        also = f" (or {others})" if others else ""
        names.append(f"{letter} is the source scaled with {KERNELS[scaling.name].label}{also}")
    nearness = tuple(_nearness(ours, theirs))
    told = []
    for plane in ("luma", "chroma"):
        of_plane = [one for one in nearness if one.sense.endswith(plane)]
        answers = dict.fromkeys(_nearer(one) for one in of_plane)
        if len(answers) == 1:
            told.append(f"{plane}: {next(iter(answers))}")
        else:
            told += [f"{one.sense}: {_nearer(one)}" for one in of_plane]
    return replace(
        found, source=facts, open=open_, names=tuple(names), nearness=nearness,
        sentence=f"{found.sentence} Nearer to the source: {'; '.join(told)}.",
    )  # fmt: skip


def _nearer(one: Nearness) -> str:
    return {"first": "A", "second": "B"}.get(one.nearer, one.nearer)


def _compared(
    a: Clip, b: Clip, workers: Workers, progress: StageProgress | None
) -> tuple[Pair, list[Sums]]:
    report = progress or (lambda _stage, _done, _total: None)
    if (a.signal.matrix == "rgb") != (b.signal.matrix == "rgb"):
        raise PairingError(
            f"Of {a.path.name} and {b.path.name} one holds R'G'B' and the other Y'CbCr, and no "
            "codes of theirs stand for the same: record both alike."
        )
    pair = _in_place(pair_captures(a, b, progress=partial(report, "pairing")))
    sums = sums_of(pair, bursts(pair), workers=workers, progress=partial(report, "comparing"))
    if not sums:
        raise PairingError(
            f"{a.path.name} and {b.path.name} cannot be compared, as {_TOO_APART}: record both "
            "at one size and in one place."
        )
    return pair, sums


def _in_place(pair: Pair) -> Pair:
    """Lay captures of one size over each other as they are, where less than a pixel moves.

    Parts of a pixel are a filter's: scalers that differ place the same picture differently.
    """
    scale, offset = pair.facts.scale, pair.facts.offset
    sides = ((pair.source.width, pair.capture.width), (pair.source.height, pair.capture.height))
    for (ours, theirs), s, o in zip(sides, scale, offset, strict=True):
        if ours != theirs or max(abs(o), abs(o + (s - 1) * ours)) >= 1:
            return pair
    return replace(pair, facts=replace(pair.facts, scale=(1.0, 1.0), offset=(0.0, 0.0)))


def _place(pair: Pair) -> str:
    scale, offset = pair.facts.scale, pair.facts.offset
    parts = []
    if max(abs(s - 1) for s in scale) > 1e-6:
        parts.append(f"scaled by {scale[0]:.4g} across and {scale[1]:.4g} down")
    if max(abs(o) for o in offset) > _SAME_PLACE:
        parts.append(f"moved by {offset[0]:+.2f} pixels across and {offset[1]:+.2f} down")
    return " and ".join(parts) or "in the same place"


def _plane(name: str, row: int, sums: Sequence[Sums]) -> PlaneDifference:
    whole = np.stack([s["planes"][row] for s in sums])
    count, same = int(whole[:, 0].sum()), int(whole[:, 1].sum())
    rms, bound = rms_of(sums, slice(row, row + 1))
    return PlaneDifference(name, count, same / count, float(whole[:, 3].max()), rms, bound)


def _nearness(ours: Sequence[Sums], theirs: Sequence[Sums]) -> list[Nearness]:
    found = []
    for label, rows in (("luma", slice(0, 1)), ("chroma", slice(1, 3))):
        totals = [np.sum([s["planes"][rows] for s in side], axis=(0, 1)) for side in (ours, theirs)]
        if not all(total[0] for total in totals):
            continue
        shares = [float(total[1] / total[0]) for total in totals]
        bounds = [interval_of(_shares(side, rows)) for side in (ours, theirs)]
        found.append(_one(f"identical samples of {label}", "1", shares, bounds, more=True))
        rms = [rms_of(side, rows) for side in (ours, theirs)]
        values, widths = [value for value, _ in rms], [width for _, width in rms]
        found.append(_one(f"RMS codes of {label}", "codes", values, widths, more=False))
    return found


def _shares(side: Sequence[Sums], rows: slice) -> list[float]:
    parts = [s["planes"][rows].sum(axis=0) for s in side]
    return [float(part[1] / part[0]) for part in parts if part[0]]


def _one(
    sense: str, unit: str, values: Sequence[float], bounds: Sequence[float], *, more: bool
) -> Nearness:
    shown = abs(values[0] - values[1]) > bounds[0] + bounds[1]
    nearer: Literal["first", "second", "no difference shown"] = "no difference shown"
    if shown:
        nearer = "first" if (values[0] > values[1]) == more else "second"
    return Nearness(sense, unit, values[0], values[1], bounds[0], bounds[1], nearer)
