"""Tone curves of ITU-R reports: BT.2390 EETF and BT.2446 methods A, B and C."""

from typing import Annotated, NamedTuple, Self

import numpy as np

from tonelab.conversion.parameters import Param
from tonelab.conversion.tone.registry import TONE_CURVES
from tonelab.signal.arrays import FloatArray
from tonelab.signal.transfer import PQ_C1, PQ_C2, PQ_C3, PQ_M1, PQ_M2, eotf_inverse_pq, eotf_pq

BT2446B_SHOULDER = 16.492841540817
BT2446C_KNEE = 100 * 0.8**2.4  # 58.53505: the printed 58.5 leaves a jump of 0.035 cd/m2


def pq_slope(L: FloatArray) -> FloatArray:
    """Return the derivative of the PQ signal, per cd/m2, at light in cd/m2, any shape."""
    light = np.maximum(L, 1e-9)
    power = (light / 10000) ** PQ_M1
    base = (PQ_C1 + PQ_C2 * power) / (1 + PQ_C3 * power)
    by_power = PQ_M2 * base ** (PQ_M2 - 1) * (PQ_C2 - PQ_C1 * PQ_C3) / (1 + PQ_C3 * power) ** 2
    slope: FloatArray = by_power * PQ_M1 * power / light
    return slope


class _Eetf(NamedTuple):
    """The EETF in normalised PQ signal."""

    bottom: float
    span: float
    knee: float
    ceiling: float
    lift: float

    @classmethod
    def of(
        cls,
        source_peak: float,
        source_black: float,
        target_peak: float,
        target_black: float,
        knee_offset: float,
    ) -> Self:
        bottom, top, low, high = eotf_inverse_pq(
            [source_black, source_peak, target_black, target_peak]
        )
        span = top - bottom
        ceiling, lift = (high - bottom) / span, max((low - bottom) / span, 0.0)
        if target_black == 0 and source_black == 0:
            lift = 0.0
        return cls(bottom, span, (1 + knee_offset) * ceiling - knee_offset, ceiling, lift)

    def rolled_off(self, e1: FloatArray) -> FloatArray:
        if self.ceiling >= 1:
            return e1
        t = np.maximum(e1 - self.knee, 0.0) / (1 - self.knee)
        hermite = (
            (2 * t**3 - 3 * t**2 + 1) * self.knee
            + (t**3 - 2 * t**2 + t) * (1 - self.knee)
            + (3 * t**2 - 2 * t**3) * self.ceiling
        )
        return np.where(e1 < self.knee, e1, hermite)

    def rolled_off_slope(self, e1: FloatArray) -> FloatArray:
        if self.ceiling >= 1:
            return np.ones_like(e1)
        t = np.maximum(e1 - self.knee, 0.0) / (1 - self.knee)
        rise = (self.ceiling - self.knee) / (1 - self.knee)
        return np.where(e1 < self.knee, 1.0, (3 * t - 1) * (t - 1) + 6 * t * (1 - t) * rise)


def _bt2390_derivative(
    L: FloatArray,
    *,
    source_peak: float,
    source_black: float,
    target_peak: float,
    target_black: float,
    knee_offset: float,
) -> FloatArray:
    eetf = _Eetf.of(source_peak, source_black, target_peak, target_black, knee_offset)
    e1 = (eotf_inverse_pq(L) - eetf.bottom) / eetf.span
    e2 = eetf.rolled_off(np.clip(e1, 0.0, 1.0))
    signal = eetf.bottom + eetf.span * (e2 + eetf.lift * (1 - e2) ** 4)
    slope = eetf.rolled_off_slope(e1) * (1 - 4 * eetf.lift * (1 - e2) ** 3)
    outside = (e1 < 0) | (e1 > 1) | (signal <= 0)
    return np.where(outside, 0.0, slope * pq_slope(L) / pq_slope(eotf_pq(signal)) / target_peak)


