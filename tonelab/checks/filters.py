"""What filters did to detail: sharpening, blur, noise reduction, shift."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from tonelab.checks.evidence import kept
from tonelab.checks.frames import is_covered
from tonelab.checks.gains import (
    BANDS,
    LEAST_BOUND,
    LEAST_SAMPLES,
    band_gains,
    centroid,
    half_widths,
    keeps_detail,
    luma_kernel,
    waves,
)
from tonelab.checks.registry import AFTER, CHECKS, altered, transparent, undecided
from tonelab.checks.samples import of_curve, of_luma
from tonelab.checks.scenes import moved_scenes, repeated_kind
from tonelab.checks.stages import hidden_stages
from tonelab.pixels.before_filters import codes_before_filter
from tonelab.pixels.bursts import bursts
from tonelab.pixels.co_registration import whole_shift
from tonelab.pixels.filters import BLOCK_SCALE, FAINT
from tonelab.pixels.picking import LUMA_REACH, MIDDLE
from tonelab.pixels.resampling import KERNELS, response
from tonelab.pixels.rescaled import KNOWN, detail_gains, identify_scaling
from tonelab.signal.quantisation import ORIGIN

if TYPE_CHECKING:
    from tonelab.checks.evidence import PathEvidence
    from tonelab.checks.registry import Findings
    from tonelab.checks.samples import Samples
    from tonelab.pixels.rescaled import Scaling
    from tonelab.pixels.tables import PixelTables
    from tonelab.results import Finding
    from tonelab.signal.arrays import FloatArray, IntArray

_BAND_LIMIT = 0.05  # departure of a band's gain from 1
_LOOSE_LIMIT = 0.35  # of faint detail against strong where a conversion bends both by their colour
_NOISE_REDUCED = 0.12  # by which faint detail may be weaker than strong detail
_SCALED = 0.15  # of its gain, by which scaling leaves it in doubt
_SHIFT_LIMIT = 0.08  # samples
_CONTRAST_LIMIT = 0.015
_MILD = 0.85  # gain of fine detail
_BY_STEP = 0.03  # of a gain, for each code that rounding of faint detail takes together
_COARSE = 4  # codes of a step that faint detail bears
_LEAST_BLOCKS = 500
_OF_BOUND = 400.0  # codes of luma over which a gain adds up to an offset
_AROUND = 9  # codes about one, of which halves of the frames differ by the same
_OF_NORMAL = 0.6745  # median departure of normal errors, as a share of their deviation
NEEDED = "a capture at the source's size and place, without scaling"


@CHECKS.register(
    "detail",
    label="sharpening, blur and noise reduction",
    always=True,
    steps=("sharpened", "blurred", "noise-reduced", "luma-filtered"),
)
def detail(evidence: PathEvidence) -> Findings:
    """Give the gain of detail by band, of strong and of faint detail."""
    evidence = evidence.after_conversion.after_curve
    paths = evidence.paths
    bent = evidence.layout is not None and evidence.rescaled and not evidence.pass_through
    if paths is None or bent or paths.luma_gram[1, -2, -2] < LEAST_SAMPLES:
        yield undecided("detail", "Detail cannot be compared with the source.", NEEDED)
        return
    converted = evidence.pass_through and evidence.explanation.gamut is not None
    if not paths.co_registered and not scaling_of(evidence)[1]:
        text = "Detail cannot be separated from the effect of an unknown scaler."
        yield undecided("detail", text, NEEDED)
        return
    strata = [_bands(gram) if gram[-2, -2] >= LEAST_SAMPLES else None for gram in paths.luma_gram]
    faint, strong = strata
    assert strong is not None
    loose = evidence.layout is None and (converted or not evidence.pass_through)
    # Coarse steps leave faint detail or none, by where it lies.
    even = paths.detail_gram[-2, -2] >= LEAST_SAMPLES and evidence.grain <= _COARSE
    # A curve bends strong detail; faint detail sees only its slope, which differs by place. That of
    # the chart is grey, which other primaries leave alone; its strong detail has colours too.
    by_strong = evidence.pass_through and not converted
    gains, bounds = strong if by_strong or faint is None else faint
    if loose:
        gains, bounds = _relative_bands(paths.detail_gram) if even else np.ones((2, len(BANDS)))
    by_place = _gains_of_place(evidence, gains)
    gains, bounds = gains / by_place, bounds / by_place
    count = int((paths.detail_gram if loose else paths.luma_gram[1])[-2, -2])
    bands = ", ".join(f"{gain:.3f} at {band:g}" for band, gain in zip(BANDS, gains, strict=True))
    text = f"gain by band {bands} cycles per pixel"
    if evidence.resampled:
        text += ", in addition to the scaler"
    before = np.ones(len(BANDS))
    if not paths.co_registered:
        before = detail_gains(scaling_of(evidence)[0], BANDS)
    if np.abs(before - 1).max() > np.abs(gains - 1).max():
        gains = before
        bands = ", ".join(
            f"{gain:.3f} at {band:g}" for band, gain in zip(BANDS, gains, strict=True)
        )
        text = f"gain by band {bands} cycles per pixel of the source, before it was scaled"
    high, low = float(gains.max()) - 1, float(gains.min()) - 1
    above, below = float(bounds[gains.argmax()]), float(bounds[gains.argmin()])
    limit = _BAND_LIMIT if evidence.pass_through and not loose else 2 * _BAND_LIMIT
    limit += 0.0 if by_strong else _BY_STEP * (evidence.grain - 1)
    # Chroma that leaks in is no detail of luma, and a scaler's is predicted to a code only.
    mixed = evidence.pass_through and evidence.explanation.matrices is not None
    leaks = mixed and evidence.resampled
    compared = None if converted or leaks else faint
    faded, fading = _faded(compared, strong, by_shape=not evidence.pass_through)
    # Coarse steps take part of faint detail away, and a scaler's is predicted less well than strong
    # detail.
    lost = max(evidence.grain, _COARSE if evidence.pass_through and hidden_stages(evidence) else 1)
    slack = _BY_STEP * (lost - 1) + _SCALED * evidence.rescaled
    reduced = faded < 1 - (_LOOSE_LIMIT if loose else _NOISE_REDUCED) - fading - slack
    if high > limit + above and high >= -low:
        yield altered(
            "detail-sharpened",
            f"Detail is sharpened by up to {high:+.0%}: {text}.",
            value=1 + high,
            bound=above,
            count=count,
            threshold=1 + limit,
            alternatives=("a detail or edge control", "a scaler on the way"),
            decided_by="a capture with sharpness at its neutral setting",
        )
    elif -low > limit + below and (evidence.pass_through or not reduced):
        yield altered(
            "detail-blurred",
            f"Detail is blurred, by up to {low:+.0%}: {text}.",
            value=1 + low,
            bound=below,
            count=count,
            threshold=1 - limit,
            alternatives=("scaling to another size and back", "a shift by part of a pixel"),
            decided_by="a capture at the source's own size",
        )
    elif loose and not even and not reduced:
        text = "Detail cannot be separated from the effect of the conversion: too little of it "
        text += "lies under even colours."
        yield undecided("detail", text, "the chart, or content passed through")
    elif not reduced:
        yield transparent(
            "detail",
            f"Detail is kept: {text}.",
            value=float(gains[np.argmax(np.abs(gains - 1))]),
            bound=float(bounds.max()),
            count=count,
            threshold=1 + limit,
        )
    if reduced:
        yield altered(
            "detail-noise-reduced",
            f"Faint detail arrives at {faded:.0%} of the gain of strong detail, as after noise "
            "reduction.",
            value=faded,
            bound=fading,
            count=int(paths.luma_gram[0, -2, -2]),
            threshold=1 - _NOISE_REDUCED,
            alternatives=("lossy coding on the way", "coring of a sharpness control"),
            decided_by="a capture with noise reduction off",
        )


def _gains_of_place(evidence: PathEvidence, gains: FloatArray) -> FloatArray:
    """Gain by band of a scaler that moved the picture by parts of a pixel.

    Of several that may have, the one that leaves the least of ``gains``.
    """
    paths = evidence.paths
    if paths is None or not (evidence.resampled and paths.co_registered):
        return np.ones(len(BANDS))
    found, angle = scaling_of(evidence)[0], np.arange(16) * np.pi / 16
    along = np.array(BANDS)[:, None, None] * np.stack([np.cos(angle), np.sin(angle)])
    x, y = centroid(luma_kernel(paths.luma_gram[1]))
    kernels = (KERNELS[name] for name in (found.name, *found.ties))
    moved = [
        (response(k, -x, along[:, 0]) * response(k, -y, along[:, 1])).mean(axis=1) for k in kernels
    ]
    return min(moved, key=lambda by_place: float(np.abs(gains / by_place - 1).max()))


def _bands(gram: IntArray) -> tuple[FloatArray, FloatArray]:
    """Gain by band, and the 95 % half width of each."""
    kernel = luma_kernel(gram)
    gains = band_gains(kernel)
    even = np.array([np.mean(waves(LUMA_REACH, band).real, axis=0) for band in BANDS])
    return gains, half_widths(gram, kernel, even - gains[:, None, None])


def _relative_bands(gram: IntArray) -> tuple[FloatArray, FloatArray]:
    """Do the same of detail less the mean around it, as shares of the second band's gain.

    The mean around leaves little of the coarsest band.
    """
    kernel = luma_kernel(gram)
    gains = band_gains(kernel)
    relative = gains / gains[1]
    even = np.array([np.mean(waves(LUMA_REACH, band).real, axis=0) for band in BANDS])
    widths = half_widths(gram, kernel, even - relative[:, None, None] * even[1])
    return relative, widths / gains[1]


def _faded(
    faint: tuple[FloatArray, FloatArray] | None,
    strong: tuple[FloatArray, FloatArray],
    *,
    by_shape: bool,
) -> tuple[float, float]:
    """Least gain of faint detail as a share of that of strong detail, and its half width.

    ``by_shape``: of gains as shares of the coarsest band's, as a curve raises one more than the
    other.
    """
    if faint is None:
        return 1.0, 0.0
    ratio = faint[0] / strong[0]
    if by_shape:
        ratio = ratio / ratio[0]
    least = int(ratio.argmin())
    relative = np.hypot(*(bound[least] / gain[least] for gain, bound in (faint, strong)))
    return float(ratio[least]), float(max(relative * ratio[least], LEAST_BOUND))


@CHECKS.register("contrast", label="local contrast", steps=("local-contrast", "follows-scene"))
def contrast(evidence: PathEvidence) -> Findings:
    """Say whether places are driven away from the mean of their surroundings."""
    evidence = evidence.after_conversion
    gram = None if evidence.paths is None else evidence.paths.surround_gram.astype(np.float64)
    if gram is None or gram[:, 0, 0].sum() < _LEAST_BLOCKS:
        yield undecided("contrast", "Local contrast cannot be compared with the source.", NEEDED)
        return
    if evidence.explanation.gamut:
        # Luma that chroma bends cannot be predicted.
        text = "Local contrast cannot be separated from the change of colours."
        yield undecided("contrast", text, AFTER)
        return
    drift = evidence.drift
    if drift is not None and is_covered(evidence):
        yield _local(drift.gain, drift.bound, len(drift.codes), "the patches around")
        return
    covered = evidence.layout is not None and is_covered(evidence)  # of pictures it is left out
    if repeated_kind(evidence) == "scene-dependent" or covered:
        text = "Local contrast cannot be measured on pages that are dimmed or covered."
        yield undecided("contrast", text, AFTER)
        return
    gain, bound = _gain_of_surroundings(gram)
    count = int(gram[:, 0, 0].sum())
    if gain < 0 and evidence.paths is not None and _blurs(evidence.paths):
        # Blur carries light over the edges of blocks, which lowers their contrast too.
        text = f"Local contrast is lowered by {gain:+.1%}, but the picture is blurred as well."
        yield undecided("contrast", text, AFTER, value=gain, bound=bound, count=count)
    elif abs(gain) > _CONTRAST_LIMIT + bound:
        yield _local(gain, bound, count, "the mean of the 80 pixels around")
    else:
        yield transparent(
            "contrast",
            f"Local contrast is kept: {gain:+.2%} against the mean of the 80 pixels around.",
            value=gain,
            bound=bound,
            count=count,
            threshold=_CONTRAST_LIMIT,
        )


def _gain_of_surroundings(grams: FloatArray) -> tuple[float, float]:
    """Local contrast, and its 95 % half width, whatever curve luma follows and chroma adds to it.

    What a block's own colour predicts is subtracted within each band of luma.
    """
    left, count = np.zeros((2, 2)), 0
    for gram in grams[grams[:, 0, 0] > 0]:
        moments = gram[1:, 1:] - np.outer(gram[0, 1:], gram[0, 1:]) / gram[0, 0]
        inverse = np.linalg.pinv(moments[:3, :3], hermitian=True)
        left += moments[3:, 3:] - moments[3:, :3] @ inverse @ moments[:3, 3:]
        count += max(int(gram[0, 0]) - 4, 0)
    (spread, both), (_, rest) = left
    around = both / max(spread, 1.0)
    variance = max(rest - around * both, 0.0) / max(count, 1)
    # own + around where the surroundings are the same, own where they stay.
    whole = grams.sum(axis=0)
    moments = whole[1:, 1:] - np.outer(whole[0, 1:], whole[0, 1:]) / whole[0, 0]
    toward = moments[:3, 4] - around * moments[:3, 3]
    stays = float((np.linalg.pinv(moments[:3, :3], hermitian=True) @ toward)[0])
    return -around / (stays + around), 2 * float(np.sqrt(variance / max(spread, 1.0)))


@kept
def follows_surroundings(evidence: PathEvidence) -> bool:
    """Whether luma is driven away from the mean of its surroundings, or towards it."""
    return any(found.verdict == "not transparent" for found in contrast(evidence))


def line_with_local_contrast(
    evidence: PathEvidence,
) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Luma gain and offset at black with local contrast, and their bounds; None without it.

    Of means of blocks by their own luma and that around them, which both gains add up to: what
    surroundings add has no mean. That they are predicted as means of squares limits both.
    """
    paths = evidence.paths
    if paths is None or evidence.layout is not None or not evidence.pass_through:
        return None
    if not follows_surroundings(evidence):
        return None
    gram = paths.surround_gram.astype(np.float64).sum(axis=0)
    weights = np.linalg.lstsq(gram[:5, :5], gram[:5, 5])[0]
    left = float(gram[5, 5] - weights @ gram[:5, 5]) / float(gram[0, 0])
    bound = float(np.sqrt(max(left, 0.0))) / BLOCK_SCALE
    gain = float(weights[1] + weights[4])
    black = ORIGIN[0] - MIDDLE
    offset = float(weights[0]) / BLOCK_SCALE + (gain - 1) * float(black)
    return (gain, offset), (bound / _OF_BOUND, bound)


