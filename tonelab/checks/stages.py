"""Coarse stages inside a path, told by the codes they leave though later stages hide their steps.

A stage of few bits takes neighbouring codes together. What follows moves these steps, but does not
part again what was taken together: the colours behind a supposed stage, carried on by an affine
map, foretell the captured codes to the digit if the stage is right, and by chance if it is not.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, Literal

import numpy as np

from tonelab.checks.evidence import Samples
from tonelab.checks.explain import ORIGIN, SPAN
from tonelab.checks.registry import CHAIN, altered
from tonelab.signal.colorimetry import rgb_to_ycbcr, ycbcr_to_rgb

if TYPE_CHECKING:
    from typing import Unpack

    from numpy.typing import NDArray

    from tonelab.checks.evidence import Evidence
    from tonelab.checks.registry import Figures
    from tonelab.results import Finding
    from tonelab.signal.quantisation import FloatArray
    from tonelab.tallies.tallies import IntArray

LEAST_FLAT = 200  # colours
_SHARE = 0.5  # of the colours that a stage must foretell to the code, though others follow it
_GAIN = 0.2  # by which it must foretell more than no stage
_LEAD = 0.1  # by which it must foretell more than any stage of another name
_NEARLY_ALL, _FEWER = 0.95, 0.25  # or of the colours, leaving that share of what others leave
_MOST = 0.97  # share above which another is as good
_WHOLE = 0.02  # codes
_GREY, _FLAT = 8.0, 0.75  # codes of chroma; share of the colours, less of which are dithered
_LESS = 0.7  # of what is left without a stage, or with any other
_OFTEN = 16  # samples of a colour under dither
_NEAR = 1.5  # codes from a map within which colours are fitted again
_ALL, _LUMA, _CHROMA = slice(0, 3), slice(0, 1), slice(1, 3)


@dataclass(frozen=True, slots=True)
class Stage:
    """Fewer bits, or fewer with the highest repeated below, or R'G'B' and back.

    ``how`` is rounded or cut off, of R'G'B' narrow or full.
    """

    kind: Literal["bits", "repeated", "rgb"]
    bits: int
    how: Literal["rounded", "cut off", "narrow", "full"]

    @property
    def name(self) -> tuple[str, int, str]:
        """What it is called by; repeated bits alike, however they were brought to 8."""
        return self.kind, self.bits, "" if self.kind == "repeated" else self.how

    def after(self, codes: FloatArray) -> FloatArray:
        """10-bit codes, shape (N, 3), behind the stage."""
        if self.kind == "rgb":
            return through_rgb(codes, self.bits, narrow=self.how == "narrow")
        step = 2 ** (10 - self.bits)
        short = np.floor(codes / step + (0.5 if self.how == "rounded" else 0.0))
        short = np.clip(short, 0, 2**self.bits - 1)
        below = np.floor(short / 64) if self.kind == "repeated" else np.zeros_like(short)
        there: FloatArray = short * step + below
        return there


STAGES: tuple[Stage, ...] = (
    *(Stage("bits", bits, how) for bits in (9, 8, 7, 6) for how in ("rounded", "cut off")),
    *(Stage("repeated", 8, how) for how in ("rounded", "cut off")),
    *(Stage("rgb", bits, how) for bits in (8, 9, 10, 12) for how in ("narrow", "full")),
)
FINEST_RGB = 9  # bits of R'G'B' above which a stage takes hardly any codes of Y'CbCr together


def through_rgb(codes: FloatArray, bits: int, *, narrow: bool) -> FloatArray:
    """10-bit codes after a stage in R'G'B' of some bits, rounded there and back."""
    rgb = ycbcr_to_rgb((codes - ORIGIN) / SPAN, "bt2020")
    top = 2**bits - 1
    scale, start = (219 * 2 ** (bits - 8), 16 * 2 ** (bits - 8)) if narrow else (top, 0)
    stage = (np.clip(np.floor(rgb * scale + start + 0.5), 0, top) - start) / scale
    there: FloatArray = np.floor(rgb_to_ycbcr(stage, "bt2020") * SPAN + ORIGIN + 0.5)
    return there


def flat(colours: Samples, planes: slice = _ALL) -> NDArray[np.bool_]:
    """Colours whose every sample has one whole code on both sides, as captured in some planes."""
    whole = np.abs(colours.source - np.rint(colours.source)).max(axis=1) < _WHOLE
    found: NDArray[np.bool_] = whole & (colours.variance[:, planes].max(axis=1) < 0.02)
    return found


