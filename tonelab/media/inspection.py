"""What a clip is: what it declares, what its codes show, and where the two disagree."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from tonelab.media import open_clip
from tonelab.media.readers import GOOD_PART
from tonelab.results import ClipFacts, Finding, Viewable
from tonelab.signal.quantisation import chroma_scale, luma_scale

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from tonelab.media import Clip, StaticMetadata
    from tonelab.results.progress import Progress
    from tonelab.signal.arrays import IntArray
    from tonelab.signal.description import Signal

LOOKED_AT = 24  # frames, spread over the clip, whose codes are counted
_LEAST_CODES = 64  # distinct codes from which the depth of a plane can be measured
_DEPTHS = range(8, 16)  # bits to which deeper codes may have been cut
_STRAY = 0.02  # of the luma samples beyond black or peak of narrow range
_CODING = ("matrix", "range", "transfer", "primaries", "siting", "peak", "black")


@dataclass(frozen=True, slots=True)
class PlaneUse:
    """Codes of one plane that are in use.

    Attributes
    ----------
    name
        Y, Cb, Cr or R, G, B.
    low, high, distinct
        Lowest and highest code, and the number of different ones.
    effective_bits
        Bits that carry anything; None where too few codes are in use to measure it.
    """

    name: str
    low: int
    high: int
    distinct: int
    effective_bits: int | None


@dataclass(frozen=True, slots=True)
class Inspection(Viewable):
    """A clip as declared and as seen.

    Attributes
    ----------
    facts
        Format and signal; each field of the signal says where it comes from.
    duration
        Seconds.
    metadata
        HDR static metadata, or None.
    dynamic_metadata
        Kinds of HDR metadata found that change from frame to frame.
    planes, frames
        What the codes of ``frames`` frames, spread over the clip, show.
    findings
        Where declarations, statements and codes disagree.
    notes
        Oddities of the storage.
    """

    facts: ClipFacts
    duration: float
    metadata: StaticMetadata | None
    dynamic_metadata: tuple[str, ...]
    planes: tuple[PlaneUse, ...]
    frames: int
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]


def inspect_clip(
    path: str | Path,
    *,
    stated: Mapping[str, Any] | None = None,
    progress: Progress | None = None,
) -> Inspection:
    """Say what a clip is.

    Parameters
    ----------
    path
        As for `open_clip`.
    stated
        What the user says of it; wins over what it declares.
    progress
        Called with (frames read, frames to read).

    Raises
    ------
    ClipError
        When it cannot be read.
    SignalError
        When a statement contradicts its planes.
    """
    with open_clip(path, stated=stated) as clip:
        counts, frames = _count(clip, progress)
        names = ("R", "G", "B") if clip.signal.matrix == "rgb" else ("Y", "Cb", "Cr")
        planes = tuple(_use(*item, clip.bits) for item in zip(names, counts, strict=True))
        facts = replace(clip.facts(), code_range={p.name: (p.low, p.high) for p in planes})
        return Inspection(
            facts=facts,
            duration=float(clip.frame_count / clip.rate),
            metadata=clip.metadata,
            dynamic_metadata=clip.dynamic_metadata,
            planes=planes,
            frames=frames,
            findings=(
                *_contradictions(clip, stated or {}),
                *_tag_findings(clip.signal),
                *_range_findings(clip.signal, counts),
                *_depth_findings(planes, clip.bits),
            ),
            notes=clip.notes,
        )


def _count(clip: Clip, progress: Progress | None) -> tuple[IntArray, int]:
    """Histograms (3, codes) of frames spread over a clip, and how many frames there were."""
    counts = np.zeros((3, 2**clip.bits), np.int64)
    wanted = np.unique(np.linspace(0, max(clip.frame_count - 1, 0), LOOKED_AT).round().astype(int))
    seen = 0
    for done, index in enumerate(wanted.tolist(), start=1):
        for frame in clip.frames(index, index + 1):
            seen += 1
            for channel, plane in enumerate(frame.planes):
                counts[channel] += np.bincount(plane.ravel(), minlength=2**clip.bits)
        if progress is not None:
            progress(done, len(wanted))
    return counts, seen


def _use(name: str, counts: IntArray, bits: int) -> PlaneUse:
    used = np.flatnonzero(counts)
    if not len(used):
        return PlaneUse(name, 0, 0, 0, None)
    return PlaneUse(name, int(used[0]), int(used[-1]), len(used), effective_bits(used, bits))


def effective_bits(used: IntArray, bits: int) -> int | None:
    """Bits that carry anything in the codes of a plane.

    Parameters
    ----------
    used
        Shape (N,), the different codes that occur, ascending.
    bits
        Depth of the codes.

    Returns
    -------
    int or None
        Fewer than ``bits`` when the low bits are always the same, or repeat the high ones; None
        for fewer than 64 codes. Codes that were scaled after they were cut show all their bits.
    """
    if len(used) < _LEAST_CODES:
        return None
    for depth in _DEPTHS:
        if depth >= bits:
            break
        low = used & ((1 << bits - depth) - 1)
        cut = used >> bits - depth
        repeated = cut << bits - depth | cut >> max(0, 2 * depth - bits)
        if (low == low[0]).all() or np.array_equal(repeated, used):
            return depth
    return bits


def _contradictions(clip: Clip, stated: Mapping[str, Any]) -> Iterator[Finding]:
    """Yield where the user contradicts the file: the user's word wins."""
    if not any(name in stated for name in _CODING):
        return
    asked = {k: v for k, v in stated.items() if k not in {*_CODING, GOOD_PART}}
    # Light without a unit cannot even be opened without its statement, and declares nothing.
    if clip.codec == "exr":
        return
    with open_clip(clip.path, stated=asked) as plain:
        for name in _CODING:
            said = getattr(plain.signal, name)
            if name in stated and plain.signal.origins.get(name) == "declared":
                if said == stated[name]:
                    continue
                yield Finding(
                    f"{name}-contradicted",
                    "warning",
                    f"The file declares {name} {said}, and {stated[name]} is stated: read as "
                    f"{stated[name]}.",
                )


