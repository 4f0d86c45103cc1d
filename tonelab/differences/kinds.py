"""What kind of difference the sums of two captures show, judged on bursts it was not fitted on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tonelab.checks.explain import recoded
from tonelab.differences.sums import GRID, PHASES, RANGES, RELATIONS, SEGMENT, TAPS
from tonelab.results import DifferenceValue

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from tonelab.differences.sums import Sums
    from tonelab.results import DifferenceKind
    from tonelab.signal.arrays import FloatArray, IntArray
    from tonelab.signal.colorimetry import Matrix

    Fit = Callable[[FloatArray], FloatArray]

_FLOOR = np.sqrt(2 / 12)  # steps RMS: two roundings of one value
_AT_FLOOR = 1.35  # floors that a kind may leave: dither doubles the variance of one rounding
_EXPLAINS = 0.35  # share of the RMS difference that a kind may leave, where noise hides the floor
_MOSTLY = 0.1  # share that a filter with levels may leave; a curve of luma leaves more
_SOME = 0.75  # share below which a kind explains some of it
_EVEN = 1.6  # times, between the RMS of the cells of the picture, that noise may differ
_PEAKS = 7.0  # times its RMS that noise may reach at most
_EXACT = 0.999  # share of identical luma with which luma is called identical
_RELATED = 0.5  # share of what the next relation leaves, below which one is named
_CERTAIN = 1.96  # deviations of a 95 % interval
_BY_SOURCE = (
    "which steps differ: `tonelab check SOURCE CAPTURE` of each capture, if the clip is there"
)
_RANGES = {"full": (1023 / 876, 1023 / 896), "narrow": (876 / 1023, 896 / 1023)}
_RANGE_AS = 0.004  # of a gain
_KEPT_GAIN, _KEPT_OFFSET = 0.01, 0.5  # of even areas; codes
_LEAST_SHARE, _LEAST_RANGES = 0.005, 3  # of the samples in a range of luma; ranges
_BEND = 1.0  # steps that means of a range may leave a line; chroma that leaks into luma moves them
_PERIODS = (1, 2, 3)
_BANDS = ((2, 5), (5, 9), (9, 13), (13, 16))  # waves in `SEGMENT` pixels
_LEAST_POWER = 4.0  # times what rounding gives a band
_SHOWN = 0.02  # change of a band that is worth a word
_SAME_LIGHT = 1e-3  # of the gain, and codes of the offset, that are no change of luma
_MATRICES: tuple[Matrix, ...] = ("bt601", "bt709", "bt2020")
_MATRIX_LEFT = 0.03  # RMS of the coefficients
_ROWS = ("top", "middle", "bottom")
_COLUMNS = ("left", "centre", "right")


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of difference with its numbers, and what it leaves of luma and chroma, codes RMS."""

    name: DifferenceKind
    words: str
    names: tuple[str, ...]
    values: tuple[DifferenceValue, ...]
    left: float
    left_chroma: float
    open: tuple[str, ...] = ()


def floor_of(step: int) -> float:
    """RMS difference that two roundings cause, 10-bit codes; ``step`` is that of the coarser."""
    return float(_FLOOR * step)


def interval_of(values: Sequence[float] | FloatArray) -> float:
    """Half of the 95 % interval of a mean of bursts; infinite for a single one."""
    whole = np.asarray(values, np.float64)
    if len(whole) < 2:
        return float("inf")
    return float(_CERTAIN * whole.std(ddof=1) / np.sqrt(len(whole)))


def rms_of(bursts: Sequence[Sums], planes: slice) -> tuple[float, float]:
    """RMS difference of planes, and half of its 95 % interval."""
    sums = np.stack([b["planes"][planes] for b in bursts])
    count, square = sums[..., 0].sum(axis=1), sums[..., 2].sum(axis=1)
    if not count.sum():
        return 0.0, 0.0
    kept = count > 0
    each = np.sqrt(square[kept] / count[kept])
    return float(np.sqrt(square.sum() / count.sum())), interval_of(each)


