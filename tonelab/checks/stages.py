"""Coarse stages inside a path, identified by their codes where later stages hide their steps."""

from __future__ import annotations

from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from tonelab.checks.coarse import (
    CHROMA,
    FINEST_RGB,
    LEAST_FLAT,
    LUMA,
    STAGES_OF_BITS,
    CoarseStage,
    carried_on,
    predicted_shares,
    stages_of_rgb,
)
from tonelab.checks.evidence import kept
from tonelab.checks.registry import CHAIN, altered, undecided
from tonelab.signal.quantisation import ORIGIN

if TYPE_CHECKING:
    from typing import Unpack

    from tonelab.checks.evidence import PathEvidence
    from tonelab.checks.registry import Figures
    from tonelab.checks.samples import Samples
    from tonelab.results import Finding
    from tonelab.signal.arrays import FloatArray, Mask
    from tonelab.signal.colorimetry import Matrix

_SHARE = 0.5  # of the colours that a stage must predict to the code, though others follow it
_GAIN = 0.2  # by which it must predict more than no stage
_LEAD = 0.1  # by which it must predict more than any stage of another name
_NEARLY_ALL, _FEWER = 0.95, 0.25  # or of the colours, leaving that share of what others leave
_MOST = 0.97  # share above which another is as good
_WHOLE = 0.02  # codes
_GREY, _FLAT = 8.0, 0.75  # codes of chroma; share of the colours, less of which are dithered
_LESS = 0.7  # of what is left without a stage, or with any other
_OFTEN = 16  # samples of a colour under dither
_EXACTLY = 0.75  # codes; half of one, and what the fit of other changes may be off
_BITS_LEAD = 0.1  # by which fewer bits must predict more than any stage of another name
_EXACT = 0.9  # share of samples that a hypothesis must predict exactly
_ALL = slice(0, 3)


def flat(colours: Samples, planes: slice = _ALL) -> Mask:
    """Mask (N,) of colours with one whole code on both sides, as captured in some planes."""
    whole = np.abs(colours.source - np.rint(colours.source)).max(axis=1) < _WHOLE
    found: Mask = whole & (colours.variance[:, planes].max(axis=1) < 0.02)
    return found


@kept
def hidden_stages(evidence: PathEvidence) -> tuple[Finding, ...]:
    """Name a stage whose steps a later one hides, or that follows a change of levels as R'G'B'.

    A stage of bits must show in chroma too, as luma alone may have lost them otherwise.
    """
    found = evidence.explanation
    if evidence.layout is None and evidence.paths is not None:
        colours = evidence.sites
    else:
        colours = evidence.colours[found.used]
    if len(colours.source) < LEAST_FLAT:
        return ()
    rows = flat(colours, CHROMA)
    count = int(np.count_nonzero(rows))
    # Of dithered colours those alone are flat that dither leaves alone, as greys may be.
    coloured = np.abs(colours.source[:, 1:]).max(axis=1) > _GREY
    if coloured.any() and rows[coloured].mean() < _FLAT:
        return _with_dither(colours[colours.count >= _OFTEN], evidence.source.coding_matrix)
    if count < LEAST_FLAT:
        return ()
    # Luma that follows its surroundings is not exact to the code; its chroma is.
    luma = np.count_nonzero(rows & flat(colours)) >= LEAST_FLAT and evidence.drift is None
    source = np.rint(colours.source[rows] + ORIGIN)
    seen = np.rint(colours.capture[rows] + ORIGIN)
    lasts, matrix = evidence.last_stages, evidence.source.coding_matrix

    def predicted_by(codes: FloatArray) -> FloatArray:
        return _shares(found.converted(codes - ORIGIN) + ORIGIN, seen, lasts)

    direct = predicted_by(source)
    if direct.min() >= _MOST:
        return ()
    sent_on = np.floor(found.predict(source - ORIGIN) + ORIGIN + 0.5)
    shares = {}
    for stage in (*STAGES_OF_BITS, *stages_of_rgb(matrix)):
        if stage.kind == "repeated" and evidence.code_step > 1:
            continue  # fewer bits leave nothing of those repeated below
        predicted = predicted_by(stage.after(source))
        if stage.kind == "rgb":
            predicted = np.maximum(predicted, predicted_shares(stage.after(sent_on), seen))
        else:
            predicted[0] = 0.0
        predicted[0] *= luma
        shares[stage] = predicted
    best = max(shares, key=lambda stage: float((shares[stage] - direct).max()))
    group = int((shares[best] - direct).argmax())
    share, without = float(shares[best][group]), float(direct[group])
    rival = max(
        float(predicted[group]) for stage, predicted in shares.items() if stage.name != best.name
    )
    if share >= _SHARE and _better(share, without, _GAIN) and _better(share, rival, _LEAD):
        fine = best.kind == "rgb" and best.bits > FINEST_RGB
        return () if fine else (named_stage(best, share, without, count),)
    return () if lasts or not luma else _two_stages(source, seen, share, matrix)