def _local(gain: float, bound: float, count: int, around: str) -> Finding:
    return altered(
        "contrast-local",
        f"Local contrast is {'raised' if gain > 0 else 'lowered'} by {gain:+.1%} against {around}.",
        value=gain,
        bound=bound,
        count=count,
        threshold=_CONTRAST_LIMIT,
        alternatives=("a local tone mapping", "sharpening with a wide radius"),
        decided_by="a capture with dynamic and local contrast off",
    )


def _blurs(paths: PixelTables) -> bool:
    strong = paths.luma_gram[1]
    enough = strong[-2, -2] >= LEAST_SAMPLES
    return bool(enough and band_gains(luma_kernel(strong)).min() < 1 - _BAND_LIMIT)


@kept
def noise_alone(evidence: PathEvidence) -> bool:
    """Whether samples of one code differ by noise, and not by a filter, surroundings or a scene."""
    if not keeps_detail(evidence.paths) or moved_scenes(evidence) is not None:
        return False
    return all(found.verdict == "transparent" for found in contrast(evidence))


def bends_no_means(evidence: PathEvidence) -> bool:
    """Whether noise, or a filter of mild effect, leaves the means of luma codes on their curve."""
    paths = evidence.paths
    if paths is None or evidence.layout is not None or not paths.co_registered:
        return False
    strong = paths.luma_gram[1]
    if strong[-2, -2] < LEAST_SAMPLES or not evidence.pass_through:
        return False
    mild = float(band_gains(luma_kernel(strong)).min()) > _MILD
    kept = all(found.verdict == "transparent" for found in contrast(evidence))
    return mild and kept and moved_scenes(evidence) is None


