"""How many steps of a smooth gradient survive a conversion."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tonelab.readings import readings_of

if TYPE_CHECKING:
    from tonelab.results import Measurement

# Borders in cd/m2: near black, 18 % grey, diffuse white, and the usual mastering peaks.
BORDERS = (0.0, 1.0, 26.0, 203.0, 1000.0, 4000.0, 10000.0)


@dataclass(frozen=True, slots=True)
class GradientSteps:
    """Steps of a grey gradient between two levels of source light.

    Attributes
    ----------
    low, high
        Source light, cd/m2.
    steps
        Pairs of neighbouring source codes of which both were seen.
    kept
        Of those, how many end on different capture codes.
    widest
        Most neighbouring source codes that share one capture code.
    largest
        Largest rise from one source code to the next, in steps of the capture's codes.
    """

    low: float
    high: float
    steps: int
    kept: int
    widest: int
    largest: int


def gradient_steps(measurement: Measurement) -> tuple[GradientSteps, ...]:
    """Count the steps of a grey gradient that can be told apart in the capture.

    The mean capture code of each source code is rounded to the capture's own steps, so dither,
    which spreads one code over two, counts as nothing.

    Returns
    -------
    tuple of GradientSteps
        One for each range of source light in which at least one pair of neighbours was seen.
    """
    curve = measurement.luminance_curve
    step = readings_of(measurement).step
    codes = np.floor(curve.code / step + 0.5).astype(np.int64)
    neighbours = np.abs(np.diff(curve.source_code) - 1) < 0.5
    rise = np.diff(codes)
    light = curve.luminance[1:]
    found = []
    for low, high in itertools.pairwise(BORDERS):
        rows = np.flatnonzero(neighbours & (light > low) & (light <= high))
        if len(rows):
            found.append(
                GradientSteps(
                    low=low,
                    high=float(min(high, light[-1])),
                    steps=len(rows),
                    kept=int(np.count_nonzero(rise[rows])),
                    widest=_longest_run(rise[rows] == 0) + 1,
                    largest=int(np.abs(rise[rows]).max()),
                )
            )
    return tuple(found)


def _longest_run(flags: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return int((edges[1::2] - edges[::2]).max(initial=0))