def _coarse_rgb(matrix: Matrix) -> list[CoarseStage]:
    """Stages in R'G'B' that take codes of Y'CbCr together."""
    return [stage for stage in stages_of_rgb(matrix) if stage.bits <= FINEST_RGB]


def _with_dither(colours: Samples, matrix: Matrix) -> tuple[Finding, ...]:
    """Name a stage by the means of colours that dither moves in each sample.

    Dither after the stage carries its steps on; before it, only the levels of its own steps.
    """
    whole = np.abs(colours.source - np.rint(colours.source)).max(axis=1) < _WHOLE
    if np.count_nonzero(whole) < LEAST_FLAT:
        return ()
    source, seen = np.rint(colours.source[whole] + ORIGIN), colours.capture[whole]
    stages = [*STAGES_OF_BITS, *_coarse_rgb(matrix)]
    in_bits = [stage for stage in stages if stage.kind == "bits"]
    sent_on = [(stage, stage.after(source)) for stage in stages]
    luma = [(stage, stage.after(source)) for stage in in_bits]
    for stage, step in product(in_bits, (2.0, 4.0)):
        low = np.floor(source / step) * step
        share = (source - low) / step
        if step < 2 ** (10 - stage.bits):
            carried = (1 - share) * stage.after(low) + share * stage.after(low + step)
            sent_on.append((stage, carried))
    found = _by_means(source, seen[:, CHROMA], sent_on)
    if found is not None:
        return (_as_found(found[0], f"predicts mean chroma {found[1]}", count=len(source)),)
    found = _by_means(source, seen[:, LUMA], luma)
    if found is None:
        return ()
    text = f"Luma alone goes through a stage of about {found[0].bits}.0 bits: that predicts its "
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
    source: FloatArray, seen: FloatArray, sent_on: list[tuple[CoarseStage, FloatArray]]
) -> tuple[CoarseStage, str] | None:
    """Stage whose codes, after an affine map, leave least of some means; what they leave."""

    def left(codes: FloatArray) -> float:
        design = np.column_stack([codes - ORIGIN, np.ones(len(codes))])
        rest = seen - design @ np.linalg.lstsq(design, seen)[0]
        return float(np.sqrt(np.mean(rest**2)))

    rest, direct = [left(codes) for _, codes in sent_on], left(source)
    best, least = sent_on[int(np.argmin(rest))][0], min(rest)
    # Bits repeated below move means by next to nothing but a gain.
    same = (best.bits, best.how)
    rivals = zip(rest, sent_on, strict=True)
    rival = min(one for one, (stage, _) in rivals if (stage.bits, stage.how) != same)
    if least > _LESS * min(direct, rival):
        return None
    return best, f"to {least:.2f} codes, and {direct:.2f} are left without it"


def _two_stages(
    source: FloatArray, seen: FloatArray, one: float, matrix: Matrix
) -> tuple[Finding, ...]:
    """Name fewer bits before an R'G'B' stage, which predict what neither does alone."""
    coarse, in_rgb = STAGES_OF_BITS, _coarse_rgb(matrix)
    predicted = {
        (first, second): float(predicted_shares(second.after(first.after(source)), seen).min())
        for first, second in product(coarse, in_rgb)
    }
    best = max(predicted, key=lambda pair: predicted[pair])
    names = [stage.name for stage in best]
    rival = max(predicted[pair] for pair in predicted if [stage.name for stage in pair] != names)
    if predicted[best] < _NEARLY_ALL or predicted[best] < max(one + _GAIN, rival + _LEAD):
        return ()
    return tuple(named_stage(stage, predicted[best], one, len(source)) for stage in best)


def last_stage(evidence: PathEvidence) -> tuple[Finding, ...]:
    """Name an R'G'B' stage at the end of a path by the captured codes alone, which it all made.

    Whatever noise or filter came before; few of all codes stand for whole codes of R'G'B'.
    """
    if evidence.layout is not None or evidence.paths is None or not evidence.pass_through:
        return ()
    table = evidence.paths.sites
    coloured = np.abs(table[:, [4, 5]] - ORIGIN[1:]).max(axis=1) > _GREY
    sent, seen = (np.unique(table[coloured][:, part], axis=0) for part in (_ALL, slice(3, 6)))
    if len(seen) < LEAST_FLAT:
        return ()

    def kept(codes: FloatArray, stage: CoarseStage) -> float:
        return float((np.abs(stage.after(codes) - codes).max(axis=1) < _WHOLE).mean())

    stages = _coarse_rgb(evidence.source.coding_matrix)
    shares = {stage: kept(seen.astype(np.float64), stage) for stage in stages}
    best = max(stages, key=lambda stage: shares[stage])
    before = kept(sent.astype(np.float64), best)
    if shares[best] < _NEARLY_ALL or before > _SHARE:
        return ()
    share = shares[best]
    text = f"makes {share:.1%} of the captured colours, and {before:.1%} of the source's"
    return (_as_found(best, text, value=100 * share, unit="%", count=len(seen)),)


