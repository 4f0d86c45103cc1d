"""From tallies to curves with uncertainty: luminance transfer, chroma transfer, landmarks."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage
from scipy.linalg import solveh_banded
from scipy.optimize import isotonic_regression

from tonelab.errors import IdentificationError
from tonelab.results import ChromaTransfer, Finding, Landmark, LuminanceCurve
from tonelab.signal.quantisation import chroma_scale, luma_scale
from tonelab.signal.transfer import eotf_inverse_pq

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tonelab.readings.colours import Colours
    from tonelab.signal.arrays import FloatArray, IntArray, Mask
    from tonelab.signal.description import Signal

QUANTISATION_SD = 1 / np.sqrt(12)  # of a value rounded to whole codes
# Standard deviations within which values lie about a true curve: rounded ones almost within half
# a code, a thousand random ones within about three.
ROUNDING_REACH, RANDOM_REACH = 0.55 * float(np.sqrt(12)), 4.0
FLAT = 0.02  # variance, squared steps, below which the samples of a patch agree
Z95 = 1.959963984540054

HUES = 24
LEVEL_EDGES = np.array([64, 200, 300, 400, 475, 550, 625, 700, 941])  # 10-bit narrow PQ luma
CHROMA_FLOOR = 0.02  # smallest source chroma signal whose hue means anything

MIN_NEUTRALS = 16
_CALM = 9  # neighbouring greys whose median says where they stand


def luminance_curve(
    neutrals: Colours, source: Signal, *, code_step: float = 1.0, copies: Colours | None = None
) -> LuminanceCurve:
    """Luminance transfer curve of a pair.

    Parameters
    ----------
    neutrals
        Neutral patches of the chart, one row per source code.
    source
        How to read the source.
    code_step
        Step of the capture's codes: 1, or 4 when 8 bits sit in a 10-bit container.
    copies
        The same patches one by one, if pages are to count as blocks.

    Returns
    -------
    LuminanceCurve
        One point per source code, with a smooth curve and its 95 % band: the posterior of a
        penalised least-squares smoother with at least the variance of rounding or dither, or what
        a resampling of pages would scatter, whichever is wider. It never falls unless the greys
        clearly do.

    Raises
    ------
    IdentificationError
        When fewer than 16 neutral codes were seen.
    """
    order = np.argsort(neutrals.source[:, 0], kind="stable")
    neutrals = neutrals[order]
    if len(neutrals) < MIN_NEUTRALS:
        raise IdentificationError(
            f"Only {len(neutrals)} neutral codes of the chart were seen, too few for a curve: "
            "capture the whole clip from its first page to its last."
        )
    code = neutrals.capture[:, 0]
    falling = _falling(code, code_step)
    lifted = code if falling else isotonic_regression(code).x
    clipped = np.zeros(len(code), bool) if falling else _plateaus(lifted, code_step)
    moving = neutrals[~clipped]
    noise, reach = _noise(moving.variance[:, 0], moving.count[:, 0], code_step)
    position = neutrals.source[:, 0]
    smooth, deviation, strength = _smooth(position, lifted, clipped, noise, reach)
    if not falling:
        smooth = isotonic_regression(smooth).x
    if copies is not None and strength:
        scatter = _between_pages(copies, position, smooth, np.flatnonzero(~clipped), strength)
        deviation[~clipped] = np.maximum(deviation[~clipped], scatter)
    return LuminanceCurve(
        source_code=neutrals.source[:, 0],
        luminance=neutral_luminance(neutrals.source, source),
        code=code,
        smooth=smooth,
        low=smooth - Z95 * deviation,
        high=smooth + Z95 * deviation,
        count=neutrals.count[:, 0],
        clipped=clipped,
    )


def fall_finding(curve: LuminanceCurve) -> tuple[Finding, ...]:
    """Say by how much greys fall; nothing where they do not."""
    fall = curve.fall
    if fall is None:
        return ()
    top, bottom = (int(np.searchsorted(curve.luminance, light)) for light in fall[1:])
    bound = float(np.hypot(*((curve.high - curve.low)[[top, bottom]] / 2)))
    return (
        Finding(
            "greys-fall",
            "stop",
            f"Greys do not rise all the way: luma falls from code {curve.smooth[top]:.0f} at "
            f"{fall[1]:.3g} cd/m2 to {curve.smooth[bottom]:.0f} at {fall[2]:.3g} cd/m2, as no tone "
            "mapping is meant to; the curve is shown as it is, no conversion is named and no table "
            "is made of it. Look for a setting or a firmware that mends it.",
            value=fall[0],
            bound=bound,
            unit="codes",
            count=len(curve.code),
        ),
    )


def neutral_luminance(codes: FloatArray, source: Signal) -> FloatArray:
    """Luminance in cd/m2 of near-neutral source codes (N, 3), by their luma alone."""
    gray = np.array(codes, np.float64)
    gray[:, 1:] = chroma_scale(source.bits, source.range)[0]
    return source.decode_light(gray)[:, 1]


def ceiling_light(curve: LuminanceCurve) -> float:
    """Light in cd/m2 from which the capture sits on its ceiling; infinite if it never does."""
    upper = curve.smooth > (curve.smooth[0] + curve.smooth[-1]) / 2
    return float(curve.luminance[curve.clipped & upper].min(initial=np.inf))


def chroma_transfer(colours: Colours, source: Signal, capture: Signal) -> ChromaTransfer:
    """Hue rotation and chroma ratio in the Cb/Cr plane, by source hue and level.

    Colours whose capture touches a face of the R'G'B' cube, or whose source chroma is too small for
    a hue, are left out. The interval is that of a complex least-squares gain per cell.

    Parameters
    ----------
    colours
        Means in Y'CbCr codes, (N, 3) on each side.
    source, capture
        How these codes are read.

    Returns
    -------
    ChromaTransfer
        Arrays (24, 8) by hue and level, NaN in cells of fewer than three colours; hues and
        rotations in degrees, intervals of 95 %.
    """
    z_source, z_capture = _chroma(colours.source, source), _chroma(colours.capture, capture)
    black, span = luma_scale(source.bits, source.range)
    level_code = 64 + 876 * (colours.source[:, 0] - black) / span
    hue = np.degrees(np.angle(z_source)) % 360
    hue_bin = (np.round(hue / (360 / HUES)) % HUES).astype(int)
    level_bin = np.digitize(level_code, LEVEL_EDGES) - 1
    levels = len(LEVEL_EDGES) - 1
    shape = (HUES, levels)
    rotation, ratio = np.full(shape, np.nan), np.full(shape, np.nan)
    rotation_bound, ratio_bound = np.full(shape, np.nan), np.full(shape, np.nan)
    count = np.zeros(shape, np.int64)
    usable = (np.abs(z_source) >= CHROMA_FLOOR) & _inside(colours.capture, capture)
    floor = QUANTISATION_SD / chroma_scale(capture.bits, capture.range)[1]
    for h, level in np.ndindex(shape):
        rows = usable & (hue_bin == h) & (level_bin == level)
        n = int(rows.sum())
        count[h, level] = n
        if n < 3:
            continue
        a, b = z_source[rows], z_capture[rows]
        energy = float(np.sum(np.abs(a) ** 2))
        gain = np.sum(b * a.conj()) / energy
        bound = _gain_bound(a, b - gain * a, floor)
        rotation[h, level] = np.degrees(np.angle(gain))
        ratio[h, level] = np.abs(gain)
        ratio_bound[h, level] = bound
        rotation_bound[h, level] = np.degrees(np.arctan2(bound, np.abs(gain)))
    return ChromaTransfer(
        hue=np.arange(HUES) * 360 / HUES,
        level=(LEVEL_EDGES[:-1] + LEVEL_EDGES[1:]) / 2,
        rotation=rotation,
        ratio=ratio,
        rotation_bound=rotation_bound,
        ratio_bound=ratio_bound,
        count=count,
    )


def _gain_bound(
    source: NDArray[np.complex128], residual: NDArray[np.complex128], floor: float
) -> float:
    """Half width of the 95 % interval of a complex gain.

    Rounding errors average out only where they scatter. A residual below the floor shows that
    they do not, and then a gain that moves no sample by half a code goes unseen.
    """
    spread = float(np.sqrt(np.mean(np.abs(residual) ** 2) / 2))
    statistical = Z95 * max(spread, floor) / float(np.sqrt(np.sum(np.abs(source) ** 2)))
    half_code = floor * float(np.sqrt(3))
    calmer = float(np.sqrt(min(np.mean(residual.real**2), np.mean(residual.imag**2))))
    unseen = half_code / float(np.abs(source).max()) * max(1 - calmer / floor, 0.0)
    return statistical + unseen


def landmarks(curve: LuminanceCurve, source: Signal, capture: Signal) -> tuple[Landmark, ...]:
    """Read the named points off a luminance curve.

    Fixed levels are the operational ones of BT.2408 (18 % grey at 26, diffuse white at
    203 cd/m2) and 1000 cd/m2. The mid-tone slope is d log(output light) / d log(source light)
    at 26 cd/m2; highlights start to roll off where the slope has fallen to half of that.
    """
    inside = curve.luminance > 0
    light, smooth = curve.luminance[inside], curve.smooth[inside]
    band = (curve.high - curve.low)[inside] / 2
    axis = eotf_inverse_pq(light)

    def output(code: float) -> float:
        neutral = chroma_scale(capture.bits, capture.range)[0]
        return float(capture.decode_light(np.array([[code, neutral, neutral]]))[0, 1])

    def at(id_: str, label: str, luminance: float | None) -> Landmark:
        if luminance is None or not light[0] <= luminance <= light[-1]:
            return Landmark(id_, label, None, None, None)
        position = eotf_inverse_pq(luminance)
        code = float(np.interp(position, axis, smooth))
        bound = float(np.interp(position, axis, band))
        return Landmark(id_, label, luminance, code, output(code), bound)

    black_code = luma_scale(source.bits, source.range)[0]
    lift = float(np.interp(black_code, curve.source_code, curve.smooth))
    bound = float(np.interp(black_code, curve.source_code, (curve.high - curve.low) / 2))
    ceiling = ceiling_light(curve)
    clip = ceiling if np.isfinite(ceiling) else None
    slope, knee = _slopes(light, smooth, capture)
    return (
        Landmark("black", "source black", 0.0, lift, output(lift), bound),
        at("grey-18", "18 % grey", 26.0),
        at("sdr-white", "100 cd/m2", 100.0),
        at("diffuse-white", "diffuse white", 203.0),
        at("peak-1000", "1000 cd/m2", 1000.0),
        at("roll-off", "highlights start to roll off", knee),
        at("clip", "highlights reach their ceiling", clip),
        Landmark("mid-slope", "mid-tone slope, log-log", 26.0, None, slope),
    )


def _slopes(
    light: FloatArray, smooth: FloatArray, capture: Signal
) -> tuple[float | None, float | None]:
    neutral = chroma_scale(capture.bits, capture.range)[0]
    codes = np.stack([smooth, np.full_like(smooth, neutral), np.full_like(smooth, neutral)], 1)
    shown = capture.decode_light(codes)[:, 1]
    rows = (shown > 0.01) & (light > 0.1)
    if rows.sum() < MIN_NEUTRALS or not light[rows][0] < 26 < light[rows][-1]:
        return None, None
    x, y = np.log(light[rows]), np.log(shown[rows])
    grid = np.linspace(x[0], x[-1], 200)
    width = 5  # grid steps either side, about a quarter of a stop
    values = np.interp(grid, x, y)
    slope = (values[2 * width :] - values[: -2 * width]) / (grid[2 * width] - grid[0])
    centre = grid[width:-width]
    middle = float(np.interp(np.log(26.0), centre, slope))
    low = np.flatnonzero((centre > np.log(26.0)) & (slope < middle / 2))
    return middle, float(np.exp(centre[low[0]])) if len(low) else None


def _falling(code: FloatArray, step: float) -> bool:
    """Whether greys fall by more than they scatter: two steps, and eight times their scatter."""
    calm = ndimage.median_filter(code, _CALM, mode="nearest")
    scatter = 1.4826 * float(np.median(np.abs(code - calm)))  # of a normal distribution
    fall = float(np.max(np.maximum.accumulate(calm) - calm))
    return bool(fall > max(2 * step, 8 * max(scatter, QUANTISATION_SD * step)))


def _plateaus(code: FloatArray, step: float) -> Mask:
    """Flag the flat runs at both ends, where the capture gives a bound and not a value."""
    clipped = np.zeros(len(code), bool)
    minimum_run = 4
    bottom = int(np.searchsorted(code, code[0] + step / 2))
    top = int(np.searchsorted(code, code[-1] - step / 2))
    if bottom >= minimum_run:
        clipped[:bottom] = True
    if len(code) - top >= minimum_run:
        clipped[top:] = True
    return clipped


def _noise(variance: FloatArray, count: IntArray, step: float) -> tuple[float, float]:
    """Return the standard deviation of mean codes, and how many of it a value may be off.

    Where the samples of most patches differ, rounding is random and averages out.
    """
    random = variance > FLAT * step**2
    if not len(random) or random.mean() < 1 / 2:
        return float(QUANTISATION_SD * step), ROUNDING_REACH
    return float(np.sqrt(np.mean(variance[random] / count[random]))), RANDOM_REACH


def _smooth(
    x: FloatArray, y: FloatArray, clipped: Mask, noise: float, reach: float
) -> tuple[FloatArray, FloatArray, float]:
    """Smooth between the plateaus as far as noise alone explains the difference.

    Gives the curve, its standard deviation and the penalty, 0 where there was too little to smooth.

    The penalty is the largest whose residual stays within the noise, so that it is averaged away
    and a true bend is not; a bend sharper than the penalty allows keeps its data.
    """
    smooth, deviation = y.copy(), np.full(len(y), noise)
    rows = np.flatnonzero(~clipped)
    if len(rows) < MIN_NEUTRALS:
        return smooth, deviation, 0.0
    data, position = y[rows], x[rows]
    low, high = 1e-3, 1e8
    for _ in range(40):
        middle = np.sqrt(low * high)
        fitted = _whittaker(position, data, middle)
        calm = np.sqrt(np.mean((fitted - data) ** 2)) <= noise
        calm &= float(np.max(np.abs(fitted - data))) <= reach * noise
        low, high = (middle, high) if calm else (low, middle)
    fitted = _whittaker(position, data, low)
    smooth[rows] = fitted
    variance = max(float(np.mean((fitted - data) ** 2)), noise**2)
    # Banded solvers, unlike dense ones, give the same last bit on any number of threads.
    smoother = _whittaker(position, np.eye(len(rows)), low)
    deviation[rows] = np.sqrt(variance * np.diag(smoother))
    return smooth, deviation, low


def _between_pages(
    copies: Colours,
    position: FloatArray,
    smooth: FloatArray,
    rows: IntArray,
    strength: float,
) -> FloatArray:
    """Return the standard deviation of the smooth rows when whole pages are drawn anew.

    The linearised block bootstrap: each page's residuals go through the smoother together, and
    the pages' effects are independent.
    """
    source = copies.source[:, 0]
    place = np.rint(np.interp(source, position, np.arange(len(position)))).astype(np.int64)
    weight = copies.count[:, 0] / np.bincount(place, copies.count[:, 0], len(position))[place]
    left = weight * (copies.capture[:, 0] - np.interp(source, position, smooth))
    pages = np.unique(copies.page)
    effects = []
    for page in pages:
        own = copies.page == page
        pull = np.bincount(place[own], left[own], len(position)).astype(np.float64)[rows]
        effects.append(_whittaker(position[rows], pull, strength))
    share = len(pages) / max(len(pages) - 1, 1)
    return np.asarray(np.sqrt(share * np.sum(np.square(effects), axis=0)), np.float64)


def _penalty(x: FloatArray, strength: float) -> FloatArray:
    """Banded matrix (3, n) of identity plus a second-difference penalty on uneven spacing."""
    n = len(x)
    spacing = np.diff(x)
    spacing = np.maximum(spacing, 1e-3)
    before, after = spacing[:-1], spacing[1:]
    scale = (before + after) / 2
    a, c = 1 / before / np.sqrt(scale), 1 / after / np.sqrt(scale)
    b = -(a + c)
    banded = np.zeros((3, n))
    banded[2] = 1.0
    banded[2, :-2] += strength * a * a
    banded[2, 1:-1] += strength * b * b
    banded[2, 2:] += strength * c * c
    banded[1, 1:-1] += strength * a * b
    banded[1, 2:] += strength * b * c
    banded[0, 2:] += strength * a * c
    return banded


def _whittaker(x: FloatArray, y: FloatArray, strength: float) -> FloatArray:
    return solveh_banded(_penalty(x, strength), y)


def _chroma(codes: FloatArray, signal: Signal) -> NDArray[np.complex128]:
    neutral, scale = chroma_scale(signal.bits, signal.range)
    chroma: NDArray[np.complex128] = (codes[:, 1] - neutral) + 1j * (codes[:, 2] - neutral)
    return chroma / scale


def _inside(codes: FloatArray, signal: Signal) -> Mask:
    """Whether a capture colour keeps clear of the faces of the R'G'B' cube."""
    rgb = signal.decode_rgb(codes)
    margin = 0.004
    return np.asarray(np.all((rgb > margin) & (rgb < 1 - margin), axis=1))
