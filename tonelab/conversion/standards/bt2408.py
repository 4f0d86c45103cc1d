"""BT.2408 section 5.2: HDR to SDR by hard clip and by hybrid-linear down-mapping."""

from functools import lru_cache

import numpy as np

from tonelab.conversion.chain import SUPER_WHITE, ChainPart, Conversion
from tonelab.conversion.standards.registry import STANDARDS
from tonelab.signal.arrays import FloatArray

REFERENCE_WHITE = 203.0  # cd/m2, table 1


@STANDARDS.register(
    "bt2408-hard-clip",
    label="BT.2408 hard clip at reference white",
    source="ITU-R BT.2408-8 section 5.2; ITU-R BT.2407-0 section 2",
)
def hard_clip(light: FloatArray, *, source_peak: float) -> FloatArray:
    """Clip BT.2020 components at 203 cd/m2, before the gamut conversion."""
    del source_peak
    return Conversion(ChainPart("linear", {"white": REFERENCE_WHITE})).rgb_signal(light)


# Published facts: unity below, reference white near 95 % of signal, highlights in super-white.
_WHITE_LIGHT = 0.95**2.4
_TOP_LIGHT = SUPER_WHITE**2.4


def _shoulder(x: FloatArray, knee: float, scale: float) -> FloatArray:
    over = np.maximum(x - knee, 0.0)
    bent: FloatArray = np.minimum(x, knee) + scale * np.log1p(over / scale)
    return bent


@lru_cache
def _knee_and_scale(peak: float) -> tuple[float, float]:
    """Logarithmic shoulder through reference white and the mastering peak."""
    from scipy.optimize import brentq

    def scale_for(knee: float) -> float:
        def miss(scale: float) -> float:
            return float(_shoulder(np.array(1.0), knee, scale) - _WHITE_LIGHT)

        return float(brentq(miss, 1e-9, 1e3))

    def miss_at_peak(knee: float) -> float:
        top = _shoulder(np.array(peak / REFERENCE_WHITE), knee, scale_for(knee))
        return float(top - _TOP_LIGHT)

    knee = float(brentq(miss_at_peak, 0.0, _WHITE_LIGHT - 1e-3))
    return knee, scale_for(knee)


@STANDARDS.register(
    "bt2408-hybrid-linear",
    label="BT.2408 hybrid-linear down-mapping (partly reconstructed)",
    source="ITU-R BT.2408-8 sections 5.2 and 7.7; ITU-R BT.2407-0 section 2",
    status="partial",
)
def hybrid_linear(light: FloatArray, *, source_peak: float) -> FloatArray:
    """Inverse of the 2.03 up-mapping below a knee, logarithm into super-white above.

    The report states the straight part, where reference white lands and that highlights use
    super-white; the form of the shoulder, its end at the highest code for the mastering peak
    and the use on each channel are filled in here.
    """
    knee, scale = _knee_and_scale(max(source_peak, 300.0))

    def tone(L: FloatArray) -> FloatArray:
        return _shoulder(L / REFERENCE_WHITE, knee, scale)

    signal = Conversion(tone, ceiling=False, super_white=True).rgb_signal(light)
    return np.minimum(signal, SUPER_WHITE)