@kept
def before_filter(evidence: PathEvidence) -> Samples | None:
    """Luma by source code before its detail was filtered, with its errors; only steps are known.

    None where no filter was, or its equations are not at hand.
    """
    paths, pair = evidence.paths, evidence.pair
    if paths is None or pair is None or evidence.layout is not None or not evidence.pass_through:
        return None
    seen = all(gram[-2, -2] >= LEAST_SAMPLES for gram in paths.luma_gram)
    if not seen or not paths.every_sample[0] or noise_alone(evidence):
        return None
    faint, strong = (
        kernel / kernel.sum() for kernel in (luma_kernel(gram) for gram in paths.luma_gram)
    )
    runs = bursts(pair)
    sizes = {(clip.width, clip.height) for clip in (pair.source, pair.capture)}
    # Halves of the frames are compared with each other, pixel by pixel in one place.
    if len(runs) < 2 or len(sizes) > 1 or whole_shift(pair) != (0, 0):
        return None
    one, other = map(of_curve, codes_before_filter(pair, runs, (faint, strong), FAINT))
    shared = np.intersect1d(one.source[:, 0], other.source[:, 0])
    if len(shared) < _AROUND:
        return None
    one, other = (side[np.isin(side.source[:, 0], shared)] for side in (one, other))
    apart = one.capture[:, 0] - other.capture[:, 0]
    weight = 1 / (1 / one.count + 1 / other.count)
    # Halves may differ by an offset; neighbouring codes by chance alone.
    steps = np.abs(np.diff(apart)) * np.sqrt(weight[1:] / 2)
    error = float(np.median(steps)) / (2 * _OF_NORMAL) / np.sqrt(weight)
    own = (apart - ndimage.median_filter(apart, _AROUND)) / 2
    luma = one.source[:, 0].astype(np.int64) + int(ORIGIN[0])
    mean = (one.capture + other.capture)[:, 0] / 2 + ORIGIN[0]
    return of_luma(luma, mean, error**2 + own**2, one.count + other.count)


