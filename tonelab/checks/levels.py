"""Gain and offset of luma and chroma, and the known causes of such figures."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import chain, product
from typing import TYPE_CHECKING

import numpy as np

from tonelab.checks.filters import line_with_local_contrast
from tonelab.checks.registry import AFTER, CHAIN, CHECKS, Deciding, altered, transparent, undecided
from tonelab.signal.quantisation import ORIGIN

if TYPE_CHECKING:
    from tonelab.checks.evidence import PathEvidence
    from tonelab.checks.registry import Findings
    from tonelab.results import Finding
    from tonelab.signal.arrays import FloatArray

_GAIN_LIMIT = 0.0015  # luma gain; a code and a third over the nominal range
_OFFSET_LIMIT = 0.6  # 10-bit codes
_REPEATED = 1023 / 1020
_MATCH = 0.6  # codes over the nominal range within which figures carry a name
_NEAR = (0.03, 6.0, 0.15)  # luma gain, its offset in codes, hundredths of chroma gain
_BY_NOISE = 0.1  # hundredths of chroma gain for each code of noise
_SPILT = 1.0  # hundredths of chroma gain
_FINE = 1.0  # codes RMS about an affine map, beyond which bits were lost or luma was bent
_MOVED = 0.003  # of a gain
_BENDS = 2.0  # codes RMS of luma about a straight line
_DRIFTING = 1.5e-4  # of a gain, for each code that surroundings add, that looks like a gain
_CONTROL = 0.3  # share by which a control may change the gain of luma with a known cause
_LEAST = 24  # colours
_STRONG_CHROMA = 60.0  # codes; rounding moves no gain by more than the next
_UNTOUCHED, _ROUNDED = 0.005, 0.7  # share of a colour's chroma, and codes, that it is off by
_SAME = 0.0012  # of a gain
_OF_ALL = 3.0  # codes by which all colours may be off
_MOST_UNTOUCHED, _TIMES = 0.5, 2.5  # share of such colours, and how many times the other's
_LEAST_STRONG = 16
_OFTEN, _ALIKE, _LEAST_CODES = 16, 0.98, 60  # samples of a chroma code, those of one code, codes
_LEAST_TONES, _LINES, _SPREAD = 100, 1000, 100.0  # greys, lines tried, codes between their ends
_KEPT, _MOST = 0.6, 0.5  # code steps from a line, and share of greys that keep to it
_SEARCHED = np.linspace(-0.002, 0.002, 161)  # about the gain that was fitted
_FARTHEST = 510.0  # codes from neutral
_TO_THE_DIGIT, _LEAD = 0.95, 0.05  # share of codes, and by which it must lead


@dataclass(frozen=True, slots=True)
class Fault:
    """Levels that have a known cause: gains, and luma offset at code 64, in 10-bit codes."""

    id: str
    text: str
    luma_gain: float
    luma_offset: float
    chroma_gain: float
    chroma_offset: float = 0.0

    @property
    def ranges(self) -> bool:
        """Whether ranges were mixed up, and not depths."""
        return "-to-" in self.id


def _range_faults() -> list[Fault]:
    faults = []
    for bits, top in ((10, 1023), (8, 1020)):
        wide, wide_chroma = top / 876, top / 896
        expanded = f"expanded from narrow to full range in {bits} bits"
        compressed = f"compressed from full to narrow range in {bits} bits"
        # Black is code 64 on both sides of the table: 64 goes to 0, and 0 to 64.
        for id_, text, gain, offset, chroma in (
            ("narrow-to-full", expanded, wide, -64.0, wide_chroma),
            ("full-to-narrow", compressed, 1 / wide, 64 / wide, 1 / wide_chroma),
        ):
            faults.append(Fault(f"{id_}-rgb", f"{text}, as R'G'B'", gain, offset, gain))
            faults.append(Fault(f"{id_}-ycbcr", f"{text}, as Y'CbCr", gain, offset, chroma))
    return faults


def _scale_fault(id_: str, text: str, gain: float) -> Fault:
    return Fault(id_, text, gain, 64 * (gain - 1), gain, 512 * (gain - 1))


FAULTS: tuple[Fault, ...] = (
    *_range_faults(),
    _scale_fault("eight-bits-scaled", "8-bit codes times four read as 10-bit full", 1020 / 1023),
    _scale_fault("sixteen-bits-scaled", "10-bit codes in 16 read as 16-bit full", 65472 / 65535),
    _scale_fault(
        "bits-replicated", "8-bit codes extended to 10 bits by repeating their bits", _REPEATED
    ),
)


@CHECKS.register("levels", label="gain and offset of luma and chroma")
def levels(evidence: PathEvidence) -> Findings:
    """Name gains and offsets that have a known cause; state the others."""
    colours, found = evidence.colours, evidence.explanation
    if len(colours) < _LEAST:
        yield undecided("levels", "Too few colours to fit levels.", "the chart, in full")
        return
    count = int(found.used.sum())
    gain_bound, offset_bound = _bounds(evidence)
    fault = named_levels(evidence)
    near = near_levels(evidence)
    twice = twice_levels(evidence) if fault is None and near is None else ()
    if near is not None:
        yield _with_another(evidence, near)
    for one in twice:
        text = f"The signal was {one.text}, which is one of two mix-ups of ranges in turn."
        yield altered(
            f"levels-{one.id}",
            text,
            value=one.luma_gain,
            bound=gain_bound,
            count=count,
            threshold=1 + _GAIN_LIMIT,
            alternatives=("picture controls that come near to it",),
            decided_by="a capture with the range of player, device and card set alike",
        )
    as_read = as_its_range(evidence) if fault is None and near is None and not twice else None
    figures = _figures(found.luma_gain, found.luma_offset, found.saturation)
    if fault is not None:
        lost = _lost_share(evidence)
        # Full range of Y'CbCr is that of its own stage: R'G'B' expands chroma by 2 % more.
        as_declared = evidence.capture.matrix == "rgb" or fault.id.endswith("ycbcr")
        way = f"{evidence.source.range}-to-{evidence.capture.range}"
        if as_declared and fault.id.startswith(way):
            yield transparent(
                "levels",
                f"The capture is {fault.text}, as its range says ({figures}).",
                value=found.luma_gain,
                bound=gain_bound,
                count=count,
            )
            return
        yield altered(
            f"levels-{fault.id}",
            f"The signal was {fault.text} ({figures}); {lost:.1%} of the chart's colours fall on "
            "the ends of the code range.",
            value=found.luma_gain,
            bound=gain_bound,
            count=count,
            threshold=1 + _GAIN_LIMIT,
            alternatives=(f"{CHAIN} reads the output with the wrong range",),
            decided_by="the same capture with the range of player, device and card set alike",
        )
        return
    usual = near or as_read
    usual_gain, usual_offset = (usual.luma_gain, usual.luma_offset) if usual else (1.0, 0.0)
    for one in twice:
        usual_gain, usual_offset = (
            usual_gain * one.luma_gain,
            usual_offset * one.luma_gain + one.luma_offset,
        )
    line = line_with_local_contrast(evidence) or _line_of_most(evidence)
    luma_gain, luma_offset = line[0] if line else (found.luma_gain, found.luma_offset)
    gain, offset = abs(luma_gain / usual_gain - 1), _unusual(evidence, luma_offset - usual_offset)
    # A bend that no straight line follows moves its mean.
    steps = [evidence.grain, *[evidence.chroma_rounded_to] * 2]
    rests = np.maximum(found.residual - 0.35 * np.array(steps), 0.0).tolist()
    bend = rests[0]
    if line is not None:
        (gain_bound, offset_bound), bend = line[1], 0.0
    if evidence.resampled and found.gamut is not None:
        gain_bound += _MOVED  # scaling after a conversion is predicted before it
    if evidence.drift is not None:
        gain_bound += _DRIFTING * float(evidence.drift.codes.std())
        offset_bound += _DRIFTING * float(evidence.drift.codes.std()) * 400
    figures = _figures(luma_gain, luma_offset, found.saturation)
    if as_read is not None:
        # Of the device alone: what the range of the capture does to codes is no fault.
        luma_gain, luma_offset = luma_gain / usual_gain, (luma_offset - usual_offset) / usual_gain
        gain_bound, offset_bound = gain_bound / usual_gain, offset_bound / usual_gain
        figures = _figures(luma_gain, luma_offset, found.saturation / as_read.chroma_gain)
        figures = f"read as the full range that it has, {figures}"
    stated: Deciding = {
        "value": luma_gain, "bound": gain_bound, "count": count, "threshold": 1 + _GAIN_LIMIT,
    }  # fmt: skip
    over = max(gain - gain_bound - _GAIN_LIMIT, (offset - offset_bound - _OFFSET_LIMIT) / 150)
    if over > bend / 100:
        stated["alternatives"] = ("picture controls contrast and brightness",)
        stated["decided_by"] = "a capture with all picture controls at their neutral setting"
        text = f"Luma is not kept: {figures}, which no known mix-up of ranges gives"
        yield altered("levels-luma", f"{text}{' alone' if near or twice else ''}.", **stated)
    elif near is None and over > 0:
        text = f"Whether luma levels are kept cannot be determined where luma is bent: {figures}."
        yield undecided("levels", text, AFTER, value=luma_gain, bound=gain_bound, count=count)
    elif near is None:
        yield transparent("levels", f"Luma levels are kept: {figures}.", **stated)
    tint = max(map(abs, evidence.tint))
    # Codes that are cut off without dither move their mean, and so do hues that are bent.
    limit = _OFFSET_LIMIT + evidence.uncertain_offset
    if not evidence.has_greys or found.gamut:
        limit += 1.5 * max(rests[1:])
    if tint > limit and (found.gamut is None or found.affine):
        yield altered(
            "levels-tint",
            f"Greys are tinted: Cb {evidence.tint[0]:+.2f}, Cr {evidence.tint[1]:+.2f} codes.",
            value=tint,
            bound=offset_bound,
            unit="codes",
            count=count,
            threshold=limit,
            alternatives=("a white balance control", "truncated chroma"),
            decided_by="a capture with all picture controls at their neutral setting",
        )


def _figures(gain: float, offset: float, saturation: float) -> str:
    return (
        f"luma gain {gain:.4f} with offset {offset:+.2f} codes at black, "
        f"chroma gain {saturation:.4f}"
    )


def _unusual(evidence: PathEvidence, offset: float) -> float:
    """Codes of an offset that neither cutting codes to a coarser step nor rounding them leaves."""
    step = evidence.rounded_to
    usual = (0.0,) if step == 1 else (-0.5, 0.0, 0.5, (1 - step) / 2)
    return min(abs(offset - codes) for codes in usual)


def _line_of_most(
    evidence: PathEvidence,
) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Gain and offset that most luma codes keep to, and their bounds; a part may arrive otherwise.

    Found among lines through two of them each, as a fit to all would follow the exceptions.
    """
    tones = evidence.tones
    if not evidence.clear or len(tones) < _LEAST_TONES:
        return None
    source, capture = tones.source[:, 0], tones.capture[:, 0]
    ends = np.random.default_rng(0).integers(0, len(tones), (2, _LINES))
    one, other = ends[:, np.abs(source[ends[0]] - source[ends[1]]) > _SPREAD]
    gains = (capture[other] - capture[one]) / (source[other] - source[one])
    offsets = capture[one] - gains * source[one]
    rest = np.abs(capture - gains[:, None] * source - offsets[:, None])
    kept = rest < _KEPT * evidence.code_step
    best = kept[kept.sum(axis=1).argmax()] if len(kept) else np.zeros(len(tones), bool)
    if best.mean() < _MOST:
        return None
    gain, offset = np.polyfit(source[best], capture[best], 1).tolist()
    rest = capture[best] - gain * source[best] - offset
    return (gain, offset), _half_widths(source[best], float(np.sqrt(np.mean(rest**2))), 2)


