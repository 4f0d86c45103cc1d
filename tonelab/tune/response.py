"""What one control does as a function of its setting, registers and their rounding included.

A menu shows integers; it sets a register of its own step, r = floor(rho u + phi), or the
same to both sides of the middle of the range, and the effect is linear in the register. With few
captures many registers agree with what was seen. All of them are kept, weighted by how well they
agree, so that a prediction knows what it does not know.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tonelab.signal.arrays import FloatArray


DRAWS = 48

_RATIOS = np.unique(  # registers for one step of the menu
    [
        *np.geomspace(0.1, 6, 90),
        *(1, 2, 3, 4, 5),
        *(1 / 2, 1 / 3, 1 / 4, 1 / 5, 1 / 8),
        *(n / 100 for n in (16, 31, 32, 63, 64, 127, 128, 255, 256, 511, 512)),
    ]
)
_PHASES = np.arange(0.0, 1.0, 1 / 16)
_SMOOTH_WEIGHT = 0.3  # of all, for an effect without visible registers
_FLOOR = 1e-9


@dataclass(frozen=True, slots=True)
class Point:
    """One value of an effect that was seen: setting, value, standard error."""

    setting: int
    value: float
    error: float


@dataclass(frozen=True, slots=True)
class Response:
    """An effect over the settings of a range.

    Attributes
    ----------
    first
        Setting of the first column.
    table
        Shape (1 + DRAWS, settings): the likeliest response, then responses drawn from all that
        agree with what was seen.
    step
        Effect of one register of the likeliest response, and of one step of the menu.
    registers
        Registers for one step of the menu, or None when no register is visible.
    misfit
        RMS by which the likeliest response misses the points, in units of their errors.
    """

    first: int
    table: FloatArray
    step: float
    registers: float | None
    misfit: float


@dataclass(frozen=True, slots=True)
class _Registers:
    """All registers that are thought possible: none visible, floored, mirrored at the middle.

    Attributes
    ----------
    ratio, phase
        Shape (R,): registers for one step of the menu, and where between two steps they change.
    middle
        Setting at which mirrored registers are nought.
    """

    ratio: FloatArray
    phase: FloatArray
    middle: int

    @classmethod
    def over(cls, low: int, high: int) -> _Registers:
        """Lay out the registers of a control with these settings."""
        ratio = np.concatenate([[0.0], np.repeat(_RATIOS, len(_PHASES)), np.repeat(_RATIOS, 2)])
        floored, mirrored = np.tile(_PHASES, len(_RATIOS)), np.tile([0, 0.5], len(_RATIOS))
        return cls(ratio, np.concatenate([[0.0], floored, mirrored]), (low + high) // 2)

    def prior(self) -> FloatArray:
        """Weigh them, shape (R,): menus of which many steps do nothing are rare."""
        prior = np.ones(len(self.ratio))
        prior[1:] *= np.minimum(self.ratio[1:], 1.0)
        prior[1:] *= (1 - _SMOOTH_WEIGHT) / prior[1:].sum()
        prior[0] = _SMOOTH_WEIGHT
        return prior

    def at(self, settings: FloatArray) -> FloatArray:
        """Value of each register at each setting, shape (R, N)."""
        mirrored = slice(len(_RATIOS) * len(_PHASES) + 1, None)
        rows = np.floor(self.ratio[:, None] * settings + self.phase[:, None])
        rows[0] = settings
        from_middle = settings - self.middle
        height = np.abs(from_middle) * self.ratio[mirrored, None] + self.phase[mirrored, None]
        rows[mirrored] = np.sign(from_middle) * np.floor(height)
        return np.asarray(rows)


def respond(
    points: Sequence[Point], low: int, high: int, generator: np.random.Generator
) -> tuple[Response, float]:
    """Learn a response from two or more points.

    Returns
    -------
    Response
        Over the settings from ``low`` to ``high``.
    float
        Logarithm of the evidence, for choices between readings of the same captures.
    """
    at = np.array([p.setting for p in points], np.float64)
    value = np.array([p.value for p in points])
    error = np.maximum(np.array([p.error for p in points]), _FLOOR)
    grid = _Registers.over(low, high)
    prior = grid.prior()
    seen = grid.at(at)
    weight = 1 / error**2
    total = weight.sum()
    middle = (seen * weight).sum(axis=1, keepdims=True) / total
    centre = (value * weight).sum() / total
    spread = (weight * (seen - middle) ** 2).sum(axis=1)
    possible = spread > 0
    slope = np.where(
        possible,
        (weight * (seen - middle) * (value - centre)).sum(axis=1) / np.where(possible, spread, 1),
        0.0,
    )
    left = value - centre - slope[:, None] * (seen - middle)
    chi2 = (weight * left**2).sum(axis=1)
    # Registers that cannot distinguish two settings whose effects differ explain nothing.
    free = max(len(points) - 2, 1)
    scale = max(float(chi2[possible].min()) / free, 1.0) if possible.any() else 1.0
    score = np.where(possible, np.log(prior) - chi2 / (2 * scale), -np.inf)
    best = int(np.argmax(score))
    chance = np.exp(score - score[best])
    evidence = float(np.log(chance.sum()) + score[best] - len(points) * np.log(scale) / 2)
    chosen = generator.choice(len(prior), DRAWS, p=chance / chance.sum())
    picked = np.concatenate([[best], chosen])
    settings = np.arange(low, high + 1, dtype=np.float64)
    wide = grid.at(settings)[picked]
    noise = generator.standard_normal((2, len(picked))) * scale**0.5
    noise[:, 0] = 0
    tilt = slope[picked] + noise[0] / np.sqrt(np.maximum(spread[picked], _FLOOR))
    base = centre + noise[1] / total**0.5
    table = base[:, None] + tilt[:, None] * (wide - middle[picked])
    return (
        Response(
            first=low,
            table=table,
            step=float(slope[best]),
            registers=float(grid.ratio[best]) if best else None,
            misfit=float(np.sqrt(chi2[best] / len(points))),
        ),
        evidence,
    )