@CHECKS.register("scaling", label="scaling filter")
def scaling(evidence: PathEvidence) -> Findings:
    """Name the filter with which the picture was scaled or moved."""
    paths = evidence.paths
    if paths is None or not evidence.resampled:
        if paths is not None and paths.luma_gram[1, -2, -2] >= LEAST_SAMPLES:
            count = int(paths.luma_gram[1, -2, -2])
            yield transparent("scaling", "The picture was not scaled.", value=1.0, count=count)
        return
    found, known = scaling_of(evidence)
    label, count = KERNELS[found.name].label, int(paths.resampled[0, 0, 0])
    text = (
        f"The picture was scaled with a filter as {label}"
        if known
        else f"The picture was scaled with none of the known filters; nearest is {label}"
    )
    if found.same:
        text += (
            f" (or {', '.join(KERNELS[name].label for name in found.same)}, which do the same here)"
        )
    if any(found.detail):
        text += ", and its detail was filtered too"
    yield altered(
        "scaling-filter" if known else "scaling-unknown",
        f"{text}: {found.left:.2f} codes RMS are left, of which another filter would take off "
        f"{found.filtered:.2f}.",
        severity="info",
        value=found.filtered,
        unit="codes",
        count=count,
        threshold=KNOWN,
        alternatives=tuple(KERNELS[name].label for name in found.ties)
        or ("a filter of similar shape",),
        decided_by="a capture of the chart at the source's own size",
    )


