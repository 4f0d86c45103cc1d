"""HLG down-conversion: the OOTF of BT.2100 at another peak (BT.2390 6.2)."""

from typing import Annotated

import numpy as np

from tonelab.conversion.chain import ChainPart, Conversion
from tonelab.conversion.parameters import Param
from tonelab.conversion.standards.registry import STANDARDS
from tonelab.signal.arrays import FloatArray
from tonelab.signal.colorimetry import LUMINANCE_2020
from tonelab.signal.transfer import system_gamma_hlg


def rerendered(
    light: FloatArray, *, peak: float, new_peak: float, new_gamma: float | None = None
) -> FloatArray:
    """Show HLG made for one peak on a display of another.

    Parameters
    ----------
    light
        Shape (N, 3), linear BT.2020 display light in cd/m2 on a display of ``peak``.
    peak, new_peak
        Nominal peaks, cd/m2.
    new_gamma
        System gamma of the new display; by BT.2100 note 5f or BT.2390 when not given.

    Returns
    -------
    ndarray
        Shape (N, 3), cd/m2: inverse OOTF of the first display, OOTF of the second.
    """
    if new_gamma is None:
        new_gamma = system_gamma_hlg(new_peak)
    relative = light / peak
    luminance = np.maximum(relative @ LUMINANCE_2020, 1e-12)[:, None]
    # Scene light is E = Y^((1 - g) / g) * RGB and Y_scene = Y^(1/g), so both steps are powers.
    dimming: FloatArray = luminance ** (new_gamma / system_gamma_hlg(peak) - 1)
    return new_peak * dimming * relative


@STANDARDS.register(
    "hlg-ootf",
    label="HLG shown on an SDR display",
    source="ITU-R BT.2100-2 table 5; ITU-R BT.2390-11 6.2; ITU-R BT.2407-0 section 2",
)
def hlg_ootf(
    light: FloatArray,
    *,
    source_peak: float,
    sdr_peak: Annotated[float, Param(80, 400, "cd/m2", "nominal peak of the OOTF")] = 100.0,
) -> FloatArray:
    """Re-render by the OOTF at the SDR peak; the source peak is that of the HLG display."""
    dimmed = rerendered(light, peak=source_peak, new_peak=sdr_peak)
    return Conversion(ChainPart("linear", {"white": sdr_peak}), ceiling=False).rgb_signal(dimmed)
