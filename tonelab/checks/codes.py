"""Samples one by one: how many are the same, and the budget of codes near black."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.checks.filters import noise_alone
from tonelab.checks.levels import shows_full_range
from tonelab.checks.registry import CHECKS, altered, transparent, undecided
from tonelab.readings.colours import coded_signal
from tonelab.signal.quantisation import ORIGIN

if TYPE_CHECKING:
    from tonelab.checks.evidence import PathEvidence
    from tonelab.checks.registry import Findings
    from tonelab.pixels.tables import PixelTables
    from tonelab.results import Finding
    from tonelab.signal.arrays import FloatArray, IntArray

_PLANES = ("Y'", "Cb", "Cr")
_LIFT_LIMIT = 2.0  # codes
_DARK = 64  # codes above black that are counted
_WHITE = 876  # codes from black to white
_NEARLY_ALL = 0.98  # share of levels
_UNEVEN = 0.9  # share of the usual levels that a coarse stage leaves anywhere
_AT_BLACK = 0.75  # codes
_AFTER_BLACK = 9  # levels of a conversion from its darkest on, whose distances are compared
_LEAST_LOST = 6  # source greys that arrive as black
_LEAST_JUMP, _STEEP = 5.0, 4.0  # code steps, and times the distances that follow
_QUIET = 0.3  # codes of noise
_DARKEST = 16  # source codes that occur
_LIFT_OF_DARKS = 0.75  # code steps
_SAME, _BLACK = 0.1, 0.5  # codes
_LEAST_USUAL = 0.05  # share of levels that a stage of few bits leaves
_ALIKE = 0.02  # squared codes
_PREDICTED = 0.3  # the same where scaling is predicted, to a code
_ROUNDED = 0.8  # code steps; twice the deviation that rounding leaves is 0.58
_LEAST_DARK = 12  # greys near black, of which a source of 8 bits has 16


@CHECKS.register("identity", label="share of identical samples")
def identity(evidence: PathEvidence) -> Findings:
    """State identity, sample by sample, where it holds."""
    paths = evidence.paths
    sampled = np.zeros(0, bool) if paths is None else paths.every_sample
    planes: IntArray = np.flatnonzero(sampled)
    same_bits = evidence.source.bits == evidence.capture.bits
    if paths is None or not len(planes) or not same_bits:
        yield undecided(
            "identity",
            "Samples are not co-registered one by one, so identity cannot be shown.",
            "a capture with the size, subsampling and depth of the source",
        )
        return
    joint = paths.joint[planes]
    total = int(joint.sum())
    same = int(np.trace(joint, axis1=1, axis2=2).sum())
    names = ", ".join(_PLANES[plane] for plane in planes)
    apart = max(
        (int(np.abs(np.subtract(*np.nonzero(table))).max(initial=0)) for table in joint), default=0
    )
    if same == total:
        yield transparent(
            "identity",
            f"All {total:,} samples of {names} are identical.",
            value=100.0,
            bound=100 * 3 / total,
            unit="%",
            count=total,
        )
    else:
        yield altered(
            "identity",
            f"{_shares(joint, planes)} of the samples are identical; the others differ by up to "
            f"{apart} codes{_kind(joint, planes, paths)}.",
            severity="info",
            value=100 * same / total,
            unit="%",
            count=total,
            threshold=100.0,
            alternatives=("dither", "any fault that another check names"),
            decided_by="the other checks",
        )


def _shares(joint: IntArray, planes: IntArray) -> str:
    shares = np.trace(joint, axis1=1, axis2=2) / joint.sum(axis=(1, 2))
    return ", ".join(
        f"{share:.2%} of {_PLANES[plane]}" for plane, share in zip(planes, shares, strict=True)
    )


def _kind(joint: IntArray, planes: IntArray, paths: PixelTables) -> str:
    """Say whether only chroma between flat places differs, or only levels."""
    chroma = [plane for plane in planes if plane]
    flat, alike = paths.same[:, 0].T
    if 0 in planes and chroma and joint[0].sum() == np.trace(joint[0]):
        if all(flat[plane] and flat[plane] == alike[plane] for plane in chroma):
            return ", all of them chroma between flat places: another interpolation of chroma"
        return ", all of them chroma"
    if (np.count_nonzero(joint, axis=2) <= 1).all():
        return ", and each code always becomes the same other: only levels differ"
    return ""


def _blacks(codes: IntArray) -> bool:
    """Whether codes near black occur, (3, 1024)."""
    return int(np.count_nonzero(codes[0, round(ORIGIN[0]) :][:_DARK])) >= _LEAST_DARK


@CHECKS.register(
    "black",
    label="black and the codes near it",
    always=True,
    needs="tallies",
    concerns=_blacks,
)
def black(evidence: PathEvidence) -> Findings:
    """Say where black lands and how many codes shadows have left."""
    neutrals = evidence.tones if evidence.pass_through else evidence.greys_of_samples
    sent = -ORIGIN[0] if evidence.source.range == "full" else 0.0  # black of the source
    distance = np.abs(neutrals.source[:, 0] - sent)
    if np.count_nonzero(distance < _DARK) < _LEAST_DARK or distance.min() >= _AT_BLACK:
        lifted = _lifted_darks(evidence)
        if lifted is not None:
            yield lifted
            return
        text = "Black cannot be measured here"
        if len(distance):
            darkest = float(neutrals.source[:, 0].min()) + ORIGIN[0]
            text += f": {len(distance)} source codes can be judged, from {darkest:.0f} on"
        yield undecided("black", f"{text}.", "the chart, in full")
        return
    order = np.argsort(neutrals.source[:, 0], kind="stable")
    source, capture = neutrals.source[order, 0] - sent, neutrals.capture[order, 0]
    coded = coded_signal(evidence.capture)
    # A pass-through has its black where its levels put it, whatever its label says.
    passed = evidence.pass_through
    narrow = not shows_full_range(evidence) if passed else coded.range == "narrow"
    start = 0.0 if narrow else -ORIGIN[0]
    at_black = float(np.median(capture[np.abs(source) < _AT_BLACK])) - start
    flat = (np.abs(evidence.neutrals.source[:, 0] - sent) < _AT_BLACK).any()
    if abs(at_black) > _LIFT_LIMIT and not flat and _filtered(evidence):
        text = (
            f"Black lands {at_black:+.1f} codes from the black of the capture's range, but stands "
        )
        text += "nowhere flat, and a filter mixes it with its neighbours."
        yield undecided("black", text, "the chart, in full", value=at_black)
        return
    shadows = (source > -0.5) & (source < _DARK + 0.5)
    levels, asked = (_levels(codes[shadows]) for codes in (capture, source))
    predicted = evidence.explanation.predict(neutrals.source[order])[:, 0]
    expected = min(_levels(predicted[shadows]), asked)
    # What a coarser depth leaves of all levels is no fault of the shadows.
    above = (source > _DARK) & (source < _WHITE)
    usual = min(_levels(capture[above]) / max(_levels(predicted[above]), 1), 1.0)
    least = expected * min(usual, 1 / evidence.rounded_to)
    least = least - 1 if usual > _NEARLY_ALL else _UNEVEN * least - 5
    text = f"the {asked} source greys from black up arrive as {levels} codes"
    count = int(neutrals.count[order][shadows].sum())
    if abs(at_black) > _LIFT_LIMIT:
        yield altered(
            "black-lifted" if at_black > 0 else "black-crushed",
            f"Black lands {at_black:+.1f} codes from the black of the capture's range; {text}.",
            severity="info",
            value=at_black,
            bound=evidence.code_step / 2,
            unit="codes",
            count=count,
            threshold=_LIFT_LIMIT,
            alternatives=("a brightness control", "a display black assumed by the device"),
            decided_by="a capture with brightness at its neutral setting",
        )
    else:
        yield transparent(
            "black",
            f"Black lands on black ({at_black:+.2f} codes); {text}.",
            value=at_black,
            bound=evidence.code_step / 2,
            unit="codes",
            count=count,
            threshold=_LIFT_LIMIT,
        )
    if not evidence.pass_through:
        alike = neutrals.variance[order, 0] < _QUIET**2
        yield from _jump(evidence, source[alike], capture[alike])
    lost = _all_black(source, capture - start)
    few = levels < least and (evidence.clear or noise_alone(evidence))
    if evidence.pass_through and (few or lost >= max(_LEAST_LOST, 2 / max(usual, _LEAST_USUAL))):
        yield altered(
            "black-codes-lost",
            f"Codes near black are lost: {text}.",
            value=float(levels),
            bound=1.0,
            unit="codes",
            count=count,
            threshold=least,
            alternatives=("black assumed above code 64", "coring of noise near black"),
            decided_by="a capture with brightness raised by a few steps",
        )
        lifted = _lifted_darks(evidence, lost) if abs(at_black) <= _LIFT_LIMIT else None
        yield from () if lifted is None else (lifted,)


def _filtered(evidence: PathEvidence) -> bool:
    """Whether pixels of content carry what a filter made of their neighbours, too."""
    return evidence.layout is None and not (evidence.clear or noise_alone(evidence))


def _all_black(source: FloatArray, capture: FloatArray) -> int:
    """Codes from black up that arrive as black, whatever a filter makes of brighter ones."""
    lost = np.append(capture[source > -0.5] < _BLACK, [False]).argmin()
    return len(np.unique(np.rint(source[source > -0.5][:lost])))


def _jump(evidence: PathEvidence, source: FloatArray, capture: FloatArray) -> Findings:
    """Find greys of a conversion that all arrive as black, before the first that does not.

    Curves are steep at black, but over a few codes, and not for one code alone.
    """
    rows = (source > -0.5) & (source < 2 * _DARK)
    sent, reached = source[rows], np.rint(capture[rows])
    levels = np.unique(reached)[:_AFTER_BLACK]
    lost = np.unique(np.rint(sent[reached == levels.min(initial=0)]))
    if len(levels) < _AFTER_BLACK or len(lost) < _LEAST_LOST:
        return
    ends = np.array([(sent[reached == n].min(), sent[reached == n].max()) for n in levels])
    # Greys between two levels that do not occur in the source are no jump.
    first, *others = (np.diff(levels) / np.maximum(ends[1:, 0] - ends[:-1, 1], 1)).tolist()
    if first < max(_LEAST_JUMP * evidence.code_step, _STEEP * max(others)):
        return
    yield altered(
        "black-codes-lost",
        f"Codes near black are lost: {len(lost)} source greys from black up arrive as black, and "
        f"the next is {levels[1] - levels[0]:.0f} codes above it.",
        severity="info",
        value=float(len(lost)),
        bound=1.0,
        unit="codes",
        count=int(rows.sum()),
        threshold=float(_LEAST_LOST),
        alternatives=("black assumed above code 64", "coring of noise near black"),
        decided_by="a capture with brightness raised by a few steps",
    )


def _lifted_darks(evidence: PathEvidence, lost: int = 0) -> Finding | None:
    """Compare the darkest codes with the line through brighter ones.

    Where content holds no black, or where so many codes from black up are ``lost``.
    """
    tones = evidence.tones
    tones = tones[tones.source[:, 0] > lost - 0.5]
    known = evidence.layout is not None and not lost
    if not evidence.pass_through or known or len(tones) < 4 * _DARKEST:
        return None
    order = np.argsort(tones.source[:, 0], kind="stable")
    # What a curve does to a code it does everywhere, but for noise; a filter does not.
    alike, differ = _ALIKE, float(np.median(tones.variance[order[:_DARKEST], 0]))
    if evidence.mixed:
        alike = _PREDICTED
    if not (evidence.clear and differ <= alike) and not noise_alone(evidence):
        return None
    # Dither carries what lies between coarse codes.
    grain = 1 if evidence.noise > _QUIET else evidence.grain
    source, of = np.unique(np.rint(tones.source[order, 0]), return_inverse=True)
    capture = np.bincount(of, tones.capture[order, 0]) / np.bincount(of)
    above = source > np.median(source)
    line = np.polyfit(source[above], capture[above], 1)
    rest = capture - np.polyval(line, source)
    spread = 2 * float(rest[above].std())
    parts = [float(np.median(part)) for part in np.split(rest[: 3 * _DARKEST], 3)]
    darkest, falls = parts[0], bool((np.diff(parts) < _SAME).all())
    # Brighter codes must keep to the line but for rounding, or it says nothing on darker ones.
    straight = spread < _ROUNDED * evidence.code_step
    if not (straight and falls) or darkest < _LIFT_OF_DARKS * grain + spread:
        return None
    which = "that arrive above black" if lost else "that occur"
    black = "" if lost else "; black itself does not occur"
    return altered(
        "black-lifted",
        f"The darkest codes {which}, from {source[0] + ORIGIN[0]:.0f} on, are lifted by "
        f"{darkest:.1f} codes against the straight path of brighter ones, the more the darker"
        f"{black}.",
        severity="info",
        value=darkest,
        bound=spread,
        unit="codes",
        count=int(tones.count[order][:_DARKEST].sum()),
        threshold=_LIFT_OF_DARKS,
        alternatives=("a bent tone curve", "a brightness control"),
        decided_by="the chart, in full",
    )


def _levels(codes: FloatArray) -> int:
    return len(np.unique(np.rint(codes)))