def _better(share: float, other: float, gain: float) -> bool:
    """Whether a share exceeds another clearly, or leaves next to none of what the other leaves."""
    few = share > _NEARLY_ALL and 1 - share < _FEWER * (1 - other) and other < _MOST
    return few or share >= other + gain


def _shares(codes: FloatArray, seen: FloatArray, lasts: tuple[CoarseStage, ...]) -> FloatArray:
    """Shares of the colours that codes predict by the last stages, or else by an affine map."""
    if not lasts:
        return predicted_shares(carried_on(codes, seen), seen)
    shares: FloatArray = np.max(
        [predicted_shares(last.after(codes), seen) for last in lasts], axis=0
    )
    return shares


def named_stage(
    stage: CoarseStage, share: float, without: float, count: int, what: str = "colours"
) -> Finding:
    """Say which stage predicts that share of the colours, and the share without it."""
    text = f"predicts {share:.1%} of the {what} to the code, and {without:.1%} without it"
    threshold = 100 * (without + _GAIN)
    return _as_found(stage, text, value=100 * share, unit="%", count=count, threshold=threshold)


def _as_found(stage: CoarseStage, why: str, **figures: Unpack[Figures]) -> Finding:
    text = {
        "bits": f"{stage.bits} bits go through a stage of the path, {stage.how} without dither, "
        "among other changes",
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


def stages_of_pictures(evidence: PathEvidence) -> tuple[Finding, ...]:
    """Name stages that predict luma over flat chroma, where flat colours are few.

    What else was done to colours, by matrices and controls, may have come before an R'G'B' stage or
    after. Fewer bits must show in chroma too: in what another matrix, or R'G'B', makes luma of it.
    """
    paths, found = evidence.paths, evidence.explanation
    shown = int(np.count_nonzero(flat(evidence.colours) & found.used))
    if found.gamut is not None or shown >= LEAST_FLAT:
        return ()
    if paths is None or len(paths.samples) < LEAST_FLAT:
        text = f"Whether the path goes through 8-bit R'G'B' cannot be determined from {shown} flat "
        return (undecided("depth-rgb-stage", f"{text}colours.", "a capture of the chart"),)
    source, seen = paths.samples[:, 1:4].astype(np.float64), paths.samples[:, 4]
    # As the known steps alone make it, or as fitted with what else was done.
    maps = ((found.known, np.zeros(3)), (found.linear, found.offset))

    def changed(codes: FloatArray) -> list[FloatArray]:
        return [(codes - ORIGIN) @ linear.T + offset + ORIGIN for linear, offset in maps]

    def hit(*made: FloatArray) -> float:
        return max(float((np.abs(seen - codes[:, 0]) < _EXACTLY).mean()) for codes in made)

    coarse, in_rgb = STAGES_OF_BITS, stages_of_rgb(evidence.source.coding_matrix)
    direct = hit(*changed(source))
    before = [np.floor(codes + 0.5) for codes in changed(source)]
    ways: dict[tuple[CoarseStage, ...], float] = {
        (stage,): hit(*changed(stage.after(source)), *map(stage.after, before)) for stage in in_rgb
    }
    if found.matrices is not None:
        ways |= {(stage,): hit(*changed(stage.after(source))) for stage in coarse}
    if max(ways.values()) < _EXACT:
        ways |= {
            (first, second): hit(second.after(first.after(source)))
            for first, second in product(coarse, in_rgb)
            if second.bits <= FINEST_RGB
        }
    best = max(ways, key=lambda way: ways[way])
    names = [stage.name for stage in best]
    rival = max(share for way, share in ways.items() if [s.name for s in way] != names)
    fine = best[0].kind == "rgb" and best[0].bits > FINEST_RGB
    close = best[0].kind != "rgb" and rival > ways[best] - _BITS_LEAD
    if fine or close or ways[best] < _EXACT or direct > ways[best] - 0.02:
        return ()
    return tuple(named_stage(stage, ways[best], direct, len(source)) for stage in best)
