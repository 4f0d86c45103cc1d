"""Codes below black and above nominal peak, and chroma beyond its nominal ends."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from tonelab.chart import Group
from tonelab.checks.registry import AFTER, CHAIN, CHECKS, altered, transparent, undecided
from tonelab.signal.colorimetry import rgb_to_ycbcr, ycbcr_to_rgb
from tonelab.signal.quantisation import ORIGIN, SPAN

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from tonelab.checks.evidence import PathEvidence
    from tonelab.checks.registry import Findings
    from tonelab.checks.samples import Samples
    from tonelab.results import Finding
    from tonelab.signal.arrays import FloatArray, IntArray

_LEAST = 6  # patches beyond an end
_LOST_SHARE = 0.3
_KEPT_SPREAD = 0.5  # of codes beyond an end, from which on they are not clipped
# Plane, side, and from which centred code on a sample is an excursion.
_ENDS = (
    ("sub-black", 0, -1, -2.0),
    ("super-white", 0, 1, 878.0),
    ("chroma", 1, -1, -450.0),
    ("chroma", 1, 1, 450.0),
    ("chroma", 2, -1, -450.0),
    ("chroma", 2, 1, 450.0),
)


_APART, _BY_CLIP = 4.0, 0.5  # codes that a clip moves; share of the rest that it must leave
_STEPS = 4.0  # codes RMS that steps of luma may leave
# Of what surroundings add, by which it is predicted too high or too low, and of clipped places.
_OFF_BY, _SURROUNDED = 0.15, 0.6


def _excursions(codes: IntArray) -> bool:
    """Whether codes beyond the nominal range occur, (3, 1024)."""
    (black, *neutrals), at = ORIGIN, np.arange(codes.shape[1])
    ends = [(black - 2, black + 878), *((neutral - 450, neutral + 450) for neutral in neutrals)]
    beyond = [(at <= low) | (at >= high) for low, high in ends]
    return bool((codes * np.stack(beyond)).any())


@CHECKS.register("clipping", label="excursions beyond the nominal range", concerns=_excursions)
def clipping(evidence: PathEvidence) -> Findings:
    """Compare codes beyond the nominal range with where a straight path would put them."""
    samples = evidence.as_captured(Group.NEUTRAL, Group.CLIP_WINDOW)
    if not len(samples) or not _is_predicted(evidence):
        yield undecided(
            "clipping",
            "Nothing beyond the nominal range can be judged here.",
            "the chart, which holds codes below black, above white and beyond nominal chroma",
        )
        return
    if evidence.explanation.gamut is not None:
        first = _before_conversion(evidence, samples)
        if first is not None:
            yield first
            return
        text = (
            "A conversion of primaries ends at the ends of R'G'B', whatever came before or after."
        )
        yield undecided("clipping", text, AFTER)
        return
    predicted = evidence.predict(samples)
    inside = ((predicted + ORIGIN > 1) & (predicted + ORIGIN < 1022)).all(axis=1)
    samples, predicted = samples[inside], predicted[inside]
    onto = _as_rgb(evidence, samples, predicted)
    if onto is not None:
        cube, clipped = onto
        yield cube
        # Greys may have been clipped short of the cube's ends.
        short = (_at_end(evidence, samples, clipped, *end) for end in _ENDS[:2])
        yield from (finding for finding in short if finding is not None)
        return
    kept: list[str] = []
    unseen: list[str] = []
    for name in ("sub-black", "super-white", "chroma"):
        ends = [end for end in _ENDS if end[0] == name]
        found = [_at_end(evidence, samples, predicted, *end) for end in ends]
        faults = [finding for finding in found if finding is not None]
        yield from faults
        outside = [side * samples.source[:, n] > side * start for _, n, side, start in ends]
        seen = min(map(np.count_nonzero, outside)) >= _LEAST
        if not faults:
            (kept if seen else unseen).append(name)
    if unseen:
        text = f"Whether {' and '.join(unseen)} arrive cannot be determined where the path drives "
        yield undecided("clipping", f"{text}them beyond the ends of the codes.", AFTER)
    if kept:
        yield transparent(
            "clipping",
            f"Excursions are kept: {', '.join(kept)}.",
            count=int(samples.count.sum()),
        )


def _before_conversion(evidence: PathEvidence, samples: Samples) -> Finding | None:
    """Find chroma that was clipped before a conversion of primaries.

    The conversion ends at the ends of R'G'B', so that clipped luma leaves no trace.
    """
    predicted = evidence.predict(samples)
    best: tuple[float, Finding | None] = (_BY_CLIP, None)
    for clip in _chroma_clips():
        clipped = evidence.predict(replace(samples, source=clip(samples.source)))
        rows = np.abs(clipped - predicted).max(axis=1) > _APART
        if np.count_nonzero(rows) < _LEAST:
            continue
        seen = samples.capture[rows]
        kept, left = (
            float(np.sqrt(np.mean(np.square(seen - codes[rows])))) for codes in (predicted, clipped)
        )
        if left / max(kept, 1.0) < best[0] and left < _tolerance(evidence):
            finding = altered(
                "clipping-chroma",
                f"Chroma was clipped before colours were converted: {int(rows.sum())} patches "
                f"arrive as that predicts, to {left:.1f} codes, and {kept:.1f} without it.",
                value=kept,
                bound=left,
                unit="codes",
                count=int(samples.count[rows].sum()),
                threshold=_APART,
                alternatives=(f"{CHAIN} limits codes",),
                decided_by=AFTER,
            )
            best = left / max(kept, 1.0), finding
    return best[1]


def _chroma_clips() -> Iterator[Callable[[FloatArray], FloatArray]]:
    """Clips of centred codes, shape (N, 3), by how far chroma reaches."""
    for reach in range(448, 500, 4):
        ends = np.array([np.inf, reach, reach])
        yield partial(np.clip, a_min=-ends, a_max=ends)


def _is_predicted(evidence: PathEvidence) -> bool:
    """Whether an affine map predicts the colours, though luma may have lost steps."""
    found = evidence.explanation
    chroma = float(found.residual[1:].max()) < found.residual_limit
    steps = chroma and found.residual[0] < _STEPS and found.gamut is None
    return found.affine or (steps and found.left_over < found.left_over_limit)


def _tolerance(evidence: PathEvidence) -> float:
    bent = max(float(evidence.explanation.residual[0]) - 1, 0.0)
    return 2.0 + 1.5 * (evidence.grain - 1) + _OFF_BY * _driven(evidence) + bent


def _driven(evidence: PathEvidence) -> float:
    """Codes that surroundings add to luma, RMS."""
    return 0.0 if evidence.drift is None else float(evidence.drift.codes.std())


def _at_end(
    evidence: PathEvidence,
    samples: Samples,
    predicted: FloatArray,
    name: str,
    plane: int,
    side: int,
    start: float,
) -> Finding | None:
    grey = np.hypot(samples.source[:, 1], samples.source[:, 2]) < 8
    end, found = (name, plane, side, start), evidence.explanation
    # An end is met by what the source holds beyond it, or by what the path drives there.
    ways = [(samples.source, predicted, samples)]
    ways.append((predicted, predicted, samples))
    if evidence.drift is not None:
        # Surroundings spread codes that were clipped before.
        added = predicted - found.predict(samples.source)
        before = (samples.capture - added - found.offset) @ np.linalg.inv(found.linear).T
        ways.append((samples.source, samples.source, replace(samples, capture=before)))
    for codes, wanted, seen in ways:
        outside = side * codes[:, plane] > side * start
        rows = outside & grey if plane == 0 else outside
        finding = _clipped(evidence, seen[rows], wanted[rows, plane], end)
        if finding is not None:
            return finding
    return None


def _clipped(
    evidence: PathEvidence, samples: Samples, wanted: FloatArray, end: tuple[str, int, int, float]
) -> Finding | None:
    """Whether samples beyond an end are gathered there."""
    name, plane, side, start = end
    if len(samples) < _LEAST:
        return None
    seen = samples.capture[:, plane]
    lost = side * (wanted - seen) > _tolerance(evidence)
    if lost.mean() < _LOST_SHARE and lost.sum() < _LEAST:
        return None
    # Codes that are moved as a whole and stay distinct are not clipped.
    if np.ptp(seen[lost]) > _KEPT_SPREAD * np.ptp(wanted[lost]) + _tolerance(evidence):
        return None
    code = float(np.median(seen[lost])) + ORIGIN[plane]
    which = ("Y'", "Cb", "Cr")[plane]
    way = "below" if side < 0 else "above"
    return altered(
        f"clipping-{name}",
        f"{which} is clipped at code {code:.0f}: {int(lost.sum())} of {len(samples)} patches "
        f"{way} the nominal range do not arrive.",
        value=code,
        bound=_tolerance(evidence),
        unit="codes",
        count=int(samples.count.sum()),
        threshold=float(start + ORIGIN[plane]),
        alternatives=(f"{CHAIN} limits codes",),
        decided_by="the same clip through a path known to keep excursions into the same card",
    )


def _limits(seen: FloatArray, rgb: FloatArray) -> tuple[float, float]:
    """Between which ends R'G'B' stays that was ``rgb``, from the patches that lie furthest out."""
    lowest, highest = np.argsort(rgb.min(axis=1)), np.argsort(rgb.max(axis=1))
    low = np.median(seen.min(axis=1)[lowest[: 2 * _LEAST]])
    high = np.median(seen.max(axis=1)[highest[-2 * _LEAST :]])
    return min(float(low), 0.0), max(float(high), 1.0)