def scaling_of(evidence: PathEvidence) -> tuple[Scaling, bool]:
    """How the picture was scaled, and whether that predicts the capture."""
    assert evidence.paths is not None
    # Marks of a chart locate it less exactly than its content does.
    placed = evidence.layout is None
    slack = 0.3 * (evidence.code_step - 1) + 0.3 * (not placed)
    tables = evidence.paths.resampled, evidence.paths.resampled_chroma
    found = identify_scaling(*tables, slack=slack, placed=placed)
    left = found.left if any(found.detail) else found.filtered
    return found, left < KNOWN + slack


@CHECKS.register(
    "shift",
    label="place of the picture, by luma and chroma samples",
    always=True,
    steps=("chroma-moved",),
)
def shift(evidence: PathEvidence) -> Findings:
    """Give the sub-pixel shift of luma."""
    paths = evidence.paths
    if paths is None or not paths.co_registered or paths.luma_gram[1, -2, -2] < LEAST_SAMPLES:
        yield undecided("shift", "The place of samples cannot be measured.", NEEDED)
        return
    if is_covered(evidence) or repeated_kind(evidence) == "local":
        text = "The place of samples cannot be measured under a static overlay or a local mapping."
        yield undecided("shift", text, AFTER)
        return
    kernel = luma_kernel(paths.luma_gram[1])
    # A kernel centred on a sample to the right means that the picture moved to the left.
    dx, dy = (-value for value in centroid(kernel))
    size = float(np.hypot(dx, dy))
    y, x = np.mgrid[-LUMA_REACH : LUMA_REACH + 1, -LUMA_REACH : LUMA_REACH + 1]
    arms = np.array([x + dx, y + dy], np.float64)
    bound = float(half_widths(paths.luma_gram[1], kernel, arms).max())
    count = int(paths.luma_gram[1, -2, -2])
    # The filter of local contrast is wider than the one that is looked at.
    limit = _SHIFT_LIMIT * (2 if follows_surroundings(evidence) else 1)
    if size > limit + bound:
        yield altered(
            "shift-luma",
            f"Luma is shifted by {dx:+.2f} pixels to the right and {dy:+.2f} down.",
            value=size,
            bound=bound,
            unit="pixels",
            count=count,
            threshold=limit,
            alternatives=("a scaler whose sampling starts elsewhere",),
            decided_by="a capture at the source's own size",
        )
    else:
        yield transparent(
            "shift",
            f"Luma samples are in place to {max(size, 0.005):.3f} pixels.",
            value=size,
            bound=bound,
            unit="pixels",
            count=count,
            threshold=limit,
        )