def classify(bursts: Sequence[Sums], step: int, *, scaled: bool) -> Kind:
    """Name the plainest kind that leaves what rounding leaves.

    Parameters
    ----------
    bursts
        At least one, see `tonelab.differences.sums.sum_burst`.
    step
        10-bit codes of a step of the coarser capture.
    scaled
        Whether one is already compared with the other as a scaler makes it.
    """
    total = np.sum([b["planes"] for b in bursts], axis=0)
    luma, chroma = rms_of(bursts, slice(0, 1))[0], rms_of(bursts, slice(1, 3))[0]
    same_luma = total[0, 1] >= _EXACT * total[0, 0]
    if not scaled and (total[:, 0] == total[:, 1]).all():
        return Kind("none", "identical: every sample is the same", ("identical",), (), 0.0, 0.0)
    limit = _AT_FLOOR * floor_of(step)

    def fits(left: tuple[float, float]) -> bool:
        pairs = zip(left, (luma, chroma), strict=True)
        return all(rest <= max(limit, _EXPLAINS * was) for rest, was in pairs)

    levels, colour = _affine_left(bursts, _levels), _affine_left(bursts, _colour)
    filtered, forward, period, unfiltered = _filter_left(bursts, "filter")
    of_chroma, _, _, chroma_unfiltered = _filter_left(bursts, "chroma_filter")
    if same_luma and chroma > 0 and _at_edges(bursts, limit):
        return _chroma_kind(bursts, luma, chroma)
    some = min(levels[0], unfiltered) < _SOME * luma
    some |= min(levels[1], colour[1], chroma_unfiltered) < _SOME * chroma
    noisy = not some and _is_noise(bursts)
    if max(luma, chroma) <= limit and not some:
        words = f"within dither and rounding, {max(luma, chroma):.2f} codes RMS"
        return Kind("none", words, ("within dither",), (), luma, chroma)
    same_light = np.abs(_map_of(bursts, _levels)[:2, 0] - (0, 1)).max() < _SAME_LIGHT
    straight = not _bends(bursts, step)
    if (
        not same_light
        and straight
        and fits(levels)
        and (levels[0] < _SOME * luma or levels[1] < _SOME * chroma)
    ):
        return _levels_kind(bursts, levels)
    if straight and fits(colour) and (colour[0] < _SOME * luma or colour[1] < _SOME * chroma):
        return _colour_kind(bursts, colour)
    plain = _keeps_levels(bursts, "filter") and _keeps_levels(bursts, "chroma_filter")
    if not noisy and luma > 0 and plain and fits((filtered, of_chroma)):
        return _sharpness_kind(bursts, filtered, of_chroma, forward=forward, period=period)
    if noisy:
        words = f"only dither or noise, {luma:.2f} codes RMS of luma and {chroma:.2f} of chroma"
        return Kind("dither or noise", words, (), (), luma, chroma)
    left, left_chroma = min(levels[0], colour[0], filtered), min(levels[1], colour[1], of_chroma)
    if filtered <= max(limit, _MOSTLY * luma) and fits((filtered, of_chroma)):
        words = "real: a filter together with levels or colour, neither of them alone"
        return Kind(
            "real", f"{words}, {luma:.2f} codes RMS of luma and {chroma:.2f} of chroma", (),
            (*bands_of(bursts), *_levels_kind(bursts, levels).values), left, left_chroma,
        )  # fmt: skip
    words = (
        f"real: {luma:.2f} codes RMS of luma and {chroma:.2f} of chroma, {place_of(bursts)}; the "
        f"nearest of levels, colour and filter leaves {left:.2f} codes of luma"
    )
    if not straight:
        words += ", as luma of B follows no straight line of A's"
    return Kind(
        "real", words, (), (), left, left_chroma,
        (_BY_SOURCE,),
    )  # fmt: skip


def _bends(bursts: Sequence[Sums], step: int) -> bool:
    """Whether means of the difference, by luma, leave the line that levels would make of them."""
    ranges = np.sum([b["ranges"] for b in bursts], axis=0).astype(np.float64)
    ranges = ranges[ranges[:, 0] >= _LEAST_SHARE * ranges[:, 0].sum()]
    if len(ranges) < _LEAST_RANGES:
        return False
    luma, apart = ranges[:, 2] / ranges[:, 0], ranges[:, 3] / ranges[:, 0]
    # Each range counts alike: a bend at the ends is one, however few samples lie there.
    rest = apart - np.polyval(np.polyfit(luma, apart, 1), luma)
    return bool(np.abs(rest).max() > _BEND * step)


