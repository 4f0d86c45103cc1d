"""Colours of both sides of a path, and what makes them of counts, curves and cells."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from tonelab.pixels.rescaled import FINER
from tonelab.readings.colours import LEAST_CELL
from tonelab.signal.quantisation import ORIGIN

if TYPE_CHECKING:
    from tonelab.checks.coarse import CoarseStage
    from tonelab.pixels.before_filters import CodesBefore
    from tonelab.signal.arrays import FloatArray, IntArray, Mask

LEAST_PIXELS = 16  # of one source code
_SCATTERED, _UNBENT = 12.0, 0.6  # codes RMS about a line; share of it that a bend must leave
_MOST, _ROUNDS = 0.8, 4  # share of codes that must keep to a line; rounds of its fit


@dataclass(frozen=True)
class Samples:
    """Colours of both sides in centred 10-bit codes, shape (N, 3), and what each rests on.

    Attributes
    ----------
    source, capture
        Means less black and neutral.
    variance
        Of single capture samples about their mean.
    count
        (N,): capture luma samples.
    cluster
        (N,): page or neighbourhood, within which errors may go together.
    patch
        (N,): row of the chart's patches, or of the table of colours.
    """

    source: FloatArray
    capture: FloatArray
    variance: FloatArray
    count: IntArray
    cluster: IntArray
    patch: IntArray

    def __len__(self) -> int:
        return len(self.source)

    def __getitem__(self, rows: Mask) -> Samples:
        return Samples(
            self.source[rows],
            self.capture[rows],
            self.variance[rows],
            self.count[rows],
            self.cluster[rows],
            self.patch[rows],
        )


def common_step(planes: IntArray) -> int:
    """Return the common step, 1 to 16, of the codes of histograms (planes, 1024): 4 for 8 bits."""
    used = np.flatnonzero(planes.any(axis=0))
    step = int(np.gcd.reduce(used)) if len(used) > 1 else 1
    return step if step in {1, 2, 4, 8, 16} else 1


def is_straight(source: FloatArray, luma: FloatArray, limit: float) -> bool:
    """Whether captured luma is a straight function of source codes, shape (N, K), luma first.

    A few codes may leave it, which were clipped; those that few bits take together do not.
    """
    sent, seen = (len(np.unique(np.rint(codes))) for codes in (source[:, 0], luma))
    limit = float(np.hypot(limit, sent / max(seen, 1) / np.sqrt(12)))
    factors = np.column_stack([source, np.ones(len(source))])
    kept = np.ones(len(luma), bool)
    for _ in range(_ROUNDS):
        slopes = np.linalg.lstsq(factors[kept], luma[kept])[0]
        rest = np.abs(luma - factors @ slopes)
        kept = rest <= max(limit, 4.5 * float(np.median(rest)))
        if kept.mean() < _MOST:
            return False
    left = float(np.sqrt(np.mean(rest[kept] ** 2)))
    if limit < left < _SCATTERED:
        # A conversion bends all codes alike; what follows scenes or surroundings scatters them.
        bends = np.column_stack([factors, source[:, :1] ** 2 / 1e3, source[:, :1] ** 3 / 1e6])[kept]
        rest = luma[kept] - bends @ np.linalg.lstsq(bends, luma[kept])[0]
        limit = left + 1 if np.sqrt(np.mean(rest**2)) > _UNBENT * left else limit
    return bool(left < limit and 0.7 < slopes[0] < 1.4)


def nominal(samples: Samples) -> Samples:
    """Keep colours within the nominal range of luma."""
    luma = samples.source[:, 0]
    return samples[(luma > 2) & (luma < 874)]


def of_luma(rows: IntArray, mean: FloatArray, variance: FloatArray, count: IntArray) -> Samples:
    """Make samples of captured luma by source code, chroma left at zero.

    All (N,): 10-bit source codes, mean and variance of captured luma, and captured samples.
    """
    source, capture, spread = np.zeros((3, len(rows), 3))
    source[:, 0], capture[:, 0], spread[:, 0] = rows - ORIGIN[0], mean - ORIGIN[0], variance
    return Samples(source, capture, spread, count, rows, rows)


def of_curve(curve: CodesBefore) -> Samples:
    """Make samples of luma by source code, as it was before a scaler or a filter."""
    rows = np.flatnonzero(curve.count >= LEAST_PIXELS)
    count = curve.count[rows]
    error = curve.left**2 / count
    return of_luma(rows, curve.codes[rows], error, count.astype(np.int64))


def of_scaled(sums: IntArray) -> Samples:
    """Make samples of the cells (N, 11) of `tonelab.pixels.rescaled.colour_sums` seen often."""
    rows = sums[sums[:, 1] >= LEAST_CELL]
    count = rows[:, 1:2]
    capture, place = rows[:, 5:8] / count, np.arange(len(rows))
    return Samples(
        source=rows[:, 2:5] / (FINER * count) - ORIGIN,
        capture=capture - ORIGIN,
        variance=np.maximum(rows[:, 8:] / count - capture**2, 0.0),
        count=rows[:, 1],
        # Neighbouring cells are neighbouring colours, whose errors go together.
        cluster=place // 16,
        patch=place,
    )


def after_stage(stage: CoarseStage, samples: Samples) -> Samples:
    """Colours as a stage sends them on, but for planes that do not follow it."""
    source, sent_on = samples.source.copy(), stage.after(samples.source + ORIGIN) - ORIGIN

    def left(codes: FloatArray) -> FloatArray:
        design = np.column_stack([codes, np.ones(len(codes))])
        rest = samples.capture - design @ np.linalg.lstsq(design, samples.capture)[0]
        rms: FloatArray = np.sqrt(np.mean(rest**2, axis=0))
        return rms

    follows = left(sent_on) < left(source)
    source[:, follows] = sent_on[:, follows]
    return replace(samples, source=source)


def none() -> Samples:
    """Make no samples."""
    none = np.zeros((0, 3))
    return Samples(none, none, none, *np.zeros((3, 0), np.int64))