def hidden_stages(evidence: Evidence) -> tuple[Finding, ...]:
    """Name a stage whose steps a later one hides, or that follows a change of levels as R'G'B'.

    A stage of bits must show in chroma too, as luma alone may have lost them otherwise.
    """
    found = evidence.explanation
    if evidence.layout is None and evidence.paths is not None:
        colours = _of_sites(evidence.paths.sites)
    else:
        colours = evidence.colours[found.used]
    if len(colours.source) < LEAST_FLAT:
        return ()
    rows = flat(colours, _CHROMA)
    count = int(np.count_nonzero(rows))
    # Of dithered colours those alone are flat that dither leaves alone, as greys may be.
    coloured = np.abs(colours.source[:, 1:]).max(axis=1) > _GREY
    if rows[coloured].mean() < _FLAT:
        return _beside_dither(colours[colours.count >= _OFTEN])
    if count < LEAST_FLAT:
        return ()
    # Luma that follows its surroundings tells nothing to the code; chroma beside it does.
    luma = np.count_nonzero(rows & flat(colours)) >= LEAST_FLAT and evidence.drift is None
    source = np.rint(colours.source[rows] + ORIGIN)
    seen = np.rint(colours.capture[rows] + ORIGIN)
    lasts = _last_stages(evidence)
    direct = _shares(source, seen, lasts)
    if direct.min() >= _MOST:
        return ()
    behind = np.floor(found.predict(source - ORIGIN) + ORIGIN + 0.5)
    shares = {}
    for stage in STAGES:
        if stage.kind == "repeated" and evidence.code_step > 1:
            continue  # fewer bits leave nothing of those repeated below
        told = _shares(stage.after(source), seen, lasts)
        if stage.kind == "rgb":
            told = np.maximum(told, _told(stage.after(behind), seen))
        else:
            told[0] = 0.0
        told[0] *= luma
        shares[stage] = told
    best = max(shares, key=lambda stage: float((shares[stage] - direct).max()))
    group = int((shares[best] - direct).argmax())
    share, without = float(shares[best][group]), float(direct[group])
    rival = max(float(told[group]) for stage, told in shares.items() if stage.name != best.name)
    if share >= _SHARE and _better(share, without, _GAIN) and _better(share, rival, _LEAD):
        fine = best.kind == "rgb" and best.bits > FINEST_RGB
        return () if fine else (named_stage(best, share, without, count),)
    return () if lasts or not luma else _two_stages(source, seen, share)


def _of_sites(table: IntArray) -> Samples:
    """Colours of pictures, by source colour, as single samples over flat chroma tell them."""
    colours, of = np.unique(table[:, :3], axis=0, return_inverse=True)
    count = np.bincount(of, table[:, 6])
    mean, square = (
        np.stack([np.bincount(of, table[:, 6] * plane**n) for plane in table.T[3:6]], axis=1)
        / count[:, None]
        for n in (1, 2)
    )
    every = np.arange(len(colours))
    return Samples(
        colours - ORIGIN, mean - ORIGIN, square - mean**2, count.astype(np.int64), every, every
    )


def _beside_dither(colours: Samples) -> tuple[Finding, ...]:
    """Name a stage by the means of patches of the chart that dither moves in each sample.

    Dither after the stage carries its steps on; before it, only the levels of its own steps.
    """
    whole = np.abs(colours.source - np.rint(colours.source)).max(axis=1) < _WHOLE
    if np.count_nonzero(whole) < LEAST_FLAT:
        return ()
    source, seen = np.rint(colours.source[whole] + ORIGIN), colours.capture[whole]
    stages = [stage for stage in STAGES if stage.kind != "rgb" or stage.bits <= FINEST_RGB]
    in_bits = [stage for stage in stages if stage.kind == "bits"]
    behind = [(stage, stage.after(source)) for stage in stages]
    luma = [(stage, stage.after(source)) for stage in in_bits]
    for stage, step in product(in_bits, (2.0, 4.0)):
        low = np.floor(source / step) * step
        share = (source - low) / step
        if step < 2 ** (10 - stage.bits):
            carried = (1 - share) * stage.after(low) + share * stage.after(low + step)
            behind.append((stage, carried))
    found = _by_means(source, seen[:, _CHROMA], behind)
    if found is not None:
        return (_as_found(found[0], f"foretells mean chroma {found[1]}", count=len(source)),)
    found = _by_means(source, seen[:, _LUMA], luma)
    if found is None:
        return ()
    text = f"Luma alone goes through a stage of about {found[0].bits}.0 bits: that foretells its "
    text += f"mean {found[1]}."
    finding = altered(
        "depth-levels",
        text,
        count=len(source),
        alternatives=("an 8-bit stage before a change of levels",),
        decided_by="a capture with dither off",
    )
    return (finding,)


