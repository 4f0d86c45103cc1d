"""Dither: how samples of static places change, separated from a bias of their mean."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.checks.filters import (
    follows_surroundings,
    line_with_local_contrast,
    noise_alone,
)
from tonelab.checks.levels import known_levels
from tonelab.checks.registry import CHECKS, altered, transparent, undecided
from tonelab.checks.stages import hidden_stages

if TYPE_CHECKING:
    from tonelab.checks.evidence import PathEvidence
    from tonelab.checks.registry import Findings
    from tonelab.signal.arrays import FloatArray, IntArray

_LEAST_VARIANCE = 0.02  # squared codes
_RINGS = 0.3  # codes that a scaler may leave within a patch
_WITHIN_PATCH = 0.02  # share of what surroundings add by which it may vary within a patch
_BIAS_LIMIT = 0.25  # codes of mean error that dither may leave
_LEAST_STILL = 20  # places of one source code
_ALIKE, _BY_NOISE = 0.5, 0.1  # codes between errors of all planes, and more for each of noise
_REPEATED = np.array([0.0, 2.0, 2.0])  # codes that bits repeated below add to black and neutral
_GAIN_KEPT = 0.005  # departure of the luma gain from 1
_LEAST_LAGGED = 500  # samples that are seen again after so many frames
_LEAST_FRAMES = 4  # in a row, to find a period
_IN_PART = 0.8  # share of the least change at other lags that the repeat of a part leaves
_PATTERN = 0.1  # share of temporal variance that a frozen pattern below it has at least
_FROZEN = 0.03  # share of a frozen pattern's variance that filters of moving detail leave over time
_MOVING, _GROWS = 0.3, 2.0  # codes of noise; times by which changes grow over the lags seen
_REPEATS = 0.03  # share of the mean squared change that a period leaves


@CHECKS.register("dither", label="dither and noise on flat areas", always=True)
def dither(evidence: PathEvidence) -> Findings:
    """Distinguish temporal from frozen dither; give its period and size."""
    found = _of_chart(evidence) or _of_content(evidence)
    if found is None:
        yield undecided(
            "dither",
            "Nothing here stands still for long enough to distinguish dither from content.",
            "the chart, with each page held for ten frames or more",
        )
        return
    temporal, spatial, source, frames, count = found
    sigma = float(np.sqrt(max(temporal, 0.0) + max(spatial, 0.0)))
    if evidence.resampled and evidence.layout is not None:
        source += _RINGS**2
    if evidence.drift is not None:
        # Surroundings change luma within a patch too.
        source += (_WITHIN_PATCH * float(evidence.drift.codes.std())) ** 2
    if evidence.layout is None and follows_surroundings(evidence):
        if not _chroma_moves(evidence):
            yield transparent(
                "dither",
                "What flat areas differ by follows their surroundings, and chroma stands still: no "
                "dither and no noise.",
                value=0.0,
                unit="codes",
                count=count,
            )
            return
        temporal = min(temporal, _at_once(evidence))
    if max(temporal, spatial) < _LEAST_VARIANCE + source:
        yield transparent(
            "dither",
            f"Flat areas stand still over {frames} frames: no dither and no noise.",
            value=sigma,
            bound=float(np.sqrt(_LEAST_VARIANCE)),
            unit="codes",
            count=count,
            threshold=float(np.sqrt(_LEAST_VARIANCE + source)),
        )
        return
    kind = _kind(evidence, temporal, spatial, frames)
    if temporal >= _LEAST_VARIANCE and frames < _LEAST_FRAMES:
        text = f"Whether the dither repeats cannot be determined from runs of {frames} frames."
        yield undecided("dither-period", text, "the chart, with each page held for ten frames")
    bias, bias_bound = _bias(evidence.after_conversion, sigma)
    text = f"{kind}, {sigma:.2f} codes; mean error {bias:+.3f} ± {bias_bound:.3f} codes"
    if evidence.pass_through and abs(bias) > _BIAS_LIMIT + bias_bound:
        yield altered(
            "dither-biased",
            f"{text}: it moves the mean.",
            value=bias,
            bound=bias_bound,
            unit="codes",
            count=count,
            threshold=_BIAS_LIMIT,
            alternatives=("a brightness control", "codes cut off before the dither"),
            decided_by="a capture with dither off or in more bits",
        )
    else:
        yield transparent(
            "dither",
            f"{text}: transparent in the mean, not to the bit.",
            value=sigma,
            bound=bias_bound,
            unit="codes",
            count=count,
            threshold=float(np.sqrt(_LEAST_VARIANCE + source)),
        )


def _chroma_moves(evidence: PathEvidence) -> bool:
    noises = evidence.chroma_noises
    return bool(len(noises)) and float(np.median(noises)) > _MOVING


def _at_once(evidence: PathEvidence) -> float:
    """Temporal variance without what grows from frame to frame, as surroundings move."""
    paths = evidence.paths
    assert paths is not None
    seen = np.flatnonzero(paths.lag_count >= _LEAST_LAGGED)
    change = paths.lag_square[seen] / paths.lag_count[seen]
    if len(seen) < _LEAST_FRAMES - 1 or change[-1] < _GROWS * change[0]:
        return np.inf
    return max(float(change[0] - (change[1] - change[0])) / 2, 0.0)


def _of_chart(evidence: PathEvidence) -> tuple[float, float, float, int, int] | None:
    """Temporal and spatial variance of captured greys, of the source, frames and samples."""
    paths, layout, tallies = evidence.paths, evidence.layout, evidence.tallies
    if paths is None or layout is None or tallies is None:
        return None
    still = (paths.steady_frames > 1) & (paths.steady_count > 3)
    if evidence.cover is not None:
        still &= ~evidence.cover.patches
    rows = np.flatnonzero(still)
    if len(rows) < 24:
        return None
    n, area = paths.steady_frames[rows], paths.steady_count[rows]
    square, of_sum = paths.steady_square[rows], paths.steady_square_of_sum[rows]
    temporal = (square - of_sum / n) / (area * (n - 1))
    mean = paths.steady_sum[rows] / (n * area)
    # Variance over pixels of their mean over frames, without what the temporal part leaves in it.
    spatial = (of_sum / (n * n * area) - mean**2) * area / (area - 1) - temporal / n
    tables = tallies.tables
    source_count = tables["patch_count_source"][rows, 0]
    source_mean = tables["patch_sum_source"][rows, 0] / source_count
    source = tables["patch_square_source"][rows, 0] / source_count - source_mean**2
    scale = 4.0 ** (10 - evidence.source.bits)
    return (
        float(temporal.mean()),
        float(spatial.mean()),
        float(np.mean(source) * scale),
        int(n.min()),
        int((n * area).sum()),
    )


def _of_content(evidence: PathEvidence) -> tuple[float, float, float, int, int] | None:
    """Do the same on flat places of content, about the mean of their source code."""
    if evidence.paths is None or evidence.paths.still.sum() == 0:
        return None
    still = evidence.paths.still[evidence.paths.still[:, 0] >= _LEAST_STILL].astype(np.float64)
    places, total, square, product = still.T
    count = float(places.sum())
    if count < 100 * _LEAST_STILL:
        return None
    mean = total / (2 * places)
    variance = float((square / 2 - places * mean**2).sum()) / count
    together = float((product - places * mean**2).sum()) / count
    if evidence.coupled:  # places of one luma code have colours of their own
        together, variance = evidence.noise**2 - variance + together, evidence.noise**2
    frames = 1 + int(np.flatnonzero(evidence.paths.lag_count >= _LEAST_LAGGED).max(initial=1))
    return variance - together, together, 0.0, frames, round(count)


def _kind(evidence: PathEvidence, temporal: float, spatial: float, frames: int) -> str:
    paths = evidence.paths
    assert paths is not None
    if temporal < max(_LEAST_VARIANCE, _FROZEN * spatial):
        return f"Frozen dither: a pattern that is the same in all {frames} frames"
    change = paths.lag_square / np.maximum(paths.lag_count, 1)
    seen = np.flatnonzero(paths.lag_count >= _LEAST_LAGGED)
    if not len(seen):
        return "Temporal dither or noise"
    repeats = seen[(seen > 1) & (change[seen] < _REPEATS * change[seen].mean())]
    if len(repeats):
        return f"Temporal dither with a period of {repeats[0]} frames"
    around = evidence.layout is None and follows_surroundings(evidence)
    for period in seen[seen > 1]:
        left = _without_growth(change, seen, period) if around else change
        others = left[seen[seen % period > 0]]
        if left[seen[seen % period == 0]].max() < _IN_PART * others.min(initial=np.inf):
            return f"Temporal dither, a part of which repeats with a period of {period} frames"
    # Patches of a chart are flat; what moves in pictures leaves less of a pattern to be seen.
    share = 1.0 if evidence.layout is None else _PATTERN
    mixed = " over a frozen pattern" if spatial > max(_LEAST_VARIANCE, share * temporal) else ""
    return f"Temporal dither without a period up to {len(seen)} frames{mixed}"


def _without_growth(change: FloatArray, seen: IntArray, period: int) -> FloatArray:
    """Take off changes what grows from frame to frame, as it does between lags a period apart."""
    later = seen[np.isin(seen + period, seen)]
    if not len(later):
        return change
    growth = float((change[later + period] - change[later]).mean()) / period
    return change - growth * np.arange(len(change))


def _bias(evidence: PathEvidence, sigma: float) -> tuple[float, float]:
    """Mean error of greys about the straight path through black, and its 95 % half width."""
    neutrals = evidence.tones
    inside = (neutrals.source[:, 0] > 8) & (neutrals.source[:, 0] < 868)
    rows = neutrals[inside]
    found, fault = evidence.explanation, known_levels(evidence)
    if not evidence.pass_through or not len(rows):
        return 0.0, 2 * sigma
    changed = fault is not None or abs(found.luma_gain - 1) > _GAIN_KEPT or found.gamut is not None
    if evidence.layout is None and (changed or not noise_alone(evidence)):
        # Where levels, primaries or detail of pictures are changed, an error of the mean of luma
        # is no matter of dither, unless chroma is off by as much.
        line = line_with_local_contrast(evidence)
        offset = found.luma_offset if line is None else line[0][1]
        offset -= 0.0 if fault is None else fault.luma_offset
        errors, width = np.array([offset, *evidence.tint]), _ALIKE + _BY_NOISE * evidence.noise
        width += 0.0 if line is None else 2 * line[1][1]
        if np.ptp(errors) >= width and any("repeated" in f.id for f in hidden_stages(evidence)):
            errors -= _REPEATED
        alike = np.ptp(errors) < width
        return (float(errors.mean()), width / 2) if alike else (0.0, 2 * sigma)
    gain, offset = (found.luma_gain, 0.0) if fault is None else (fault.luma_gain, fault.luma_offset)
    rest = rows.capture[:, 0] - gain * rows.source[:, 0] - offset
    return float(rest.mean()), 2 * float(rest.std()) / float(np.sqrt(len(rest)))
