"""What an identified conversion leaves unexplained, colour by colour, from a curve file alone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tonelab.conversion import Conversion
from tonelab.errors import UsageError
from tonelab.identify import OUTSIDE, UNKNOWN, evidence_of
from tonelab.identify.structures import within_709
from tonelab.readings import readings_of
from tonelab.signal.colorimetry import rgb_to_ycbcr
from tonelab.signal.transfer import eotf_inverse_pq

if TYPE_CHECKING:
    from tonelab.results import Measurement
    from tonelab.signal.arrays import FloatArray

_GREY = 8 / 896  # of the chroma signal: 8 codes of 10 bits


@dataclass(frozen=True, slots=True, eq=False)
class ColourResiduals:
    """Residuals of an identified conversion over the colours of its capture.

    Attributes
    ----------
    ycbcr
        (N, 3): PQ signal of the source colours, luma 0 to 1, Cb and Cr -0.5 to 0.5, BT.2020.
    residual
        (N, 3): predicted minus captured Y', Cb and Cr, codes.
    floor
        RMS that rounding, or what dither leaves of it, causes in one component, codes.
    within
        Whether only colours within BT.709 were taken, as what the device does beyond them could
        not be identified.
    """

    ycbcr: FloatArray
    residual: FloatArray
    floor: float
    within: bool

    @property
    def rms(self) -> FloatArray:
        """Residual (N,) of each colour, RMS over Y', Cb and Cr, codes."""
        return np.asarray(np.sqrt(np.mean(self.residual**2, axis=1)), np.float64)

    @property
    def hue(self) -> FloatArray:
        """Source hue (N,) in the Cb/Cr plane, degrees; NaN where the source is all but grey."""
        _, cb, cr = self.ycbcr.T
        hue = np.degrees(np.arctan2(cr, cb)) % 360
        return np.where(np.hypot(cb, cr) < _GREY, np.nan, hue)


def colour_residuals(measurement: Measurement) -> ColourResiduals:
    """Hold the identified conversion against every colour that it was identified from.

    Raises
    ------
    UsageError
        When the capture is HDR, or its conversion was not kept.
    """
    capture = measurement.capture.signal
    if capture.is_hdr or not measurement.conversion.structure:
        raise UsageError(
            f"{measurement.device} holds no HDR-to-SDR conversion to hold its colours against: "
            "measure an SDR output."
        )
    evidence = evidence_of(readings_of(measurement), measurement.luminance_curve)
    within = measurement.conversion.gamut in {UNKNOWN, OUTSIDE}
    if within:
        evidence = within_709(evidence)
    return ColourResiduals(
        ycbcr=rgb_to_ycbcr(eotf_inverse_pq(evidence.light), "bt2020"),
        residual=evidence.residual(Conversion.from_dict(measurement.conversion.structure)),
        floor=evidence.floor,
        within=within,
    )