def _bounds(evidence: PathEvidence) -> tuple[float, float]:
    """95 % half widths of luma gain and offset, from the spread about the fit."""
    used = evidence.explanation.used
    rest = max(float(evidence.explanation.residual[0]), evidence.rounded_to / np.sqrt(12))
    return _half_widths(evidence.colours.source[used, 0], rest, 4)


def _half_widths(luma: FloatArray, rest: float, fitted: int) -> tuple[float, float]:
    """95 % half widths of the gain and offset of a line that leaves ``rest`` codes RMS."""
    spread = max(float(luma.std()), 1.0)
    error = 2 * rest / float(np.sqrt(max(len(luma) - fitted, 1)))
    return error / spread, error * float(np.hypot(1, float(luma.mean()) / spread))


def named_levels(evidence: PathEvidence) -> Fault | None:
    """Return the known cause whose gains and offsets the colours show, if there is one."""
    found = evidence.explanation
    chroma = float(np.mean(found.chroma_offset))
    # Bits repeated below raise all codes.
    raised = _REPEATED if evidence.bits_repeated else 1.0
    luma_gain, saturation = found.luma_gain / raised, found.saturation / raised
    if evidence.ratio_by_digits is not None:
        saturation = abs(evidence.ratio_by_digits[0])

    def of_luma(gain: float, offset: float) -> float:
        return max(abs(luma_gain - gain) * 400, abs(found.luma_offset - offset))

    def of_chroma(gain: float, offset: float) -> float:
        return max(abs(saturation - gain) * 100, abs(chroma - offset))

    def distance(fault: Fault) -> float:
        luma = of_luma(fault.luma_gain, fault.luma_offset)
        colour = of_chroma(fault.chroma_gain, fault.chroma_offset)
        # A plane that was left alone excludes a fault that changes all of them.
        alone = luma > of_luma(1.0, 0.0) or colour > of_chroma(1.0, 0.0)
        return np.inf if alone else max(luma, colour)

    # Codes scaled after they were cut to a coarser step no longer keep to that step.
    step = 4 if evidence.bits_repeated else min(evidence.rounded_to, 4)
    fine = step == 1 and float(found.residual.max()) < _FINE
    nearest = min((f for f in FAULTS if f.ranges or fine), key=distance)
    neutral = max(abs(luma_gain - 1) * 400, abs(found.luma_offset), abs(chroma))
    if distance(nearest) >= min(_MATCH * step, neutral):
        return None
    if nearest.ranges and step == 1 and abs(saturation / nearest.chroma_gain - 1) > _SAME:
        # A control of saturation may make one stage look like the other.
        stages = _stages(nearest)
        by_digits = _by_digits(evidence, [(stage.chroma_gain,) for stage in stages])
        nearest = nearest if by_digits is None else stages[by_digits]
    # Nor does a coarse step show in how many bits ranges were scaled.
    bits = " in 10 bits" if " in 10 bits" in nearest.text else " in 8 bits"
    clear = step == 1 or not nearest.ranges
    return nearest if clear else replace(nearest, text=nearest.text.replace(bits, ""))


