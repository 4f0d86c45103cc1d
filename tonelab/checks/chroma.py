"""Chroma siting and interpolation: how captured chroma samples were made from the source's."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.checks.filters import NEEDED, scaling_of
from tonelab.checks.gains import LEAST_SAMPLES, centroid, chroma_kernel
from tonelab.checks.registry import AFTER, CHAIN, CHECKS, Deciding, altered, transparent, undecided
from tonelab.pixels.picking import CHROMA_REACH
from tonelab.pixels.rescaled import FINER, KNOWN
from tonelab.pixels.scaling import COLUMNS, TERMS, WAYS

if TYPE_CHECKING:
    from tonelab.checks.evidence import PathEvidence
    from tonelab.checks.registry import Findings
    from tonelab.pixels.scaling import Way
    from tonelab.pixels.tables import PixelTables
    from tonelab.results import Finding
    from tonelab.signal.arrays import FloatArray, IntArray

_SHIFT_LIMIT = 0.08  # samples
_SOFTER = 0.05  # by which a gain must be below that of two neighbours, where chroma was moved
_SOFTNESS_LIMIT = 0.1  # departure of a gain from 1
_HARDLY_APART = 0.12  # source chroma rows by which two rows of the capture stand too near
_LEAD = 0.02  # squared codes by which one way of making rows must predict more than others
_SITED: dict[Way, str] = {"topleft": "on every other luma row", "left": "between rows"}
_MIDDLES: dict[Way, float] = {"topleft": 0.25, "left": 0.0}


@CHECKS.register(
    "chroma",
    label="chroma siting and interpolation",
    steps=("chroma-moved", "chroma-softened", "chroma-rows-repeated"),
)
def chroma(evidence: PathEvidence) -> Findings:
    """Identify how the captured chroma samples were made from the source's."""
    evidence = evidence.after_conversion
    paths, found = evidence.paths, evidence.explanation
    scaled = paths is not None and paths.chroma_ways[0, 0, 0] >= LEAST_SAMPLES
    if paths is None or (not scaled and paths.chroma_gram[0, 0, -3, -3] < LEAST_SAMPLES):
        yield undecided("chroma", "Chroma samples cannot be compared with the source's.", NEEDED)
        return
    bent = found.gamut is not None and (evidence.layout is None or not found.affine)
    if evidence.pass_through and bent:
        text = "Filters of chroma cannot be separated from the change of colours."
        yield undecided("chroma", text, AFTER)
        return
    if scaled:
        yield from _of_scaled(evidence, paths.chroma_ways)
        return
    kernels = _kernels(evidence, paths)
    places = {phase: centroid(kernel) for phase, kernel in kernels.items()}
    count = int(sum(paths.chroma_gram[phase][-3, -3] for phase in kernels))
    yield from _vertical(evidence, kernels, places, count)
    yield _place("horizontal", _across(places), "columns", count)
    yield from _softness(kernels[0, 0].sum(axis=0), abs(_across(places)), count)


def _of_scaled(evidence: PathEvidence, sums: IntArray) -> Findings:
    """Identify the same where chroma was scaled with the picture: between rows, and along them."""
    block, count = evidence.explanation.linear[1:, 1:], int(sums[0, 0, 0])
    along = ("chroma", "across", "curved")
    left = [_left(part, block, *along)[0] ** 2 for part in sums]
    best, second = np.argsort(left)[:2]
    if not evidence.pass_through or left[best] > KNOWN or left[second] - left[best] < _LEAD:
        text = "How rows of chroma were made cannot be separated from the scaling of the picture."
        yield undecided("chroma", text, NEEDED)
        return
    assert evidence.pairing is not None
    scale, way = evidence.pairing.scale, WAYS[best]
    gain, across, curved = _left(sums[best], block, *along)[1]
    if way == "repeated":
        yield _repeated(float(np.sqrt(left[second] - left[best])), "codes", _LEAD, count)
    else:
        down = _left(sums[best], block, *along, "down")[1][-1] / gain / (2 * scale[1])
        figures = f"chroma was made as for samples {_SITED[way]} before it was scaled"
        yield _siting(evidence, way, _MIDDLES[way] + down, figures, count)
    # As of the source's samples.
    bend, slope = curved / scale[0] ** 2, across / scale[0] / 2
    taps = np.array([0, bend - slope, gain - 2 * bend, bend + slope, 0]) / gain
    # A scaler may take chroma by itself, or keep it in the place of every other column of luma.
    kept, error = (scale[0] - 1) / 4, across / gain
    error -= float(np.clip(error, min(kept, 0.0), max(kept, 0.0)))
    yield _place("horizontal", error, "columns", count)
    # A filter of detail leaves open how soft the scaler itself is.
    sharper = bend < 0
    if not (sharper and any(scaling_of(evidence)[0].detail)):
        yield from _softness(taps, abs(error), count)