def _as_rgb(
    evidence: PathEvidence, samples: Samples, predicted: FloatArray
) -> tuple[Finding, FloatArray] | None:
    """Whether excursions went through R'G'B' without room for them, before other changes or after.

    Each way is taken on its own, as levels that are changed move what lies beyond the ends. With
    the finding goes what it predicts.
    """
    found, matrix = evidence.explanation, evidence.source.coding_matrix
    added = predicted - found.predict(samples.source)  # by surroundings
    before = (samples.capture - added - found.offset) @ np.linalg.inv(found.linear).T
    as_is = np.abs(samples.capture - predicted).max(axis=1)
    for codes, seen, clipped_first in (
        (samples.source, before, True),
        (predicted, samples.capture, False),
    ):
        rgb = ycbcr_to_rgb(codes / SPAN, matrix)
        low, high = _limits(ycbcr_to_rgb(seen / SPAN, matrix), rgb)
        clipped = np.clip(rgb, low, high)
        rows = np.abs(rgb - clipped).max(axis=1) > 0.01
        if rows.sum() < 4 * _LEAST or np.median(as_is[rows]) < 8:
            continue
        limited = rgb_to_ycbcr(clipped, matrix) * SPAN
        limited = found.predict(limited) + added if clipped_first else limited
        luma, *chroma = np.percentile(np.abs(samples.capture - limited)[rows], 90, axis=0).tolist()
        # Clipped places have other surroundings than the source's; chroma does not depend on them.
        limit = _tolerance(evidence) + 1 + _SURROUNDED * _driven(evidence)
        if luma <= limit and max(chroma) <= _tolerance(evidence) + 1:
            moved = float(np.median(as_is[rows]))
            rest = max(luma, *chroma)
            return _onto_cube(samples[rows], (low, high), moved, rest), limited
    return None


def _onto_cube(samples: Samples, ends: tuple[float, float], moved: float, rest: float) -> Finding:
    return altered(
        "clipping-rgb",
        f"Colours outside the R'G'B' cube are clipped onto it: {len(samples)} patches arrive as a "
        f"stage makes them whose R'G'B' runs from {ends[0]:.1%} to {ends[1]:.1%}.",
        value=moved,
        bound=rest,
        unit="codes",
        count=int(samples.count.sum()),
        threshold=8.0,
        alternatives=(f"{CHAIN} converts to R'G'B' and back",),
        decided_by="a capture with the card and the device set to Y'CbCr",
    )