def expected_saturation(fault: Fault | None, saturation: float) -> float:
    """Chroma gain that a fault of levels explains, in the bits that come nearer where both may."""
    if fault is None or " bits" in fault.text:
        return 1.0 if fault is None else fault.chroma_gain
    alike = (other.chroma_gain for other in FAULTS if other.id == fault.id)
    return min(alike, key=lambda gain: abs(gain - saturation), default=fault.chroma_gain)


def near_levels(evidence: PathEvidence) -> Fault | None:
    """Return the mix-up of ranges that chroma shows, or luma, where the other was changed too.

    Chroma that was scaled exactly so shows it where luma was too, but for a few hundredths and
    codes, or for one control: brightness, or contrast about black, before or after. Luma that was
    scaled and moved exactly so shows it too, but not at which stage.
    """
    found = evidence.explanation
    if named_levels(evidence) is not None or found.gamut is not None or found.matrices is not None:
        return None
    gain, offset, rest = _NEAR
    if evidence.layout is not None and evidence.resampled:
        rest = _SPILT  # chroma of a scaled chart spills over the edges of flat areas
    if evidence.layout is None:
        rest += _BY_NOISE * evidence.noise
    # Local contrast, or a scene that is followed, bends luma alone.
    bend = max(float(found.residual[0]) - _BENDS, 0.0)
    gain, offset = gain + bend / 100, offset + 3 * bend
    by_chroma, by_luma = [], []
    for fault in (fault for fault in FAULTS if fault.ranges):
        luma = abs(found.luma_gain / fault.luma_gain - 1)
        moved = abs(found.luma_offset - fault.luma_offset)
        after = abs(found.luma_offset - fault.luma_offset * found.luma_gain / fault.luma_gain)
        one = luma < _CONTROL and min(400 * luma, moved, after) < _MATCH
        chroma = abs(found.saturation - fault.chroma_gain) * 100
        exact = max(400 * luma, moved) < _MATCH
        if chroma < rest and (one or (luma < gain and moved < offset)):
            by_chroma.append((not exact, chroma, fault.id, fault))
        if exact:
            by_luma.append(fault)
    if by_chroma:
        return min(by_chroma)[-1]
    return _at_stage(evidence, by_luma[0]) if by_luma else None