def _tag_findings(signal: Signal) -> Iterator[Finding]:
    """Yield combinations of fields that no delivery format has."""
    hdr = signal.is_hdr
    if hdr and signal.bits < 10:
        yield Finding(
            "hdr-in-eight-bits",
            "warning",
            f"{signal.transfer.upper()} is coded in {signal.bits} bits; BT.2100 asks for 10 or 12.",
            value=float(signal.bits),
            unit="bits",
            threshold=10.0,
        )
    wide = signal.primaries == "bt2020"
    for name, value in (("matrix", signal.matrix), ("primaries", signal.primaries)):
        odd = (hdr and value in {"bt601", "bt709"}) or (
            name == "matrix" and wide and value in {"bt601", "bt709"}
        )
        if odd and signal.origins.get(name) == "declared":
            yield Finding(
                f"{name}-implausible",
                "warning",
                f"The {name} is declared as {value} with {signal.transfer} and "
                f"{signal.primaries} primaries, which seldom go together: state it if it is wrong.",
                alternatives=("a clip that was coded so on purpose",),
                decided_by="a capture of the chart",
            )


def _range_findings(signal: Signal, counts: IntArray) -> Iterator[Finding]:
    """Compare the range with the codes in use."""
    total = counts.sum(axis=1)
    if not total.all() or signal.matrix == "rgb":
        return
    black, span = luma_scale(signal.bits, "narrow")
    low, high = int(black), int(black + span)
    stray = float((counts[0, :low].sum() + counts[0, high + 1 :].sum()) / total[0])
    neutral, scale = chroma_scale(signal.bits, "narrow")
    edges = int(neutral - scale / 2), int(neutral + scale / 2)
    inside = not counts[1:, : edges[0]].sum() and not counts[1:, edges[1] + 1 :].sum()
    origin = signal.origins.get("range", "assumed")
    if signal.range == "narrow" and stray > _STRAY:
        yield Finding(
            "range-conflict",
            "warning",
            f"The range is {origin} as narrow, but {100 * stray:.1f} % of the luma samples lie "
            "below its black or above its peak: state range=full if the picture looks washed out.",
            value=100 * stray,
            unit="%",
            threshold=100 * _STRAY,
            count=int(total[0]),
            alternatives=("super-white and sub-black content in narrow range",),
            decided_by="a capture of the chart",
        )
    elif signal.range == "full" and origin != "stated" and stray == 0 and inside:
        yield Finding(
            "range-conflict",
            "warning",
            f"The range is {origin} as full, but no code leaves narrow range: state range=narrow "
            "if blacks look grey.",
            value=0.0,
            unit="%",
            threshold=0.0,
            count=int(total[0]),
            alternatives=("content without black and white",),
            decided_by="a capture of the chart",
        )


def _depth_findings(planes: tuple[PlaneUse, ...], bits: int) -> Iterator[Finding]:
    known = [plane.effective_bits for plane in planes if plane.effective_bits is not None]
    if known and max(known) < bits:
        yield Finding(
            "effective-depth",
            "warning",
            f"The codes have {bits} bits, of which only {max(known)} carry anything.",
            value=float(max(known)),
            unit="bits",
            threshold=float(bits),
            count=sum(plane.distinct for plane in planes),
        )