def _by_means(
    source: FloatArray, seen: FloatArray, behind: list[tuple[Stage, FloatArray]]
) -> tuple[Stage, str] | None:
    """Stage whose codes, after an affine map, leave least of some means; what they leave."""

    def left(codes: FloatArray) -> float:
        design = np.column_stack([codes - ORIGIN, np.ones(len(codes))])
        rest = seen - design @ np.linalg.lstsq(design, seen)[0]
        return float(np.sqrt(np.mean(rest**2)))

    rest, direct = [left(codes) for _, codes in behind], left(source)
    best, least = behind[int(np.argmin(rest))][0], min(rest)
    # Bits repeated below move means by next to nothing but a gain.
    same = (best.bits, best.how)
    rivals = zip(rest, behind, strict=True)
    rival = min(one for one, (stage, _) in rivals if (stage.bits, stage.how) != same)
    if least > _LESS * min(direct, rival):
        return None
    return best, f"to {least:.2f} codes, and {direct:.2f} are left without it"


def _two_stages(source: FloatArray, seen: FloatArray, one: float) -> tuple[Finding, ...]:
    """Name fewer bits before an R'G'B' stage, which predict what neither does alone."""
    coarse = [stage for stage in STAGES if stage.kind != "rgb"]
    in_rgb = [stage for stage in STAGES if stage.kind == "rgb" and stage.bits <= FINEST_RGB]
    told = {
        (first, second): float(_told(second.after(first.after(source)), seen).min())
        for first, second in product(coarse, in_rgb)
    }
    best = max(told, key=lambda pair: told[pair])
    names = [stage.name for stage in best]
    rival = max(told[pair] for pair in told if [stage.name for stage in pair] != names)
    if told[best] < _NEARLY_ALL or told[best] < max(one + _GAIN, rival + _LEAD):
        return ()
    return tuple(named_stage(stage, told[best], one, len(source)) for stage in best)


def _better(share: float, other: float, gain: float) -> bool:
    """Whether a share exceeds another clearly, or leaves next to none of what the other leaves."""
    few = share > _NEARLY_ALL and 1 - share < _FEWER * (1 - other) and other < _MOST
    return few or share >= other + gain


def _last_stages(evidence: Evidence) -> tuple[Stage, ...]:
    """Return what may have rounded the captured codes last, as far as they show it."""
    if evidence.code_step > 1:
        bits = 10 - int(np.log2(evidence.code_step))
        return Stage("bits", bits, "rounded"), Stage("bits", bits, "cut off")
    return (Stage("repeated", 8, "cut off"),) if evidence.bits_repeated else ()


def _carried_on(codes: FloatArray, seen: FloatArray) -> FloatArray:
    """Codes after the affine map that carries most of them to those seen."""
    design = np.column_stack([codes - ORIGIN, np.ones(len(codes))])
    there, near = np.zeros_like(seen), np.ones(seen.shape, bool)
    for _ in range(2):
        for plane in range(3):
            rows = near[:, plane]
            there[:, plane] = design @ np.linalg.lstsq(design[rows], seen[rows, plane])[0]
        near = np.abs(seen - there) < _NEAR
        if near.sum(axis=0).min() < LEAST_FLAT:
            break
    carried: FloatArray = np.floor(there + 0.5)
    return carried


def _shares(codes: FloatArray, seen: FloatArray, lasts: tuple[Stage, ...]) -> FloatArray:
    """Shares of the colours that codes foretell by the last stages, or else by an affine map."""
    if not lasts:
        return _told(_carried_on(codes, seen), seen)
    shares: FloatArray = np.max([_told(last.after(codes), seen) for last in lasts], axis=0)
    return shares


def _told(codes: FloatArray, seen: FloatArray) -> FloatArray:
    """Shares of the colours whose luma, and whose chroma, is foretold to the code."""
    same = codes == seen
    return np.array([same[:, planes].all(axis=1).mean() for planes in (_LUMA, _CHROMA)])


def named_stage(stage: Stage, share: float, without: float, count: int) -> Finding:
    """Say which stage predicts that share of the colours, and what goes without it."""
    text = f"predicts {share:.1%} of the colours to the code, and {without:.1%} without it"
    threshold = 100 * (without + _GAIN)
    return _as_found(stage, text, value=100 * share, unit="%", count=count, threshold=threshold)


def _as_found(stage: Stage, why: str, **figures: Unpack[Figures]) -> Finding:
    text = {
        "bits": f"{stage.bits} bits go through a stage of the path, {stage.how} without dither, "
        "beside what else it does",
        "repeated": "8-bit codes were extended to 10 by repeating their two highest bits below, "
        "and changed after that",
        "rgb": f"The path goes through {stage.bits}-bit {stage.how}-range R'G'B'",
    }[stage.kind]
    name = {
        "bits": "depth-eight-bits-hidden" if stage.bits == 8 else "depth-reduced-hidden",
        "repeated": "depth-bits-repeated",
        "rgb": "depth-rgb-stage",
    }[stage.kind]
    figures["alternatives"] = (f"{CHAIN} has such a stage",)
    decided_by = "a capture with range, picture controls and filters that change nothing"
    return altered(name, f"{text}: that {why}.", decided_by=decided_by, **figures)