def twice_levels(evidence: PathEvidence) -> tuple[Fault, ...]:
    """Return two mix-ups of ranges, in turn, that make the levels shown together.

    Two of opposite ways nearly undo each other: the digits of chroma identify them.
    """
    found = evidence.explanation
    if found.gamut is not None or found.matrices is not None:
        return ()

    def distance(pair: tuple[Fault, Fault]) -> float:
        one, two = pair
        return max(
            abs(found.luma_gain - one.luma_gain * two.luma_gain) * 400,
            abs(found.luma_offset - one.luma_offset * two.luma_gain - two.luma_offset),
            abs(found.saturation - one.chroma_gain * two.chroma_gain) * 100,
        )

    ranges = [fault for fault in FAULTS if fault.ranges]
    pairs = [(a, b) for a, b in product(ranges, ranges) if a.id[:6] == b.id[:6]]
    nearest = min(pairs, key=distance)
    if distance(nearest) < _MATCH:
        return nearest
    undone = [(a, b) for a, b in product(ranges, ranges) if a.id[:6] != b.id[:6]]
    near = [pair for pair in undone if distance(pair) < 2 * _MATCH]
    found_at = _by_digits(evidence, [(a.chroma_gain, b.chroma_gain) for a, b in near])
    return () if found_at is None else near[found_at]