def place_of(bursts: Sequence[Sums]) -> str:
    """Say in words in which part of the picture, and at which luma, the difference is largest."""
    grid = np.sum([b["grid"] for b in bursts], axis=0)
    plane = 0 if grid[0, ..., 1].any() else int(grid[..., 1].sum(axis=(1, 2)).argmax())
    mean = np.sqrt(grid[plane, ..., 1] / np.maximum(grid[plane, ..., 0], 1))
    row, column = divmod(int(mean.argmax()), GRID)
    if mean.max() < _EVEN * np.median(mean):
        where = "all over the picture"
    elif (row, column) == (1, 1):
        where = "most in the middle"
    else:
        where = f"most at the {_ROWS[row]} {_COLUMNS[column]}"
    ranges = np.sum([b["ranges"] for b in bursts], axis=0)
    if not ranges[:, 1].any():
        return where
    most = int((ranges[:, 1] / ranges[:, 1].sum()).argmax())
    side = 1024 // RANGES
    return f"{where}, most of it at luma {most * side} to {(most + 1) * side - 1}"


def _levels(products: FloatArray) -> FloatArray:
    """Gain and offset of luma; one gain and two offsets of chroma."""
    p: FloatArray = products
    found: FloatArray = np.zeros((4, 3))
    n = max(p[0, 0], 1.0)
    mean = p[0] / n
    cov = p / n - np.outer(mean, mean)
    found[1, 0] = cov[1, 4] / cov[1, 1] if cov[1, 1] > 0 else 1.0
    power = cov[2, 2] + cov[3, 3]
    found[2, 1] = found[3, 2] = (cov[2, 5] + cov[3, 6]) / power if power > 0 else 1.0
    found[0] = mean[4:7] - mean[1:4] @ found[1:]
    return found


def _colour(products: FloatArray) -> FloatArray:
    """Any affine map of the three components."""
    solved = np.linalg.lstsq(products[:4, :4], products[:4, 4:], rcond=None)[0]
    return np.asarray(solved, np.float64)


def _halves(bursts: Sequence[Sums], name: str) -> list[tuple[FloatArray, FloatArray]]:
    """Give what a kind is fitted on and what it is judged on, both ways; a single burst is both."""
    whole = np.stack([b[name] for b in bursts]).astype(np.float64)
    if len(whole) == 1:
        return [(whole[0], whole[0])]
    even, odd = whole[::2].sum(axis=0), whole[1::2].sum(axis=0)
    return [(even, odd), (odd, even)]


def _affine_left(bursts: Sequence[Sums], fit: Fit) -> tuple[float, float]:
    square, count = np.zeros(3), 0.0
    for fitted, judged in _halves(bursts, "affine"):
        if not fitted[0, 0]:
            return rms_of(bursts, slice(0, 1))[0], rms_of(bursts, slice(1, 3))[0]
        square += _rest(fit(fitted), judged)
        count += judged[0, 0]
    left = np.sqrt(np.maximum(square, 0) / max(count, 1))
    return float(left[0]), float(np.sqrt(np.mean(left[1:] ** 2)))


def _rest(weights: FloatArray, p: FloatArray) -> FloatArray:
    """Squares that a linear map leaves, from the products of its inputs and outputs."""
    n = len(weights)
    inner, cross = p[:n, :n], p[:n, n:]
    rest: FloatArray = (
        np.diag(p[n:, n:])
        + np.einsum("ik,ij,jk->k", weights, inner, weights)
        - 2 * np.einsum("ik,ik->k", weights, cross)
    )
    return rest