def _left(sums: IntArray, block: FloatArray, *terms: str) -> tuple[float, FloatArray]:
    """RMS codes that terms of predicted chroma leave of the captured, and the factor of each."""
    moments = sums.astype(np.float64)
    last, size = COLUMNS - 2, 2 + len(terms)  # an offset of each plane comes first
    system, right, total = np.zeros((size, size)), np.zeros(size), 0.0
    for target in range(2):
        carry = np.zeros((last, size))
        carry[0, target] = 1.0
        for n, term in enumerate(terms):
            carry[TERMS[term] : TERMS[term] + 2, 2 + n] = block[target]
        system += carry.T @ moments[:last, :last] @ carry
        right += carry.T @ moments[:last, last + target]
        total += moments[last + target, last + target]
    factors = np.asarray(np.linalg.lstsq(system, right)[0], np.float64)
    rest = max(float(total - factors @ right), 0.0) / (2 * moments[0, 0])
    return float(np.sqrt(rest)) / FINER, factors[2:]


def displaced(evidence: PathEvidence) -> bool:
    """Whether chroma columns of the capture are co-registered with the source's."""
    paths = evidence.paths
    if paths is None or paths.chroma_gram[0, 0, -3, -3] < LEAST_SAMPLES:
        return False
    places = {phase: centroid(kernel) for phase, kernel in _kernels(evidence, paths).items()}
    return abs(_across(places)) > _SHIFT_LIMIT


def _kernels(evidence: PathEvidence, paths: PixelTables) -> dict[tuple[int, int], FloatArray]:
    """Filter from source to captured chroma, by parity of row and column."""
    rows, columns = paths.chroma_phases
    block = evidence.explanation.linear[1:, 1:]
    return {
        (y, x): chroma_kernel(paths.chroma_gram[y, x], block)
        for y in range(rows)
        for x in range(columns)
    }


def _vertical(
    evidence: PathEvidence,
    kernels: dict[tuple[int, int], FloatArray],
    places: dict[tuple[int, int], tuple[float, float]],
    count: int,
) -> Findings:
    first = places[0, 0][1]
    if (1, 0) not in places:
        yield _place("vertical", first, "rows", count)
        return
    second = places[1, 0][1]
    marks = [kernels[y, 0].sum(axis=1) for y in (0, 1)]
    if abs(second - first) < 0.5 - _HARDLY_APART and max(map(abs, (first, second))) > 0.05:
        # Moved after each was shown twice.
        yield _repeated(abs(second - first), "chroma rows", 0.5, count)
    elif max(abs(marks[0] - marks[1])) < 0.05 and max(abs(marks[0] - _single())) < 0.1:
        yield _repeated(abs(second - first), "chroma rows", 0.5, count)
        return
    # Rows sited on every other luma row lead to 0 and a half; between two rows to -1/4 and 1/4.
    middle = (first + second) / 2
    sited: Way = "topleft" if abs(middle - 0.25) < abs(middle) else "left"
    figures = (
        f"rows of the capture stand at {first:+.2f} and {second:+.2f} source chroma rows, as for "
        f"samples {_SITED[sited]}"
    )
    yield _siting(evidence, sited, middle, figures, count)


