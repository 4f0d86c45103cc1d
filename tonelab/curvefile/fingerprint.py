"""A few hundred numbers that distinguish devices, read without the rest of a curve file."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.readings.colours import coded_signal
from tonelab.signal.quantisation import luma_scale
from tonelab.signal.transfer import eotf_inverse_pq

if TYPE_CHECKING:
    from tonelab.results import Measurement
    from tonelab.signal.arrays import FloatArray

GREYS = np.arange(72.0, 941.0, 12.0)  # 10-bit PQ codes of neutral light
HUES = 24
SIZE = len(GREYS) + 2 * HUES


def fingerprint(measurement: Measurement) -> FloatArray:
    """Luminance curve at fixed light, and complex chroma gain by hue.

    Returns
    -------
    ndarray
        Shape (SIZE,): luma signal 0..1 of the capture at `GREYS`, then real and imaginary part of
        the chroma gain at each of 24 source hues; NaN where nothing was seen.
    """
    curve, signal = measurement.luminance_curve, coded_signal(measurement.capture.signal)
    black, span = luma_scale(signal.bits, signal.range)
    at = 64 + 876 * eotf_inverse_pq(curve.luminance)
    luma = np.interp(GREYS, at, (curve.smooth - black) / span, left=np.nan, right=np.nan)
    chroma = measurement.chroma_transfer
    gain = chroma.ratio * np.exp(1j * np.radians(chroma.rotation))
    seen = np.isfinite(gain)
    mean = np.where(seen, gain, 0).sum(axis=1) / np.maximum(seen.sum(axis=1), 1)
    mean[~seen.any(axis=1)] = np.nan
    return np.concatenate([luma, mean.real, mean.imag])