@TONE_CURVES.register(
    "bt2390",
    label="BT.2390 EETF",
    source="ITU-R BT.2390-11 5.4.1; BT.2408-8 annex 5",
    derivative=_bt2390_derivative,
)
def bt2390(
    L: FloatArray,
    *,
    source_peak: Annotated[float, Param(100, 10000, "cd/m2", "mastering peak", log=True)] = 1000.0,
    source_black: Annotated[float, Param(0, 0.5, "cd/m2", "mastering black", published=True)] = 0.0,
    target_peak: Annotated[float, Param(48, 1000, "cd/m2", "display peak", log=True)] = 100.0,
    target_black: Annotated[float, Param(0, 0.5, "cd/m2", "display black", published=True)] = 0.0,
    knee_offset: Annotated[float, Param(0.5, 2, "", "knee start", published=True)] = 0.5,
) -> FloatArray:
    """Hermite knee in PQ; the lift of black overshoots the target peak slightly, as published."""
    eetf = _Eetf.of(source_peak, source_black, target_peak, target_black, knee_offset)
    e2 = eetf.rolled_off(np.clip((eotf_inverse_pq(L) - eetf.bottom) / eetf.span, 0.0, 1.0))
    e3 = e2 + eetf.lift * (1 - e2) ** 4
    return eotf_pq(e3 * eetf.span + eetf.bottom) / target_peak


def _rho(peak: float) -> float:
    return float(1 + 32 * (peak / 10000) ** (1 / 2.4))


def _bt2446a_inverse(y: FloatArray, *, hdr_peak: float, sdr_peak: float) -> FloatArray:
    sdr, hdr = _rho(sdr_peak), _rho(hdr_peak)
    yc = np.log1p((sdr - 1) * np.clip(y, 0.0, 1.0) ** (1 / 2.4)) / np.log(sdr)
    middle = (2.7811 - np.sqrt(np.maximum(2.7811**2 - 4 * 1.1510 * (yc + 0.6302), 0))) / 2.3020
    yp = np.where(yc <= 1.0770 * 0.7399, yc / 1.0770, np.maximum(middle, 0.7399))
    yp = np.where(yc >= 0.5 * 0.9909 + 0.5, 2 * yc - 1, yp)
    inverse: FloatArray = hdr_peak * (np.expm1(yp * np.log(hdr)) / (hdr - 1)) ** 2.4
    return inverse


def _bt2446a_derivative(L: FloatArray, *, hdr_peak: float, sdr_peak: float) -> FloatArray:
    sdr, hdr = _rho(sdr_peak), _rho(hdr_peak)
    luma = np.maximum(L / hdr_peak, 1e-12) ** (1 / 2.4)
    yp = np.log1p((hdr - 1) * luma) / np.log(hdr)
    knee = np.where(yp < 0.9909, 2.7811 - 2.3020 * yp, 0.5)
    knee = np.where(yp <= 0.7399, 1.0770, knee)
    exponent = np.log(sdr) * _bt2446a_knee(yp)
    out = np.expm1(exponent) / (sdr - 1)
    by_luma = (
        np.exp(exponent)
        * np.log(sdr)
        / (sdr - 1)
        * knee
        * (hdr - 1)
        / (1 + (hdr - 1) * luma)
        / np.log(hdr)
    )
    slope: FloatArray = out**1.4 * by_luma * luma**-1.4 / hdr_peak
    return np.where(hdr_peak < L, 0.0, slope)


def _bt2446a_knee(yp: FloatArray) -> FloatArray:
    middle = -1.1510 * yp**2 + 2.7811 * yp - 0.6302
    return np.where(yp <= 0.7399, 1.0770 * yp, np.where(yp < 0.9909, middle, 0.5 * yp + 0.5))


