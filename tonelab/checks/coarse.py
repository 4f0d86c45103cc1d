"""Coarse stages as arithmetic, and the first one of a path, found from the colours of pictures.

A stage of few bits merges neighbouring codes. Later stages move the steps, but cannot separate
merged codes: the colours after a supposed stage, carried on by an affine map, predict the captured
codes to the digit if the stage is right, and by chance if it is not.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import product
from typing import TYPE_CHECKING, Literal

import numpy as np

from tonelab.signal.colorimetry import rgb_to_ycbcr, ycbcr_to_rgb
from tonelab.signal.quantisation import ORIGIN, RANGES, SPAN

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tonelab.signal.arrays import FloatArray, IntArray
    from tonelab.signal.colorimetry import Matrix


LEAST_FLAT = 200  # colours
_CLEAR, _LEAD = 0.95, 0.1  # share of the colours; by which it must exceed that of any other
_OFTEN, _ALIKE, _LEAST_CODES = 16, 0.98, 24  # samples of a code, those of one code, codes
_SEARCHED = np.linspace(-0.03, 0.03, 241)  # about the gain that was fitted
_COARSE, _FINE = 0.008, 0.0004  # of a ratio of chroma: first and last step of its search
_AROUND = np.arange(-4, 5)  # steps
_NEAR = 1.5  # codes from a map within which colours are fitted again
LUMA, CHROMA = slice(0, 1), slice(1, 3)


@dataclass(frozen=True, slots=True)
class CoarseStage:
    """Fewer bits, or fewer with the highest repeated below, or R'G'B' and back.

    ``how`` is rounded or cut off, of R'G'B' narrow or full; ``matrix`` is that of the Y'CbCr
    around R'G'B'.
    """

    kind: Literal["bits", "repeated", "rgb"]
    bits: int
    how: Literal["rounded", "cut off", "narrow", "full"]
    matrix: Matrix = "bt2020"

    @property
    def name(self) -> tuple[str, int, str]:
        """What it is called by; repeated bits alike, however they were brought to 8."""
        return self.kind, self.bits, "" if self.kind == "repeated" else self.how

    def after(self, codes: FloatArray) -> FloatArray:
        """10-bit codes, shape (N, 3), after the stage."""
        if self.kind == "rgb":
            return through_rgb(codes, self.bits, self.matrix, narrow=self.how == "narrow")
        step = 2 ** (10 - self.bits)
        short = np.floor(codes / step + (0.5 if self.how == "rounded" else 0.0))
        short = np.clip(short, 0, 2**self.bits - 1)
        below = np.floor(short / 64) if self.kind == "repeated" else np.zeros_like(short)
        there: FloatArray = short * step + below
        return there


STAGES_OF_BITS: tuple[CoarseStage, ...] = (
    *(CoarseStage("bits", bits, how) for bits in (9, 8, 7, 6) for how in ("rounded", "cut off")),
    *(CoarseStage("repeated", 8, how) for how in ("rounded", "cut off")),
)
FINEST_RGB = 9  # bits of R'G'B' above which a stage takes hardly any codes of Y'CbCr together


@cache
def stages_of_rgb(matrix: Matrix) -> tuple[CoarseStage, ...]:
    """Return the stages in R'G'B' that Y'CbCr of a matrix may go through."""
    ways = product((8, 9, 10, 12), RANGES)
    return tuple(CoarseStage("rgb", bits, how, matrix) for bits, how in ways)


def through_rgb(codes: FloatArray, bits: int, matrix: Matrix, *, narrow: bool) -> FloatArray:
    """10-bit codes (N, 3) after a stage in R'G'B' of some bits, rounded there and back.

    ``matrix`` is that of the codes, before and after.
    """
    rgb = ycbcr_to_rgb((codes - ORIGIN) / SPAN, matrix)
    top = 2**bits - 1
    scale, start = (219 * 2 ** (bits - 8), 16 * 2 ** (bits - 8)) if narrow else (top, 0)
    stage = (np.clip(np.floor(rgb * scale + start + 0.5), 0, top) - start) / scale
    there: FloatArray = np.floor(rgb_to_ycbcr(stage, matrix) * SPAN + ORIGIN + 0.5)
    return there


def are_repeated(used: NDArray[np.intp]) -> bool:
    """Whether all codes (N,) that occur are 8-bit codes with their two highest bits below.

    10-bit codes, each once; eight or fewer are too few to tell.
    """
    return len(used) > 8 and np.array_equal(used, (used >> 2 << 2) | (used >> 8))


def carried_on(codes: FloatArray, seen: FloatArray) -> FloatArray:
    """Whole codes (N, 3) after the affine map that carries most of them to those seen (N, 3)."""
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


def predicted_shares(codes: FloatArray, seen: FloatArray) -> FloatArray:
    """Shares (2,) of the colours (N, 3) whose luma, and whose chroma, is predicted to the code."""
    same = codes == seen
    return np.array([same[:, planes].all(axis=1).mean() for planes in (LUMA, CHROMA)])


def stage_before_all(source: FloatArray, seen: FloatArray) -> CoarseStage | None:
    """Stage of fewer bits after which an affine map predicts nearly all chroma to the code.

    ``source`` and ``seen`` are whole codes of colours, shape (N, 3).
    """
    if len(source) < LEAST_FLAT:
        return None

    def share(codes: FloatArray) -> float:
        return float(predicted_shares(carried_on(codes, seen), seen)[1])

    shares = {stage: share(stage.after(source)) for stage in STAGES_OF_BITS}
    best = max(shares, key=lambda stage: shares[stage])
    others = (share for stage, share in shares.items() if stage.name != best.name)
    lead = shares[best] - max(share(source), *others)
    return best if shares[best] > _CLEAR and lead > _LEAD else None


def ratio_by_digits(
    source: FloatArray, seen: FloatArray, lasts: tuple[CoarseStage, ...]
) -> tuple[complex, float] | None:
    """Ratio of chroma as a complex number that predicts codes after a last stage.

    Parameters
    ----------
    source
        Cb and Cr less neutral, shape (N, 2).
    seen
        The same as captured, whole codes.
    lasts
        What may have rounded the captured codes last.

    Returns
    -------
    ratio
        Its size is the gain, its angle the rotation; None if no ratio predicts the codes.
    half_width
        Within which either part predicts as many.
    """
    if not lasts or len(source) < LEAST_FLAT:
        return None
    sent, there = (side[:, 0] + 1j * side[:, 1] for side in (source, seen + ORIGIN[1:]))
    first = np.vdot(sent, there - ORIGIN[1] * (1 + 1j)) / np.vdot(sent, sent)

    def share(ratio: complex) -> float:
        turned = ratio * sent
        made = [np.floor(part + 0.5) + ORIGIN[1] for part in (turned.real, turned.imag)]
        hits = [
            (last.after(made[0]) == there.real) & (last.after(made[1]) == there.imag)
            for last in lasts
        ]
        return float(np.mean(hits, axis=1).max())

    best, step = complex(first), _COARSE
    while step > _FINE:
        around = [best + step * complex(a, b) for a in _AROUND for b in _AROUND]
        shares = np.array([share(ratio) for ratio in around])
        # In the middle of those that predict as many.
        right = np.array(around)[shares >= shares.max() - 1 / len(source)]
        best, step = complex(right.mean()), step / 2
    if shares.max() < _CLEAR:
        return None
    width = max(np.ptp(right.real), np.ptp(right.imag)) / 2
    return best, float(width + 2 * step)


def way_of_last(
    source: FloatArray, seen: FloatArray, step: int
) -> Literal["cut off", "rounded"] | None:
    """Identify the rounding to a step where a finer stage of few bits came first, and nothing else.

    ``source`` and ``seen`` are whole codes of colours, shape (N, 3).
    """
    if len(source) < LEAST_FLAT:
        return None
    bits = 10 - int(np.log2(step))
    ways: tuple[Literal["cut off", "rounded"], ...] = ("cut off", "rounded")
    shares = {
        (first, way): float(
            (CoarseStage("bits", bits, way).after(first.after(source)) == seen).mean()
        )
        for first in STAGES_OF_BITS
        if first.kind == "bits" and first.bits > bits
        for way in ways
    }
    if not shares:
        return None
    best = max(shares, key=lambda pair: shares[pair])
    rival = max(share for (_, way), share in shares.items() if way != best[1])
    alone = max(
        float((CoarseStage("bits", bits, way).after(source) == seen).mean()) for way in ways
    )
    return best[1] if shares[best] > _CLEAR and shares[best] > max(rival, alone) + _LEAD else None


def how_cut(joint: IntArray, step: int) -> Literal["cut off", "rounded"] | None:
    """Identify the rounding of Cb and Cr to a step that divides the neutral code, after any gain.

    ``joint`` holds samples by plane, source code and captured code, shape (2, 1024, 1024).
    """
    total, most, seen = joint.sum(axis=2), joint.max(axis=2), joint.argmax(axis=2)
    rows = (total >= _OFTEN) & (most > _ALIKE * total) & (seen > step) & (seen < 1024 - 2 * step)
    if rows.sum(axis=1).min() < _LEAST_CODES:
        return None
    shares: dict[Literal["cut off", "rounded"], float] = {"cut off": 0.0, "rounded": 0.0}
    for plane in range(2):
        code = np.flatnonzero(rows[plane]) - ORIGIN[1]
        there = seen[plane, rows[plane]] - ORIGIN[1]
        slope = np.polyfit(code, there, 1)[0]
        made = np.floor(np.outer(slope * (1 + _SEARCHED), code) + 0.5)
        for way in shares:
            rounded = np.floor(made / step + 0.5 * (way == "rounded")) * step
            shares[way] += float((rounded == there).mean(axis=1).max()) / 2
    best = max(shares, key=lambda way: shares[way])
    return best if shares[best] > _CLEAR and shares[best] > min(shares.values()) + _LEAD else None
