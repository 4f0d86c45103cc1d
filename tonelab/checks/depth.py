"""How many bits reach the output, what an R'G'B' stage leaves, and which steps are lost."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from tonelab.checks.coarse import CoarseStage, are_repeated, how_cut, way_of_last
from tonelab.checks.evidence import LEAK_LIMIT
from tonelab.checks.filters import before_filter, bends_no_means, noise_alone
from tonelab.checks.flats import stages_before_scaling, stages_of_flat_colours
from tonelab.checks.levels import named_levels
from tonelab.checks.registry import CHAIN, CHECKS, Deciding, altered, transparent, undecided
from tonelab.checks.samples import Samples, common_step
from tonelab.checks.scenes import moved_scenes
from tonelab.checks.stages import flat, hidden_stages, last_stage, stages_of_pictures
from tonelab.signal.quantisation import ORIGIN

if TYPE_CHECKING:
    from tonelab.checks.evidence import PathEvidence
    from tonelab.checks.registry import Findings
    from tonelab.results import Finding, Severity
    from tonelab.signal.arrays import FloatArray, IntArray, Mask

_MIDDLE, _WITHIN = 448.0, 507.0  # code 512, less black, and codes to either side of it
_NOISY = 0.3  # codes; more in flat patches is dither
_EXACT = 0.9  # share of samples that a hypothesis must predict exactly
_DISTURBED = 3.0  # times the usual variance within a patch
_LEAST_GREYS = 200  # for counting levels and steps
_MIDDLE_SHARES = (0.05, 0.95)  # of a histogram, between which hardly a code is rare
_OF_CODE = 200  # samples that a code there must have on average
_LEAST_CODES = 64
_CLEARLY, _RISE = 6.0, 0.3  # median errors of clear steps; share of a rise that is none
_AROUND, _LAGS, _HALF = 24, (1, 3, 6), 0.5  # codes about a step; over which; share of the slope
_SURELY, _FLAT_OBJECTS, _LEAST_RUN = 3.0, 2.0, 4  # errors of a rise; times usual samples; steps
_LEAST_GAP = 6.0  # codes in a row
_LEAST_AFTER = 40  # levels that fewer bits leave, to count those lost before
_LEVELS_LOST = 0.08  # share of the expected levels
_PARTS, _MANY = 4, 0.25  # of the codes, and share of steps that a stage takes in each
_LOST_BY_CHANCE = 0.06  # share of steps, where the greys of a code are not all alike
_LOST_BY_COLOUR = 0.2  # the same, of colours that a conversion of primaries rounds anew
_LEAST_OF_CHROMA = 24  # codes of either plane


@CHECKS.register("depth", label="effective bit depth", always=True, needs="tallies")
def depth(evidence: PathEvidence) -> Findings:
    """Measure the effective depth from steps, repeated bits, and levels on greys."""
    step, noise = evidence.code_step, evidence.noise
    count = int(evidence.capture_histogram[0].sum())
    bits = 10 - int(np.log2(step))
    sent, deep = evidence.sent_step, min(10, evidence.source.bits)
    whole = evidence.capture.bits >= deep and evidence.pass_through
    hidden = hidden_stages(evidence) if whole else ()
    if whole and evidence.rescaled and step == 1 and not evidence.bits_repeated:
        hidden = hidden or stages_before_scaling(evidence) or stages_of_flat_colours(evidence)
    if whole and step == 1 and not hidden:
        hidden = last_stage(evidence)
    if evidence.capture.bits < deep:
        yield undecided(
            "depth",
            f"The file holds {evidence.capture.bits} bits, so what the device sends beyond them "
            "is not in it.",
            f"a capture in {deep} bits" + (", such as v210" if deep == 10 else ""),
            value=float(evidence.capture.bits),
            unit="bits",
            count=count,
        )
    elif 1 < step <= sent and evidence.pass_through:
        yield transparent(
            "depth",
            f"The output has {bits} bits, and so has the source.",
            value=float(bits),
            unit="bits",
            count=count,
            threshold=10 - float(np.log2(sent)),
        )
        yield from _lost_before(evidence, CoarseStage("bits", bits, "rounded"), count)
    elif step > 1 and noise > _NOISY and (coarse := _coarse_chroma(evidence)) is not None:
        yield coarse
    elif step > 1 and noise > _NOISY:
        yield transparent(
            "depth",
            f"The output has {bits} bits with dither that carries levels between them.",
            value=float(bits),
            unit="bits",
            count=count,
            threshold=10.0,
        )
    elif step > 1:
        yield altered(
            "depth-eight-bits" if step == 4 else "depth-reduced",
            f"Only one code in {step} occurs: {bits} bits reach the output, {_how_cut(evidence)}.",
            value=float(bits),
            unit="bits",
            count=count,
            threshold=10.0,
            alternatives=(f"{CHAIN} records fewer bits than its file holds",),
            decided_by="the same source from a player known to send 10 bits into the same card",
        )
        yield from _lost_before(evidence, CoarseStage("bits", bits, "rounded"), count)
    elif evidence.bits_repeated:
        yield altered(
            "depth-bits-repeated",
            "All codes are 8-bit codes with their two highest bits repeated below: neutral is "
            "514 and white 943 in place of 512 and 940.",
            value=8.0,
            unit="bits",
            count=count,
            threshold=10.0,
            alternatives=(f"{CHAIN} extends 8 bits to 10 so",),
            decided_by="the same source from a player known to send 10 bits into the same card",
        )
        yield from _lost_before(evidence, CoarseStage("repeated", 8, "rounded"), count)
    else:
        chroma = _coarse_chroma(evidence) if not hidden else None
        if chroma is not None:
            yield chroma
        yield from _by_levels(evidence, count, hidden)
    yield from hidden


def _coarse_chroma(evidence: PathEvidence) -> Finding | None:
    """Find a coarser depth that chroma alone still shows, where luma was changed after it."""
    before, after = evidence.source_histogram[1:], evidence.capture_histogram[1:]
    used = [np.flatnonzero(plane) for plane in after]
    many = min(map(len, used)) >= _LEAST_OF_CHROMA
    noises = evidence.chroma_noises
    moved = np.count_nonzero(noises > _NOISY) > (1 - _EXACT) * len(noises)
    if not many or moved or common_step(before) > 1:
        return None
    step = common_step(after)
    if step > 1:
        bias = float(np.mean(evidence.explanation.chroma_offset))
        name, bits = "eight-bits" if step == 4 else "reduced", 10 - int(np.log2(step))
        text = f"Only one code in {step} occurs in Cb and Cr: {bits} bits reach the output, "
        text += f"{_cut(bias, step)}, without dither"
    elif all(map(are_repeated, used)):
        name, bits = "bits-repeated", 8
        text = "All codes of Cb and Cr are 8-bit codes with their two highest bits repeated below"
    else:
        return None
    return altered(
        f"depth-{name}",
        f"{text}; luma was changed {'before' if evidence.code_step > 1 else 'after'} that.",
        value=float(bits),
        unit="bits",
        count=int(after.sum()),
        threshold=10.0,
        alternatives=(f"{CHAIN} records fewer bits than its file holds",),
        decided_by="the same source with all that changes luma off",
    )


def _cut(bias: float, step: int) -> str:
    way = "cut off" if bias < -0.25 * step else "rounded"
    return f"{way} (mean error {bias:+.2f} codes)"


def _how_cut(evidence: PathEvidence) -> str:
    if not evidence.pass_through:
        return "without dither"
    step, found = evidence.code_step, evidence.tones
    colours = evidence.sites if evidence.layout is None else evidence.colours
    colours = colours[flat(colours)]
    sent, seen = np.rint(colours.source + ORIGIN), np.rint(colours.capture + ORIGIN)
    last = way_of_last(sent, seen, step)
    if last is not None:
        return f"{last} (after another stage of few bits), without dither"
    fault = named_levels(evidence)
    usual = 0.0 if fault is None else fault.luma_offset
    if len(found) and evidence.explanation.gamut is None:
        rest = found.capture[:, 0] - evidence.explanation.luma_gain * found.source[:, 0]
        bias = float(rest.mean()) - usual
    elif evidence.explanation.affine:
        bias = evidence.explanation.luma_offset - usual
    else:
        return "without dither"
    # Brightness may have moved luma too.
    by_chroma = None if evidence.paths is None else how_cut(evidence.paths.joint[1:], step)
    means = _cut(bias, step)
    way = means if by_chroma is None or means.startswith(by_chroma) else by_chroma
    return f"{way}, without dither"


def _by_levels(evidence: PathEvidence, count: int, hidden: tuple[Finding, ...]) -> Findings:
    stages = stages_of_pictures(evidence) if evidence.pass_through and not hidden else ()
    counted = codes_used(evidence) or _levels_before_filter(evidence)
    if counted is not None:
        yield _levels_lost(*counted, count)
    elif (
        evidence.pass_through
        and len(evidence.tones) >= _LEAST_GREYS
        and (not evidence.clear or _mixes(evidence))
    ):
        text = "Levels cannot be counted where detail, noise or the scene moves single samples."
        yield undecided("depth", text, "a capture of the chart")
    else:
        yield _by_greys(evidence, count)
        yield from stages
        return
    yield from (stage for stage in stages if stage.verdict == "not transparent")


def _by_greys(evidence: PathEvidence, count: int) -> Finding:
    found, expected = count_levels(evidence)
    if not evidence.pass_through or expected < _LEAST_GREYS:
        return transparent(
            "depth",
            "All bits of the capture are in use.",
            value=10.0,
            unit="bits",
            count=count,
            threshold=10.0,
        )
    if found < (1 - _LEVELS_LOST) * expected:
        return _levels_lost(found, expected, count)
    return transparent(
        "depth",
        f"{found} of {expected} grey levels reach the output.",
        value=float(found),
        unit="levels",
        count=count,
        threshold=(1 - _LEVELS_LOST) * expected,
    )


def _mixes(evidence: PathEvidence) -> bool:
    """Whether codes before a scaler are means over scenes, or colours, mapped in several ways."""
    if evidence.layout is not None or not evidence.resampled:
        return False
    moved = evidence.rescaled and moved_scenes(evidence) is not None
    return moved or evidence.explanation.gamut is not None


def _lost_before(evidence: PathEvidence, last: CoarseStage, count: int) -> Findings:
    """Find fewer levels of luma than what rounded the codes last would leave."""
    found, expected = count_levels(evidence, last)
    known = evidence.pass_through and evidence.clear and expected >= _LEAST_AFTER
    if known and found < (1 - _LEVELS_LOST) * expected:
        yield _levels_lost(found, expected, count, last.bits)


def _levels_lost(found: int, expected: int, count: int, of: int = 10) -> Finding:
    bits = of + float(np.log2(found / expected))
    return altered(
        "depth-levels",
        f"{found} of {expected} luma levels reach the output, as after a stage of about "
        f"{bits:.1f} bits.",
        value=float(found),
        bound=1.0,
        unit="levels",
        count=count,
        threshold=(1 - _LEVELS_LOST) * expected,
        alternatives=("an 8-bit stage before a change of levels", "an 8-bit R'G'B' stage"),
        decided_by="a capture with range and picture controls that change no levels",
    )


def codes_used(evidence: PathEvidence) -> tuple[int, int] | None:
    """Codes in the middle of the histogram and how many there should be, if some are missing.

    For content whose pixels are not co-registered one by one, or carry detail or noise.
    """
    co_registered = len(evidence.tones) >= _LEAST_GREYS and evidence.clear and not evidence.mixed
    if not evidence.pass_through or co_registered:
        return None
    used = []
    for histogram in (evidence.source_histogram[0], evidence.capture_histogram[0]):
        share = np.cumsum(histogram) / max(int(histogram.sum()), 1)
        low, high = np.searchsorted(share, _MIDDLE_SHARES)
        middle = histogram[low : high + 1]
        if middle.sum() < _OF_CODE * max(len(middle), 1):
            return None
        used.append((int(np.count_nonzero(middle)), len(middle)))
    (sent, _), (found, span) = used
    expected = min(sent, span)
    few = found < (1 - _LEVELS_LOST) * expected
    return (found, expected) if few and expected >= _LEAST_CODES else None


def count_levels(evidence: PathEvidence, last: CoarseStage | None = None) -> tuple[int, int]:
    """Distinct grey levels in the capture, and how many a straight path would give.

    ``last`` is what rounds codes at its end.
    """
    neutrals = evidence.tones
    inside = (neutrals.source[:, 0] >= 0) & (neutrals.source[:, 0] <= 876)
    neutrals = neutrals[inside]
    if not len(neutrals):
        return 0, 0
    if evidence.layout is not None and evidence.noise > _NOISY:
        # Means of dithered patches meet by chance, and part by chance.
        neutrals = _undisturbed(neutrals)
        code, row = np.unique(np.rint(neutrals.source[:, 0]), return_inverse=True)
        still, _ = _stands_still(np.bincount(row, neutrals.capture[:, 0]) / np.bincount(row))
        return len(code) - int(still.sum()), len(code)
    predicted = evidence.explanation.predict(neutrals.source)[:, 0] + ORIGIN[0]
    straight = np.rint(predicted[(predicted > 0.5) & (predicted < 1022.5)])
    expected = np.unique(straight if last is None else last.after(straight))
    reached = neutrals.capture[:, 0] + ORIGIN[0]
    levels = np.unique(np.rint(reached[(reached > 0.5) & (reached < 1022.5)]))
    return len(levels), min(len(expected), len(np.unique(np.rint(neutrals.source[:, 0]))))


_TOO_FEW_STEPS = undecided(
    "steps",
    "There are too few undisturbed grey levels here to count steps.",
    "the chart, in full",
)


@CHECKS.register("steps", label="steps of gradients")
def steps(evidence: PathEvidence) -> Findings:
    """Count neighbouring source greys that arrive as one."""
    neutrals, clear = evidence.tones, evidence.clear
    by_colour = evidence.layout is None and evidence.explanation.gamut is not None
    if by_colour and evidence.paths is not None and evidence.noise < _NOISY:
        neutrals, clear = _by_colour(evidence.paths.samples), True
    neutrals = neutrals[_inside(evidence, neutrals)]
    # Luma of scaled pictures is predicted before other primaries, not after them.
    unlike = _mixes(evidence)
    # What moves single samples leaves runs of many greys.
    by_runs = not clear and not by_colour and bends_no_means(evidence)
    # Dither hides which pixels a filter predicts.
    dithered = evidence.rounded_to < evidence.grain
    before = None if clear or by_colour or dithered else before_filter(evidence)
    by_runs = by_runs and (dithered or noise_alone(evidence))
    if before is not None:
        neutrals = _greys_before_filter(evidence, before)
    apart = evidence.sent_step
    if (
        len(neutrals) < _LEAST_GREYS // apart
        or unlike
        or not (clear or by_runs or before is not None)
    ):
        yield _longest_gap(evidence) or _TOO_FEW_STEPS
        return
    if evidence.layout is not None and evidence.noise >= _NOISY:
        neutrals = _undisturbed(neutrals)
    order = np.argsort(neutrals.source[:, 0], kind="stable")
    code = np.rint(neutrals.source[order, 0])
    levels, first = np.unique(code, return_index=True)
    total = np.add.reduceat(neutrals.capture[order, 0], first)
    reached = total / np.diff([*first, len(code)])
    # A step is lost where the noise leaves no room for half a code.
    weight = np.add.reduceat(neutrals.count[order], first) / _frames(evidence)
    spread = np.maximum(np.maximum.reduceat(neutrals.variance[order, 0], first), evidence.noise**2)
    error = spread / np.maximum(weight, 1)
    neighbours = np.diff(levels) == apart  # a grey that was not seen ends a run
    if not neighbours.any():
        yield _TOO_FEW_STEPS
        return
    if before is not None or by_runs:
        if before is not None:
            error = neutrals.variance[order, 0][first]
        lost = _flat(levels, reached, np.sqrt(error)) & neighbours
        regular = max(_LEAST_RUN, evidence.rounded_to)
    elif evidence.drift is None and (evidence.layout is None or evidence.noise < _NOISY):
        lost = neighbours & (np.diff(reached) + 2 * np.sqrt(error[1:] + error[:-1]) < 0.5)
        regular = max(1, evidence.grain // apart)
    else:
        lost, regular = _stands_still(reached)
        lost &= neighbours
    share = float(lost[neighbours].mean())
    start, longest = _longest_run(lost)
    gain = evidence.explanation.luma_gain
    # Where scaling is predicted to a code, or chroma leaks in, greys of a code are not all alike.
    mixed = (
        evidence.mixed
        or before is not None
        or (evidence.layout is None and evidence.leak > LEAK_LIMIT)
    )
    allowed = max(0.0, 1 - gain) + (_LOST_BY_CHANCE if mixed else 0.02)
    allowed = _LOST_BY_COLOUR if by_colour else allowed
    first_grey = levels[start] + ORIGIN[0]
    text = (
        f"{int(lost.sum())} of {int(neighbours.sum())} steps between neighbouring source greys are "
        f"lost; the longest run of greys that arrive as one is {longest + 1}, from code "
        f"{first_grey:.0f} on"
    )
    figures: Deciding = {
        "value": 100 * share,
        "bound": 10 / np.sqrt(neighbours.sum()),
        "unit": "%",
        "count": len(levels),
        "threshold": 100 * allowed,
    }
    regular = int(np.ceil(regular / max(gain, 0.1)))
    # Greys of content are means of flat places, and may belong to the next code.
    regular += int(evidence.layout is None) + 2 * int(by_colour)
    if share > allowed and evidence.capture.bits >= min(10, evidence.source.bits):
        figures |= {
            "alternatives": ("fewer bits in a stage of the path",),
            "decided_by": "the finding on bit depth",
        }
        severity: Severity = "info" if evidence.code_step > apart else "warning"
        yield altered("steps-lost", f"{text}.", severity=severity, **figures)
    elif longest > regular:
        figures |= {
            "value": float(longest + 1),
            "bound": 0.5,
            "unit": "greys",
            "threshold": float(regular + 1),
            "alternatives": ("a clipped part of the range", "a stage that rounds a bent curve"),
            "decided_by": "the same greys captured at another contrast setting",
        }
        yield altered("steps-plateau", f"A gradient stands still: {text}.", **figures)
    else:
        # What came after chroma leaked in spreads over the source's codes, but not the capture's.
        leaks = evidence.layout is None and evidence.leak > LEAK_LIMIT
        gap = _longest_gap(evidence) if leaks else None
        counted = None if before is None or dithered else codes_used(evidence)
        if counted is not None and evidence.code_step == 1:
            found, expected = counted
            text = f"{expected - found} of {expected} codes in the middle of the captured ones "
            text += "never occur, so that as many steps were lost after the filter of detail"
            figures |= {"value": 100 * (1 - found / expected), "threshold": 100 * _LEVELS_LOST}
            yield altered("steps-lost", f"{text}.", **figures)
        else:
            yield gap or transparent("steps", f"{text}.", **figures)


def _greys_before_filter(evidence: PathEvidence, before: Samples) -> Samples:
    """Codes before a filter, without those of flat objects, whose neighbours are all alike."""
    often = before.count / ndimage.median_filter(before.count, _AROUND)
    return before[_inside(evidence, before) & (often < _FLAT_OBJECTS)]


def _levels_before_filter(evidence: PathEvidence) -> tuple[int, int] | None:
    """Levels that reached a filter or other primaries, and how many should have, if few did."""
    paths = evidence.paths
    converted = evidence.layout is None and evidence.explanation.gamut is not None
    if paths is not None and converted and not evidence.resampled:
        greys = _by_colour(paths.samples)
        greys = greys[_inside(evidence, greys)]
        still = np.diff(greys.capture[:, 0]) < _HALF
    elif not evidence.clear and (before := before_filter(evidence)) is not None:
        greys = _greys_before_filter(evidence, before)
        error = np.sqrt(greys.variance[:, 0])
        still = _flat(greys.source[:, 0], greys.capture[:, 0], error)
    else:
        return None
    next_to = np.diff(greys.source[:, 0]) == 1
    still &= next_to
    lost, steps = int(still.sum()), int(next_to.sum())
    if steps < _LEAST_GREYS:
        return None
    # A stage takes steps everywhere.
    parts = zip(np.array_split(still, _PARTS), np.array_split(next_to, _PARTS), strict=True)
    least = min(float(part.sum()) / max(int(all_.sum()), 1) for part, all_ in parts)
    return (steps - lost, steps) if least > _MANY else None


def _inside(evidence: PathEvidence, greys: Samples) -> Mask:
    """Greys of which a step is expected, as they do not arrive beyond the ends of the codes."""
    luma = greys.source[:, 0]
    reached = evidence.explanation.predict(greys.source)[:, 0]
    inside: Mask = (luma >= 0) & (luma <= 876) & (np.abs(reached - _MIDDLE) < _WITHIN)
    return inside


def _longest_gap(evidence: PathEvidence) -> Finding | None:
    """Find neighbouring codes that never occur, among those that occur often."""
    histogram = evidence.capture_histogram[0]
    (low, start, longest), (_, _, sent) = map(_empty, (histogram, evidence.source_histogram[0]))
    # Content of a few codes, as a pattern, has such gaps of its own.
    own = max(_LEAST_GAP, 3 * evidence.grain)
    if not evidence.pass_through or longest < own or sent >= own:
        return None
    first = low + start
    return altered(
        "steps-plateau",
        f"A gradient stands still: codes {first} to {first + longest - 1} never occur, among codes "
        "that occur often.",
        value=float(longest),
        bound=1.0,
        unit="codes",
        count=int(histogram.sum()),
        threshold=_LEAST_GAP,
        alternatives=("a jump of the curve", "content without these codes"),
        decided_by="the chart, in full",
    )


def _empty(histogram: IntArray) -> tuple[int, int, int]:
    """Start of the middle of a histogram, and its longest run of codes that never occur there.

    None where the others are rare.
    """
    share = np.cumsum(histogram) / max(int(histogram.sum()), 1)
    low, high = np.searchsorted(share, _MIDDLE_SHARES)
    middle = histogram[low : high + 1]
    start, longest = _longest_run(middle == 0)
    return int(low), start, longest if middle.mean() >= _OF_CODE else 0


def _by_colour(samples: IntArray) -> Samples:
    """Luma as its steps between colours of the same chroma add up, by source code.

    Where luma depends on chroma too, as after other primaries, those alone are steps of gradients.
    """
    _, luma, cb, cr, seen, count = samples.T
    key = (cb << 20) | (cr << 10) | luma
    colours, of = np.unique(key, return_inverse=True)
    total = np.bincount(of, count)
    mean = np.bincount(of, count * seen) / total
    if np.average((seen - mean[of]) ** 2, weights=count) > _NOISY**2:
        colours = colours[:0]  # filters or noise move single samples
    lower = np.flatnonzero(np.diff(colours) == 1)
    code, at = np.unique(colours[lower] & 1023, return_inverse=True)
    pairs = np.bincount(at)
    rise = np.bincount(at, mean[lower + 1] - mean[lower]) / pairs
    # Codes that a step leads to, and those that one starts from.
    levels = np.union1d(code, code + 1)
    rises = np.diff(levels).astype(np.float64)
    rises[np.isin(levels[:-1], code)] = rise
    reached = levels[:1] + np.concatenate([[0.0], np.cumsum(rises)])
    source, capture = np.zeros((2, len(levels), 3))
    source[:, 0], capture[:, 0] = levels - ORIGIN[0], reached - ORIGIN[0]
    often = np.full(len(levels), int(pairs.min(initial=1)), np.int64)
    return Samples(source, capture, np.zeros_like(source), often, levels, levels)


def _undisturbed(greys: Samples) -> Samples:
    """Patches without single samples that are far from the others, as at reserved codes."""
    variance = greys.variance[:, 0]
    return greys[variance <= _DISTURBED * float(np.median(variance))]


def _stands_still(reached: FloatArray) -> tuple[Mask, int]:
    """Find lost steps of levels with errors of their own, over as many as those need."""
    rises = np.diff(reached)
    error = float(np.median(np.abs(rises - np.median(rises))))
    lag = int(np.ceil(_CLEARLY * error)) + 1
    still = np.zeros(len(reached) - 1, bool)
    for start in np.flatnonzero(reached[lag:] - reached[:-lag] < _RISE * lag):
        still[start : start + lag] = True
    return still, lag


def _flat(levels: FloatArray, reached: FloatArray, error: FloatArray) -> Mask:
    """Find lost steps of levels of known errors by the slope around them."""
    count = len(levels)
    low, high = (np.clip(np.arange(count) + n, 0, count - 1) for n in (-_AROUND, _AROUND))
    slope = (reached[high] - reached[low]) / (levels[high] - levels[low])
    flat = np.zeros(count - 1, bool)
    for lag in _LAGS:
        rise, noise = reached[lag:] - reached[:-lag], np.hypot(error[lag:], error[:-lag])
        usual = np.minimum(slope[lag:], slope[:-lag]) * (levels[lag:] - levels[:-lag])
        for start in np.flatnonzero(rise + _SURELY * noise < _HALF * usual):
            flat[start : start + lag] = True
    return flat


def _frames(evidence: PathEvidence) -> int:
    """Frames that a grey was summed over, as a pattern may stand still from frame to frame."""
    paths = evidence.paths
    return 1 if paths is None else max(int(paths.steady_frames.max(initial=1)), 1)


def _longest_run(flags: Mask) -> tuple[int, int]:
    """Start and length of the longest run of True."""
    edges = np.flatnonzero(np.diff(np.r_[False, flags, False].astype(np.int8)))
    if not len(edges):
        return 0, 0
    lengths = edges[1::2] - edges[::2]
    best = int(lengths.argmax())
    return int(edges[::2][best]), int(lengths[best])