@TONE_CURVES.register(
    "bt2446a",
    label="BT.2446 method A",
    source="ITU-R BT.2446-1 4.1",
    inverse=_bt2446a_inverse,
    derivative=_bt2446a_derivative,
)
def bt2446a(
    L: FloatArray,
    *,
    hdr_peak: Annotated[float, Param(200, 10000, "cd/m2", "HDR peak", log=True)] = 1000.0,
    sdr_peak: Annotated[float, Param(48, 400, "cd/m2", "SDR peak", log=True)] = 100.0,
) -> FloatArray:
    """Luma curve in gamma-2.4 code; holds the published step of 0.0005 at the knee."""
    sdr, hdr = _rho(sdr_peak), _rho(hdr_peak)
    luma = np.clip(L / hdr_peak, 0.0, 1.0) ** (1 / 2.4)
    yp = np.log1p((hdr - 1) * luma) / np.log(hdr)
    out: FloatArray = (np.expm1(_bt2446a_knee(yp) * np.log(sdr)) / (sdr - 1)) ** 2.4
    return out


def _bt2446b_inverse(y: FloatArray, *, knee: float, shoulder: float) -> FloatArray:
    over = np.maximum(100 * np.asarray(y) - knee, 0.0)
    return np.minimum(100 * np.asarray(y), knee) + shoulder * np.expm1(over / shoulder)


def _bt2446b_derivative(L: FloatArray, *, knee: float, shoulder: float) -> FloatArray:
    slope: FloatArray = 0.01 / (1 + np.maximum(L - knee, 0.0) / shoulder)
    return slope


@TONE_CURVES.register(
    "bt2446b",
    label="BT.2446 method B (reconstruction)",
    source="reconstruction: ITU-R BT.2446-1 5 prints the curve as a figure, without equations",
    inverse=_bt2446b_inverse,
    derivative=_bt2446b_derivative,
)
def bt2446b(
    L: FloatArray,
    *,
    knee: Annotated[float, Param(20, 90, "cd/m2", "end of the unity slope")] = 55.0,
    shoulder: Annotated[
        float, Param(2, 100, "cd/m2", "scale of the logarithm above the knee", log=True)
    ] = BT2446B_SHOULDER,
) -> FloatArray:
    """Unity slope below the knee, logarithm above; the default sends 291 cd/m2 to 100."""
    over = np.maximum(L - knee, 0.0)
    out: FloatArray = (np.minimum(L, knee) + shoulder * np.log1p(over / shoulder)) / 100
    return out


def _bt2446c_inverse(y: FloatArray, *, slope: float, knee: float, bend: float) -> FloatArray:
    sdr = 100 * np.asarray(y)
    k2 = slope * (1 - bend) * knee
    upper = knee * ((1 - bend) * np.exp((sdr - slope * knee) / k2) + bend)
    return np.where(sdr < slope * knee, sdr / slope, upper)


def _bt2446c_derivative(L: FloatArray, *, slope: float, knee: float, bend: float) -> FloatArray:
    upper = slope * (1 - bend) / (np.maximum(L / knee, 1.0) - bend)
    out: FloatArray = upper / 100
    return out


@TONE_CURVES.register(
    "bt2446c",
    label="BT.2446 method C",
    source="ITU-R BT.2446-1 6.1.4, with the two constants that continuity fixes left out",
    inverse=_bt2446c_inverse,
    derivative=_bt2446c_derivative,
)
def bt2446c(
    L: FloatArray,
    *,
    slope: Annotated[float, Param(0.2, 2, "", "k1, slope below the knee")] = 0.83802,
    knee: Annotated[float, Param(10, 300, "cd/m2", "Y_ip", log=True)] = BT2446C_KNEE / 0.83802,
    bend: Annotated[float, Param(0, 0.98, "", "k3, 0 bends most softly")] = 0.74204,
) -> FloatArray:
    """Straight below the knee, logarithm above, value and slope continuous."""
    over = np.maximum(L / knee, 1.0)
    k2 = slope * (1 - bend) * knee
    upper = slope * knee + k2 * np.log((over - bend) / (1 - bend))
    return np.where(knee > L, slope * L, upper) / 100
