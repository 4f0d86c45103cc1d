"""Explaining what a path did to colours by a few steps that real paths take.

A free affine map is fitted first. Then each combination of known steps is compared with it: planes
exchanged or inverted, coded with one matrix and read with another, a range expanded or
compressed, and what stays as the picture controls contrast, brightness, saturation and hue, before
or after. The plainest combination that leaves nothing over is the explanation. Where an affine map
does not fit, conversions between primaries in linear light are tried before it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from tonelab.signal.colorimetry import (
    matrix_rgb_to_rgb,
    matrix_rgb_to_ycbcr,
)
from tonelab.signal.quantisation import SPAN
from tonelab.signal.transfer import eotf_hlg, eotf_inverse_hlg, eotf_inverse_pq, eotf_pq

if TYPE_CHECKING:
    from tonelab.checks.samples import Samples
    from tonelab.signal.arrays import FloatArray, Mask
    from tonelab.signal.colorimetry import Matrix, Primaries
    from tonelab.signal.description import Signal

    _Affine: TypeAlias = tuple[FloatArray, FloatArray]
    _Steps: TypeAlias = tuple[str, tuple[Matrix, Matrix] | None, tuple[Matrix, Matrix] | None]

AS_SENT: _Affine = np.eye(3), np.zeros(3)
_LEFT_OVER = 0.35  # codes RMS of a linear part that no step explains
_LEAST_BEND = 0.5  # codes RMS about an affine map that rounding of the mean cannot leave
_STEP_COST = 0.3  # codes RMS that one more step must save
_ONE_DOES, _TWO_DO = 0.2, 0.6  # codes RMS that one step may leave; share that two leave of more
_CLEARLY = 2.5  # errors of a fit
_FIRST_COST = 0.1  # codes RMS that controls must leave less before the known steps than after
_GAMUT_GAIN = 0.5  # share of the affine residual that a gamut step must undercut
_GAMUT_LIMIT = 1.0  # codes RMS of an affine residual below which none is tried
_FITTED, _FITS_BETTER = 0.45, 0.9  # codes RMS with a conversion; share that steps before leave
_NO_WORSE = 1.1  # share of what is left
_AS_MANY = 0.97  # share of colours
_INSIDE, _LEAST_INSIDE = 0.02, 40  # of R'G'B' from its ends; colours
_INVERTIBLE = 10.0  # condition of a map that real steps stay below
_MATRICES: tuple[Matrix, ...] = ("bt601", "bt709", "bt2020")
_GREY, _LEAST_GREYS = 1.5, 40  # codes of chroma; samples
_MIXED = tuple(pair for pair in product(_MATRICES, _MATRICES) if pair[0] != pair[1])

PLANES: dict[str, tuple[tuple[int, int], tuple[int, int]]] = {
    "": ((1, 0), (0, 1)),
    "Cb and Cr exchanged": ((0, 1), (1, 0)),
    "Cb inverted": ((-1, 0), (0, 1)),
    "Cr inverted": ((1, 0), (0, -1)),
    "Cb and Cr inverted": ((-1, 0), (0, -1)),
    "Cb and Cr exchanged, both inverted": ((0, -1), (-1, 0)),
    "Cb and Cr exchanged, Cb inverted": ((0, -1), (1, 0)),
    "Cb and Cr exchanged, Cr inverted": ((0, 1), (-1, 0)),
}

GAMUTS: tuple[tuple[Primaries, Primaries], ...] = (
    ("bt2020", "bt709"),
    ("bt709", "bt2020"),
    ("bt2020", "p3d65"),
    ("p3d65", "bt2020"),
)


@dataclass(frozen=True, slots=True)
class Explanation:
    """What happened to the colours.

    Attributes
    ----------
    linear, offset
        The free affine map in centred codes: capture = linear @ source + offset.
    planes
        Key of `PLANES`.
    matrices
        Coded with the first, decoded with the second, and coded again; None for none.
    again
        The same of a second mix-up after the first; None for none.
    gamut
        Linear-light conversion (from, to) before everything else; None for none.
    controls_first
        Whether picture controls came before the known steps.
    first
        Affine map that came before that conversion, though all is given as if it came after.
    """

    linear: FloatArray
    offset: FloatArray
    planes: str
    matrices: tuple[Matrix, Matrix] | None
    again: tuple[Matrix, Matrix] | None
    gamut: tuple[Primaries, Primaries] | None
    luma_gain: float
    luma_offset: float
    chroma_offset: tuple[float, float]
    saturation: float
    rotation: float
    left_over: float
    residual: FloatArray
    used: Mask
    before: FloatArray
    known: FloatArray
    signal: Signal
    step: int = 1
    first: _Affine = AS_SENT
    controls_first: bool = False

    @property
    def left_over_limit(self) -> float:
        """RMS codes that rounding and a bent curve may leave of the linear part."""
        bend = max(float(self.residual.max()) - _LEAST_BEND, 0.0)
        return _LEFT_OVER + 0.15 * (self.step - 1) + 0.25 * bend

    @property
    def residual_limit(self) -> float:
        """RMS codes that rounding leaves about an affine map."""
        return 1.7 + 0.3 * self.step

    @property
    def affine(self) -> bool:
        """Whether the steps explain the colours at all."""
        return (
            self.left_over < self.left_over_limit
            and float(self.residual.max()) < self.residual_limit
        )

    def predict(self, source: FloatArray) -> FloatArray:
        """Capture of centred source codes, without clipping."""
        return self.converted(source, self.first) @ self.linear.T + self.offset

    def converted(self, source: FloatArray, first: _Affine = AS_SENT) -> FloatArray:
        """Centred source codes as the conversion of primaries leaves them, where there is one."""
        if self.gamut is None:
            return source
        return convert_gamut(source, self.gamut, self.signal, first)


def explain(samples: Samples, signal: Signal, step: int = 1) -> Explanation:
    """Find the plainest explanation of the colours.

    Parameters
    ----------
    samples
        Colours of both sides.
    signal
        How the source is read; PQ or HLG where a gamut step is to be tried.
    step
        Source codes that rounding takes together.
    """
    best = replace(_without_gamut(samples.source, samples, signal), step=step)
    size = float(np.sqrt(np.mean(best.residual**2)))
    known = best.left_over < best.left_over_limit
    if (size < _GAMUT_LIMIT and known) or not signal.is_hdr:
        return best
    for gamut in GAMUTS:
        best = _better(best, _with_gamut(samples, signal, gamut), samples, _GAMUT_GAIN)
    # Other steps before a conversion are tried only where the conversion alone will not do; all
    # leave greys on a line.
    limit, share = (_GAMUT_LIMIT, _GAMUT_GAIN) if best.gamut is None else (_FITTED, _FITS_BETTER)
    if _bent(best, samples) < limit or not _greys_straight(samples, step):
        return best
    for gamut in GAMUTS:
        first = _before_gamut(samples, signal, gamut)
        other = replace(_with_gamut(samples, signal, gamut, first), step=step)
        if other.affine:
            best = other if _closer(other, best, samples) else _better(best, other, samples, share)
    return best


def _with_gamut(
    samples: Samples, signal: Signal, gamut: tuple[Primaries, Primaries], first: _Affine = AS_SENT
) -> Explanation:
    moved = convert_gamut(samples.source, gamut, signal, first)
    found = _without_gamut(moved, samples, signal)
    return replace(found, gamut=gamut, first=first, before=moved)


def _better(best: Explanation, other: Explanation, samples: Samples, share: float) -> Explanation:
    """Take another explanation if it leaves a share of what the best one leaves.

    Chroma alone may decide, where something else bends luma.
    """
    # Outliers are counted against a step, so that it does not win by dropping them.
    rest, least = _bent(other, samples), _bent(best, samples)
    of_chroma = _bent(other, samples, 1)
    decided = of_chroma < min(share * _bent(best, samples, 1), _GAMUT_LIMIT) and rest < least
    # Pale colours fit as well to a matrix that is none.
    other = replace(other, step=best.step)
    explains = other.affine and not best.affine and rest < _NO_WORSE * least
    return other if rest < share * least or decided or explains else best


def _closer(other: Explanation, best: Explanation, samples: Samples) -> bool:
    """Whether another explanation leaves less of as many colours; clipped ones are not counted."""
    rows = other.used & best.used
    rests = [np.square(samples.capture - e.predict(samples.source))[rows] for e in (other, best)]
    fewer = np.count_nonzero(other.used) < _AS_MANY * np.count_nonzero(best.used)
    return not fewer and float(rests[0].mean()) < _FITS_BETTER**2 * float(rests[1].mean())


def _before_gamut(samples: Samples, signal: Signal, gamut: tuple[Primaries, Primaries]) -> _Affine:
    """Affine map of the source that a conversion of primaries carries to the capture."""
    rgb = samples.capture / SPAN @ np.linalg.inv(_coding(signal)).T
    inside = ((rgb > _INSIDE) & (rgb < 1 - _INSIDE)).all(axis=1)
    if np.count_nonzero(inside) < _LEAST_INSIDE:
        return AS_SENT
    back = convert_gamut(samples.capture[inside], gamut[::-1], signal)
    linear, offset, _ = fit_affine(samples.source[inside], back)
    return (linear, offset) if np.linalg.cond(linear) < _INVERTIBLE else AS_SENT


def _greys_straight(samples: Samples, step: int) -> bool:
    """Whether the luma of greys, where there are any, is an affine map of that of the source."""
    grey = np.abs(samples.source[:, 1:]).max(axis=1) < _GREY
    if np.count_nonzero(grey) < _LEAST_GREYS:
        return True
    luma = samples.capture[grey, :1]
    linear, offset, used = fit_affine(samples.source[grey], np.repeat(luma, 3, axis=1))
    rest = luma[used, 0] - samples.source[grey][used] @ linear[0] - offset[0]
    return bool(np.sqrt(np.mean(rest**2)) < max(_GAMUT_LIMIT, step))


def _bent(explanation: Explanation, samples: Samples, plane: int = 0) -> float:
    """RMS codes that an explanation leaves of the planes from one on."""
    rest = (samples.capture - explanation.predict(samples.source))[:, plane:]
    return float(np.sqrt(np.mean(np.minimum(np.abs(rest), 40.0) ** 2)))


def convert_gamut(
    source: FloatArray,
    gamut: tuple[Primaries, Primaries],
    signal: Signal,
    first: _Affine = AS_SENT,
) -> FloatArray:
    """Centred codes (N, 3) after a conversion of primaries in linear light, clipped to 0..1.

    ``first`` is an affine map that came before the conversion; it is taken off again, as though
    it had come after it.
    """
    linear, offset = first
    rgb = (source @ linear.T + offset) / SPAN @ np.linalg.inv(_coding(signal)).T
    matrix = matrix_rgb_to_rgb(*gamut)
    if signal.transfer == "hlg":
        light = np.maximum(eotf_hlg(rgb, signal.peak) @ matrix.T, 0.0)
        coded = eotf_inverse_hlg(light, signal.peak)
    else:
        coded = eotf_inverse_pq(np.maximum(eotf_pq(rgb) @ matrix.T, 0.0))
    codes: FloatArray = np.clip(coded, 0.0, 1.0) @ _coding(signal).T * SPAN - offset
    return codes @ np.linalg.inv(linear).T


def _coding(signal: Signal) -> FloatArray:
    return matrix_rgb_to_ycbcr(signal.coding_matrix)


def recoded(matrices: tuple[Matrix, Matrix]) -> FloatArray:
    """Map (3, 3) of centred codes decoded with the second matrix and coded with the first.

    A device that reads codes of ``matrices[0]`` as ``matrices[1]`` and sends its R'G'B' on coded
    with ``matrices[0]`` does this.
    """
    coded_as, read_as = matrices
    step = matrix_rgb_to_ycbcr(coded_as) @ np.linalg.inv(matrix_rgb_to_ycbcr(read_as))
    scaled: FloatArray = step * SPAN[:, None] / SPAN
    return scaled


def fit_affine(source: FloatArray, capture: FloatArray) -> tuple[FloatArray, FloatArray, Mask]:
    """Least squares affine map without the colours that leave it, (3, 3), (3,), and which stayed.

    At least half of the colours stay, so that clipped ones cannot carry the fit away.
    """
    used = np.ones(len(source), bool)
    if not len(source):
        return *AS_SENT, used
    design = np.column_stack([source, np.ones(len(source))])
    solution = np.zeros((4, 3))
    for _ in range(8):
        solution[:] = np.linalg.lstsq(design[used], capture[used], rcond=None)[0]
        rest = np.abs(capture - design @ solution).max(axis=1)
        limit = max(2.0, 4.5 * float(np.median(rest)))
        kept = rest <= max(limit, float(np.median(rest)))
        if np.array_equal(kept, used):
            break
        used = kept
    return solution[:3].T, solution[3], used


def _without_gamut(source: FloatArray, samples: Samples, signal: Signal) -> Explanation:
    linear, offset, used = fit_affine(source, samples.capture)
    rest = samples.capture[used] - source[used] @ linear.T - offset
    residual = np.sqrt(np.mean(rest**2, axis=0)) if used.any() else np.zeros(3)
    spread = source[used].T @ source[used] / max(int(used.sum()), 1)
    steps, known = _known_steps()
    inverse = np.linalg.inv(known)
    # The best of the picture controls, after the known steps or before: contrast on luma,
    # saturation and hue on chroma.
    left = np.concatenate([linear @ inverse, inverse @ linear])
    along = (left[:, 1, 1] + left[:, 2, 2]) / 2
    across = (left[:, 2, 1] - left[:, 1, 2]) / 2
    controls = np.zeros_like(left)
    controls[:, 0, 0], controls[:, 1, 1], controls[:, 2, 2] = left[:, 0, 0], along, along
    controls[:, 2, 1], controls[:, 1, 2] = across, -across
    after, before = np.split(controls, 2)
    unexplained = linear - np.concatenate([after @ known, known @ before])
    squares = np.einsum("nij,jk,nik->n", unexplained, spread, unexplained)
    misfit = np.sqrt(np.maximum(squares, 0.0) / 3)
    rotation = np.degrees(np.arctan2(across, along))
    many = np.tile([sum(map(bool, step)) for step in steps], 2)
    # What leaves more than rounding does explains nothing, and is no plainer than what does.
    cost = misfit + _STEP_COST * (many + (misfit > _LEFT_OVER)) + 0.02 * np.abs(rotation)
    cost[len(steps) :] += _FIRST_COST
    best = int(np.argmin(cost))
    chance = float(np.sqrt(np.sum(residual**2) / 3 * 4 / max(int(used.sum()), 1)))
    if many[best] == 1 and misfit[best] > max(_ONE_DOES, _CLEARLY * chance):
        nearer = (many == 2) & (misfit < _TWO_DO * misfit[best])
        best = int(np.argmin(np.where(nearer, cost, np.inf))) if nearer.any() else best
    planes, matrices, again = steps[best % len(steps)]
    return Explanation(
        linear=linear,
        offset=offset,
        planes=planes,
        matrices=matrices,
        again=again,
        gamut=None,
        luma_gain=float(left[best, 0, 0]),
        luma_offset=float(offset[0]),
        chroma_offset=(float(offset[1]), float(offset[2])),
        saturation=float(np.hypot(along[best], across[best])),
        rotation=float(rotation[best]),
        left_over=float(misfit[best]),
        residual=residual,
        used=used,
        before=source,
        known=known[best % len(steps)],
        signal=signal,
        controls_first=best >= len(steps),
    )


@lru_cache(maxsize=1)
def _known_steps() -> tuple[list[_Steps], FloatArray]:
    """Exchanged planes with up to two mix-ups of matrices, and the map of each, (N, 3, 3).

    Planes were exchanged last, or before one mix-up.
    """
    # Two that make one, or none, cannot be distinguished from it.
    twice = [(one, two) for one, two in product(_MIXED, _MIXED) if one[0] != two[1]]
    mixed = [(None, None), *((pair, None) for pair in _MIXED), *twice]
    steps: list[_Steps] = [(name, *pairs) for name, pairs in product(PLANES, mixed)]
    first: list[_Steps] = [(name, pair, None) for name, pair in product(PLANES, _MIXED) if name]
    known = np.zeros((len(steps) + len(first), 3, 3))
    for at, (name, matrices, again) in enumerate(steps + first):
        known[at, 0, 0], known[at, 1:, 1:] = 1.0, PLANES[name]
        for step in (again, matrices):
            if step is not None and at < len(steps):
                known[at] = known[at] @ recoded(step)
            elif step is not None:
                known[at] = recoded(step) @ known[at]
    return steps + first, known