def _at_stage(evidence: PathEvidence, fault: Fault) -> Fault:
    """Identify the stage by colours whose chroma nothing else changed, or by what was rounded."""
    found, colours = evidence.explanation, evidence.colours
    before = (found.before @ found.known.T)[:, 1:]
    strong = np.hypot(*before.T) > _STRONG_CHROMA
    stages = _stages(fault)
    shares = [
        _kept_share(before[strong] * stage.chroma_gain, colours.capture[strong, 1:])
        for stage in stages
    ]
    most = max(_MOST_UNTOUCHED, _TIMES * min(shares))
    if strong.sum() >= _LEAST_STRONG and max(shares) > most:
        return stages[int(np.argmax(shares))]
    found_at = _by_digits(evidence, [(stage.chroma_gain,) for stage in stages])
    if found_at is not None:
        return stages[found_at]
    text = fault.text.replace(", as R'G'B'", ", as R'G'B' or as Y'CbCr, which chroma does not show")
    return replace(fault, id=fault.id.rpartition("-")[0], text=text)


def known_levels(evidence: PathEvidence) -> Fault | None:
    """Return what is known to have changed levels: a mix-up, or the range that the capture has."""
    return named_levels(evidence) or near_levels(evidence) or as_its_range(evidence)


def as_its_range(evidence: PathEvidence) -> Fault | None:
    """Return what full range makes of a narrow-range source, where the capture is known to have it.

    Its chroma must show that as well, or the capture is labelled as what it is not.
    """
    full, codes = evidence.capture.range == "full", evidence.explanation
    known = evidence.capture.origins.get("range", "assumed") != "assumed"
    if not (full and known) or evidence.source.range == "full" or codes.gamut is not None:
        return None
    fault = next(f for f in FAULTS if f.id == "narrow-to-full-ycbcr")
    shown = abs(np.log(max(codes.saturation, 1e-3)))
    return fault if abs(shown - np.log(fault.chroma_gain)) < shown else None


def _stages(fault: Fault) -> list[Fault]:
    """Return the same mix-up of ranges at either stage."""
    way, _, _ = fault.id.rpartition("-")
    depth = fault.text.partition(" range in ")[2].partition(",")[0]
    return [other for other in FAULTS if other.id.startswith(way) and depth in other.text]