def _repeated(value: float, unit: str, threshold: float, count: int) -> Finding:
    return altered(
        "chroma-lines-repeated",
        "Each chroma row is shown twice: 4:2:0 became 4:2:2 without interpolation.",
        value=value,
        bound=0.02,
        unit=unit,
        count=count,
        threshold=threshold,
        alternatives=(f"{CHAIN} makes 4:2:2 of 4:2:0",),
        decided_by="a capture in 4:2:0, or through another card",
    )


def _siting(evidence: PathEvidence, sited: Way, middle: float, figures: str, count: int) -> Finding:
    """Compare the mean place of rows, in source chroma rows, with what the source declares."""
    declared = evidence.source.siting
    error = middle - (_MIDDLES["topleft"] if declared == "topleft" else 0.0)
    if abs(error) > _SHIFT_LIMIT:
        return altered(
            "chroma-siting",
            f"Chroma is shifted by {-2 * error:+.2f} luma rows down against the source's siting "
            f"({declared}): {figures}.",
            value=-2 * error,
            bound=0.04,
            unit="luma rows",
            count=count,
            threshold=2 * _SHIFT_LIMIT,
            alternatives=("the source's siting is labelled wrongly",),
            decided_by=f"--source-signal siting={sited}, if the source is known to be sited so",
        )
    return transparent(
        "chroma-siting",
        f"Chroma rows are interpolated in place: {figures}.",
        value=-2 * error,
        bound=0.04,
        unit="luma rows",
        count=count,
        threshold=2 * _SHIFT_LIMIT,
    )


def _single() -> FloatArray:
    single = np.zeros(2 * CHROMA_REACH + 1)
    single[CHROMA_REACH] = 1.0
    return single


def _softness(taps: FloatArray, away: float, count: int) -> Findings:
    """Gain along rows at half the highest frequency that chroma samples can hold.

    Interpolation at another place softens too, by two neighbours the most.
    """
    where = np.arange(len(taps)) - CHROMA_REACH
    gain = float(abs(np.sum(taps * np.exp(-0.5j * np.pi * where)) / taps.sum()))
    moved, share = away > _SHIFT_LIMIT, away % 1
    least = float(np.hypot(share, 1 - share)) - _SOFTER if moved else 1 - _SOFTNESS_LIMIT
    if moved and gain > least:
        return
    figures: Deciding = {"value": gain, "bound": 0.02, "count": count, "threshold": least}
    text = f"gain {gain:.3f} along rows at a quarter of the chroma samples' rate"
    if moved or abs(gain - 1) > _SOFTNESS_LIMIT:
        soft = gain < 1
        figures["alternatives"] = ("a conversion to 4:4:4 and back with a soft filter", "scaling")
        figures["decided_by"] = "a capture in 4:4:4, or with the device set to Y'CbCr 4:2:2"
        yield altered(
            "chroma-softened" if soft else "chroma-sharpened",
            f"Chroma is {'softened' if soft else 'sharpened'}: {text}.",
            **figures,
        )
    else:
        yield transparent("chroma-detail", f"Chroma detail is kept: {text}.", **figures)


def _across(places: dict[tuple[int, int], tuple[float, float]]) -> float:
    return float(np.mean([place[0] for (_, x), place in places.items() if x == 0]))


def _place(direction: str, error: float, unit: str, count: int) -> Finding:
    name = f"chroma-{direction}"
    if abs(error) > _SHIFT_LIMIT:
        return altered(
            f"{name}-shift",
            f"Chroma is shifted by {-error:+.2f} chroma {unit}.",
            value=-error,
            bound=0.02,
            unit=f"chroma {unit}",
            count=count,
            threshold=_SHIFT_LIMIT,
            alternatives=("chroma sited elsewhere than the output says",),
            decided_by="a capture of the same clip in 4:4:4",
        )
    return transparent(
        name,
        f"Chroma {unit} are in place to {max(abs(error), 0.005):.3f} samples.",
        value=error,
        bound=0.02,
        unit=f"chroma {unit}",
        count=count,
        threshold=_SHIFT_LIMIT,
    )