def _by_period(sums: FloatArray, period: int) -> FloatArray:
    """Add the phases that a filter of some period does not tell apart."""
    grid = sums.reshape(PHASES // period, period, PHASES // period, period, *sums.shape[1:])
    whole: FloatArray = grid.sum(axis=(0, 2)).reshape(period * period, *sums.shape[1:])
    return whole


def _filter_left(bursts: Sequence[Sums], name: str) -> tuple[float, bool, int, float]:
    """Find the best filter between the captures.

    Returns
    -------
    left
        Codes RMS that it leaves.
    forward
        Whether it makes B of A.
    period
        Pixels after which it repeats.
    worse
        Codes RMS that the best one of the other direction leaves. A filter that takes noise off
        explains some in one direction; one that stands between the captures does in both.
    """
    found = []
    for direction in range(2):
        for period in _PERIODS:
            square = count = 0.0
            for fitted, judged in _halves(bursts, name):
                parts = zip(
                    _by_period(fitted[direction], period), _by_period(judged[direction], period),
                    strict=True,
                )  # fmt: skip
                for p, q in parts:
                    square += float(_rest(_taps(p)[:, None], q)[0])
                    count += q[0, 0]
            left = float(np.sqrt(max(square, 0.0) / max(count, 1.0)))
            # A longer period must pay for its many weights.
            found.append((left * (1 + 0.05 * (period - 1)), left, direction == 0, period))
    _, left, forward, period = min(found)
    worse = min(one[1] for one in found if one[2] != forward)
    return left, forward, period, worse


def _keeps_levels(bursts: Sequence[Sums], name: str) -> bool:
    """Whether even areas stay as they are under the filter that was fitted from A to B."""
    whole = np.sum([b[name][0] for b in bursts], axis=(0, 1)).astype(np.float64)
    if not whole[0, 0]:
        return True
    weights = _taps(whole)
    # Of chroma, the middle (512) is what an offset would move.
    return bool(abs(weights[1:].sum() - 1) < _KEPT_GAIN and abs(weights[0]) < _KEPT_OFFSET)


def _taps(p: FloatArray) -> FloatArray:
    """Weights of a constant and of the pixels around, (50,); a little damped."""
    inner = p[: TAPS + 1, : TAPS + 1].copy()
    inner[np.diag_indices_from(inner)] += 0.02 * p[0, 0]
    if not p[0, 0]:
        return np.zeros(TAPS + 1)
    return np.asarray(np.linalg.solve(inner, p[: TAPS + 1, -1]), np.float64)


def _each(bursts: Sequence[Sums], measure: Callable[[Sums], float], name: str, unit: str,
          value: float) -> DifferenceValue:  # fmt: skip
    return DifferenceValue(name, value, interval_of([measure(b) for b in bursts]), unit)


def _map_of(bursts: Sequence[Sums], fit: Fit) -> FloatArray:
    return fit(np.sum([b["affine"] for b in bursts], axis=0).astype(np.float64))


def _levels_kind(bursts: Sequence[Sums], left: tuple[float, float]) -> Kind:
    found = _map_of(bursts, _levels)

    def part(row: int, column: int) -> Callable[[Sums], float]:
        return lambda b: float(_levels(b["affine"].astype(np.float64))[row, column])

    def black(b: FloatArray) -> float:
        # Centred on 512: where black (64) of A lands.
        return float(b[0, 0] + b[1, 0] * (64 - 512) + 512 - 64)

    values = (
        _each(bursts, part(1, 0), "gain of luma", "", float(found[1, 0])),
        _each(bursts, lambda b: black(_levels(b["affine"].astype(np.float64))),
              "offset of luma at black", "codes", black(found)),
        _each(bursts, part(2, 1), "gain of chroma", "", float(found[2, 1])),
        _each(bursts, part(0, 1), "offset of Cb", "codes", float(found[0, 1])),
        _each(bursts, part(0, 2), "offset of Cr", "codes", float(found[0, 2])),
    )  # fmt: skip
    gains = float(found[1, 0]), float(found[2, 1])
    names = []
    for range_, expected in _RANGES.items():
        if all(abs(g - e) < _RANGE_AS for g, e in zip(gains, expected, strict=True)):
            other = "narrow" if range_ == "full" else "full"
            names.append(f"A is in {other} range and B in {range_}")
    chosen = values[:2] + (values[2:3] if abs(gains[1] - 1) > 1e-3 else ())
    words = "only levels: " + "; ".join([*names, *map(_said, chosen)])
    return Kind("levels", words, tuple(names), values, *left)


def _said(value: DifferenceValue) -> str:
    decimals = 1 if value.unit in {"codes", "%", "degrees"} else 4
    bound = f" ± {value.bound:.2g}" if np.isfinite(value.bound) else ""
    unit = f" {value.unit}" if value.unit else ""
    return f"{value.name} {value.value:.{decimals}f}{bound}{unit}"


def _colour_kind(bursts: Sequence[Sums], left: tuple[float, float]) -> Kind:
    def turn(found: FloatArray) -> tuple[float, float]:
        along, across = (found[2, 1] + found[3, 2]) / 2, (found[2, 2] - found[3, 1]) / 2
        return float(np.hypot(along, across)), float(np.degrees(np.arctan2(across, along)))

    found = _map_of(bursts, _colour)
    each = [turn(_colour(b["affine"].astype(np.float64))) for b in bursts]
    saturation, hue = turn(found)
    values = (
        DifferenceValue("saturation", saturation, interval_of([s for s, _ in each])),
        DifferenceValue("hue", hue, interval_of([h for _, h in each]), "degrees"),
    )
    linear = found[1:].T
    apart = {
        (a, b): float(np.sqrt(np.mean((linear - recoded((a, b))) ** 2)))
        for a in _MATRICES
        for b in _MATRICES
        if a != b
    }
    (coded, read), rest = min(apart.items(), key=lambda item: item[1])
    plain = np.zeros((3, 3))
    plain[0, 0] = 1
    plain[1, 1] = plain[2, 2] = saturation * np.cos(np.radians(hue))
    plain[2, 1] = saturation * np.sin(np.radians(hue))
    plain[1, 2] = -plain[2, 1]
    no_mix = float(np.sqrt(np.mean((linear - plain) ** 2)))
    names: tuple[str, ...] = ()
    if rest < min(_MATRIX_LEFT, no_mix):
        names = (f"B is A read with the matrix {read} and coded again with {coded}",)
    words = "only colour: " + "; ".join([*names, *map(_said, values)])
    return Kind("colour", words, names, values, *left)


def _at_edges(bursts: Sequence[Sums], limit: float) -> bool:
    flat, edge = np.sum([b["edges"] for b in bursts], axis=0)
    rms = [np.sqrt(square / max(count, 1)) for count, square in (flat, edge)]
    return bool(rms[0] <= max(limit, 0.25 * rms[1]) and flat[1] < 0.2 * edge[1])


def relation_of(bursts: Sequence[Sums], capture: int, step: int = 1) -> str:
    """Name how rows or columns of chroma were doubled, where one way stands out; else empty."""
    sums = np.sum([b["rows"] for b in bursts], axis=0)[capture].astype(np.float64)
    left = np.sqrt(sums[..., 0] / 100 / np.maximum(sums[..., 1], 1))
    for axis, word in enumerate(("rows", "columns")):
        for parity in range(2):
            order = np.argsort(left[axis, parity])
            best, second = order[:2]
            least = left[axis, parity, best]
            # What is drawn at full size fits no better on one kind of rows than on the other.
            if (
                least < max(0.8 * step, 1e-9)
                and least < _RELATED * left[axis, parity, second]
                and least < _RELATED * left[axis, 1 - parity, best]
            ):
                return f"{RELATIONS[best]} {word}"
    return ""


def _chroma_kind(bursts: Sequence[Sums], luma: float, chroma: float) -> Kind:
    found = [relation_of(bursts, capture) for capture in range(2)]
    names = tuple(
        f"chroma of {capture}: {name}" for capture, name in zip("AB", found, strict=True) if name
    )
    silent = [capture for capture, name in zip("AB", found, strict=True) if not name]
    which = " and ".join(silent)
    left = (
        f"how chroma of {which} was made: a 4:2:0 source with fine chroma detail, captured in 4:2:2"
    )
    words = (
        f"only chroma interpolation: luma is identical, chroma is {chroma:.2f} codes RMS apart, "
        f"at edges alone{''.join('; ' + name for name in names)}"
    )
    return Kind("chroma interpolation", words, names, (), luma, chroma, (left,) if silent else ())


def bands_of(bursts: Sequence[Sums]) -> list[DifferenceValue]:
    """Change of detail from A to B in bands of horizontal and vertical frequency, percent."""

    def gain(waves: FloatArray, count: float, axis: int, band: tuple[int, int]) -> float:
        # Power of rounding in a Hann window; it is in both.
        rounding = count * SEGMENT * 0.375 / 12 * (band[1] - band[0])
        a, b = waves[axis, slice(*band)].sum(axis=0)
        if min(a, b) < _LEAST_POWER * rounding or min(a, b) <= 0:
            return float("nan")
        return float(100 * (np.sqrt((b - rounding) / (a - rounding)) - 1))

    found = []
    for axis in range(2):
        for band in _BANDS:
            each = [
                gain(b["waves"].astype(float), float(b["wave_count"][axis]), axis, band)
                for b in bursts
            ]
            whole = gain(
                np.sum([b["waves"] for b in bursts], axis=0).astype(float),
                float(sum(b["wave_count"][axis] for b in bursts)), axis, band,
            )  # fmt: skip
            if not np.isfinite(whole):
                continue
            kept = [one for one in each if np.isfinite(one)]
            found.append(DifferenceValue(_named(axis, band), whole, interval_of(kept), "%"))
    return found


def _moved(bursts: Sequence[Sums], value: DifferenceValue) -> float:
    """Power of slopes that a band gains or loses; natural pictures have it at all frequencies."""
    axis = 0 if value.name.startswith("horizontal") else 1
    waves = np.sum([b["waves"] for b in bursts], axis=0).astype(np.float64)
    band = next(b for b in _BANDS if _named(axis, b) == value.name)
    a, b = np.arange(*band) ** 2 @ waves[axis, slice(*band)]
    return float(abs(b - a))


def _named(axis: int, band: tuple[int, int]) -> str:
    low, high = band[0] / SEGMENT, (band[1] - 1) / SEGMENT
    return f"{('horizontal', 'vertical')[axis]} detail at {low:.2f} to {high:.2f} cycles per pixel"


def _sharpness_kind(
    bursts: Sequence[Sums], left: float, chroma: float, *, forward: bool, period: int
) -> Kind:
    values = bands_of(bursts)
    clear = [v for v in values if abs(v.value) > max(v.bound, 100 * _SHOWN)]
    names, words = [], "only sharpness or scaling: luma of one is a linear filter of the other's"
    if clear:
        # The band in which most is gained or lost of what slopes show: images of a scaler are weak.
        most = max(clear, key=lambda v: _moved(bursts, v))
        # More of A per B is not the inverse sign of less: state it from the softer capture.
        sharper = "B" if most.value > 0 else "A"
        share = most.value if most.value > 0 else 100 * (1 / (1 + most.value / 100) - 1)
        scaling = "scaling" if period > 1 else "sharpness or scaling"
        words = f"only {scaling}: {sharper} is sharper, {share:+.0f} % {most.name}"
        if any(np.sign(v.value) != np.sign(most.value) for v in clear):
            words += ", softer in other bands"
    if period > 1:
        names.append(f"the filter repeats every {period} pixels, as scaling does")
    ring = _ringing(bursts, forward=forward)
    whose, whom = ("B", "A") if forward else ("A", "B")
    added = (DifferenceValue(f"overshoot of {whose} at edges of {whom}", *ring, "%"),)
    return Kind(
        "sharpness or scaling", words, tuple(names), (*values, *added), left, chroma,
        () if period == 1 else ("the kernels: the source, with --source CLIP",),
    )  # fmt: skip


def _ringing(bursts: Sequence[Sums], *, forward: bool) -> tuple[float, float]:
    """Overshoot of a step across and its interval, percent, of the filter between the captures."""

    def overshoot(sums: IntArray) -> float:
        whole = sums[0 if forward else 1].sum(axis=0).astype(np.float64)
        taps = _taps(whole)[1:].reshape(int(np.sqrt(TAPS)), -1).sum(axis=0)
        if abs(taps.sum()) < 0.1:
            return float("nan")
        return float(100 * max(np.cumsum(taps).max() / taps.sum() - 1, 0.0))

    each = [overshoot(b["filter"]) for b in bursts]
    return overshoot(np.sum([b["filter"] for b in bursts], axis=0)), interval_of(
        [one for one in each if np.isfinite(one)]
    )


def _is_noise(bursts: Sequence[Sums]) -> bool:
    """Whether each plane that differs does so evenly over picture and without far outliers."""
    planes = np.stack([b["planes"] for b in bursts])
    grid = np.sum([b["grid"] for b in bursts], axis=0)
    for plane in range(3):
        count, square = planes[:, plane, 0].sum(), planes[:, plane, 2].sum()
        if not square:
            continue
        rms = np.sqrt(square / count)
        cells = grid[plane].reshape(-1, 2)
        cells = cells[cells[:, 0] > 0]
        each = np.sqrt(cells[:, 1] / cells[:, 0])
        if each.max() > _EVEN * max(each.min(), 1e-9):
            return False
        if planes[:, plane, 3].max() > _PEAKS * rms + 1:
            return False
    return True