def _kept_share(predicted: FloatArray, seen: FloatArray) -> float:
    """Share of colours, (N, 2), that are predicted but for an offset that most of them share."""
    rest = seen - predicted
    near = np.hypot(*rest.T) < _OF_ALL
    rest = rest - np.median(rest[near], axis=0) if near.any() else rest
    kept = np.hypot(*rest.T) < np.maximum(_UNTOUCHED * np.hypot(*predicted.T), _ROUNDED)
    of_gain = np.vdot(predicted[kept], rest[kept]) / max(
        float(np.square(predicted[kept]).sum()), 1.0
    )
    return float(kept.mean()) if abs(of_gain) < _SAME else 0.0


def _by_digits(evidence: PathEvidence, ways: list[tuple[float, ...]]) -> int | None:
    """Return which gains of chroma in turn predict its codes to the digit.

    Codes are rounded after each of two gains, which shows more than their product. A single gain
    has another around it, which is searched.
    """
    if evidence.paths is None or not ways:
        return None
    joint = evidence.paths.joint[1:, 1:-1].reshape(-1, 1024)
    code, seen = np.tile(np.arange(1, 1023), 2) - ORIGIN[1], joint.argmax(axis=1)
    total, most = joint.sum(axis=1), joint.max(axis=1)
    # Of chroma that depends on its own code alone, away from the ends.
    rows = (total >= _OFTEN) & (most > _ALIKE * total) & (seen > 1) & (seen < 1022)
    rows &= np.abs(code) * max(1.0, *chain(*ways)) < _FARTHEST
    if np.count_nonzero(rows) < _LEAST_CODES:
        return None
    code, seen = code[rows], seen[rows] - ORIGIN[1]
    whole = float(code @ seen / (code @ code)) * (1 + _SEARCHED)

    def predicted(*steps: FloatArray | float) -> float:
        there = np.broadcast_to(code, (len(_SEARCHED), len(code)))
        for step in steps:
            there = np.floor(there * np.reshape(step, (-1, 1)) + 0.5)
        return float((there == seen).mean(axis=1).max())

    shares = []
    for gains in ways:
        around = [(gains[0], whole / gains[0]), (whole / gains[0], gains[0])]
        shares.append(max(predicted(*steps) for steps in ([gains] if len(gains) > 1 else around)))
    best, *others = sorted([*shares, predicted(whole)], reverse=True)
    clear = best > _TO_THE_DIGIT and best > max(others) + _LEAD and best in shares
    return shares.index(best) if clear else None


def _with_another(evidence: PathEvidence, fault: Fault) -> Finding:
    """Name a mix-up of ranges with another fault of levels or colours."""
    found, line = evidence.explanation, line_with_local_contrast(evidence)
    gain, offset = (found.luma_gain, found.luma_offset) if line is None else line[0]
    return altered(
        f"levels-{fault.id}",
        f"The signal was {fault.text}, and something else was changed: without the mix-up, luma "
        f"has a gain of {gain / fault.luma_gain:.4f} and is off by "
        f"{offset - fault.luma_offset:+.2f} codes at black, and chroma has a gain of "
        f"{found.saturation / fault.chroma_gain:.4f}.",
        value=fault.luma_gain,
        bound=abs(gain - fault.luma_gain),
        count=int(found.used.sum()),
        threshold=1 + _GAIN_LIMIT,
        alternatives=("picture controls that come near to it",),
        decided_by="a capture with all picture controls at their neutral setting",
    )


def shows_full_range(evidence: PathEvidence) -> bool:
    """Whether the capture holds full range: the source's own, or expanded to it."""
    fault = known_levels(evidence)
    if evidence.source.range == "full":
        return fault is None or not fault.id.startswith("full-to-narrow")
    return fault is not None and fault.id.startswith("narrow-to-full")


def _lost_share(evidence: PathEvidence) -> float:
    """Share of the chart's patches that a linear path would put beyond the codes there are."""
    samples = evidence.of()
    if not len(samples):
        samples = evidence.colours
    predicted = evidence.explanation.predict(samples.source) + ORIGIN
    return float(((predicted < 0) | (predicted > 1023)).any(axis=1).mean())
