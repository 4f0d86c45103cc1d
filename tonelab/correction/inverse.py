"""Which source a device was shown: its look, inverted colour by colour."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.spatial import cKDTree

from tonelab.correction.kernels import descend
from tonelab.correction.table import interpolate, lattice

if TYPE_CHECKING:
    from tonelab.correction.look import Look
    from tonelab.signal.arrays import FloatArray, Mask

SIZE = 65  # nodes of the forward table that is inverted
STARTS = 21
STEPS = 16
DAMPING = 1e-5  # at first; less after each step that helps, more after one that does not
CLOSE = 1e-5  # signal, at which a colour is found
REACHED = 0.003  # signal, three 10-bit codes, by which a colour may miss and count as reached
EDGE = 0.002  # signal from a clip, within which many sources look alike


@dataclass(frozen=True, slots=True, eq=False)
class Inverse:
    """Sources of output colours.

    Attributes
    ----------
    source
        (N, 3): source signals; the nearest that the device can show where none gives the colour.
    reached
        (N,): whether the device gives the colour at all.
    single
        (N,): whether one source alone gives it; False on a clip, where the darkest is taken.
    """

    source: FloatArray
    reached: Mask
    single: Mask


def invert(look: Look, wanted: FloatArray) -> Inverse:
    """Find source signals that a look turns into ``wanted`` (N, 3) output signals.

    Damped Gauss-Newton steps (Levenberg-Marquardt) on a trilinear table of the look, from the
    nearest of its colours that sits on no clip.
    """
    shape = (SIZE, SIZE, SIZE, 3)
    forward = look.cube(0.0, look.top, SIZE).reshape(shape)
    step = look.top / (SIZE - 1)
    slopes = np.stack(np.gradient(forward, axis=(0, 1, 2)), axis=-1)
    both = np.concatenate([forward, slopes.reshape(*shape[:3], 9)], axis=-1)
    start = lattice(0.0, look.top, STARTS)
    shown = interpolate(forward, start / step, "trilinear")
    free = _unclipped(shown, look) | (np.ptp(start, axis=1) == 0)
    _, nearest = cKDTree(shown[free]).query(wanted)
    place, missed = start[free][nearest] / step, np.empty(len(wanted))
    descend(both, np.ascontiguousarray(wanted), place, missed, DAMPING * step**2, STEPS, CLOSE)
    return Inverse(place * step, missed <= REACHED, _unclipped(wanted, look))


def _unclipped(signal: FloatArray, look: Look) -> Mask:
    inside: Mask = (signal.min(axis=1) > look.low + EDGE) & (signal.max(axis=1) < look.high - EDGE)
    return inside
