"""BT.2446: conversion between HDR and SDR, methods A, B (reconstruction) and C."""

from typing import Annotated

import numpy as np

from tonelab.conversion.chain import SUPER_WHITE, ChainPart, Conversion
from tonelab.conversion.gamut import TO_709
from tonelab.conversion.parameters import Param
from tonelab.conversion.standards.hlg import rerendered
from tonelab.conversion.standards.registry import STANDARDS
from tonelab.conversion.tone.itu import BT2446B_SHOULDER
from tonelab.signal.arrays import FloatArray
from tonelab.signal.colorimetry import rgb_to_ycbcr, ycbcr_to_rgb


@STANDARDS.register(
    "bt2446a",
    label="BT.2446 method A",
    source="ITU-R BT.2446-1 section 4.1; ITU-R BT.2407-0 section 2",
)
def method_a(
    light: FloatArray,
    *,
    source_peak: float,
    sdr_peak: Annotated[float, Param(48, 400, "cd/m2", "SDR peak L_SDR", log=True)] = 100.0,
) -> FloatArray:
    """Gamma-2.4 luma curve with chroma correction; sources brighter than the peak are clipped."""
    tone = ChainPart("bt2446a", {"hdr_peak": source_peak, "sdr_peak": sdr_peak})
    chain = Conversion(tone, ChainPart("gamma-luma"))
    return chain.rgb_signal(np.clip(light, 0.0, source_peak))


def method_a_up(signal: FloatArray) -> FloatArray:
    """SDR to HDR (section 4.2): R'G'B' signals (N, 3) in BT.2020 to light in cd/m2, peak 1000."""
    ycbcr = rgb_to_ycbcr(signal, "bt2020")
    luma = np.clip(ycbcr[:, :1], 0.0, 1.0)
    scaled = 255 * luma
    exponent = np.where(
        scaled <= 70,
        1.8712e-5 * scaled**2 - 2.7334e-3 * scaled + 1.3141,
        2.8305e-6 * scaled**2 - 7.4622e-4 * scaled + 1.2528,
    )
    expanded = scaled**exponent
    gain = np.where(luma > 0, 1.075 * expanded / np.where(luma > 0, luma, 1.0), 1.0)
    rgb = ycbcr_to_rgb(np.concatenate([expanded, gain * ycbcr[:, 1:]], axis=1), "bt2020")
    light: FloatArray = 1000 * (np.clip(rgb, 0.0, 1000.0) / 1000) ** 2.4
    return light


@STANDARDS.register(
    "bt2446b",
    label="BT.2446 method B (reconstruction)",
    source="ITU-R BT.2446-1 section 5; ITU-R BT.2407-0 section 2",
    status="reconstruction",
)
def method_b(
    light: FloatArray,
    *,
    source_peak: float,
    display_gamma: Annotated[
        float, Param(0.97, 1.04, "", "HLG gamma at 291 cd/m2; sources disagree: 1.03 or 0.995")
    ] = 1.03,
    knee: Annotated[float, Param(20, 90, "cd/m2", "end of the unity slope")] = 55.0,
    shoulder: Annotated[
        float, Param(2, 100, "cd/m2", "scale of the logarithm", log=True)
    ] = BT2446B_SHOULDER,
) -> FloatArray:
    """HLG shown on 291 cd/m2, its luminance straight to a knee and logarithmic to 100 cd/m2.

    The report gives the curve as a figure with conditions, without equations; constants here
    are chosen to meet those. It is written for a 1000 cd/m2 source, whatever the mastering peak.
    """
    del source_peak
    dimmed = rerendered(light, peak=1000.0, new_peak=291.0, new_gamma=display_gamma)
    tone = ChainPart("bt2446b", {"knee": knee, "shoulder": shoulder})
    return Conversion(tone, ChainPart("luminance")).rgb_signal(dimmed)


# The matrices and constants of method C as printed, four and five decimals.
_TO_XYZ = np.array([[0.6370, 0.1446, 0.1689], [0.2627, 0.6780, 0.0593], [0.0, 0.0281, 1.0610]])
_TO_RGB = np.array(
    [[1.7167, -0.3557, -0.2534], [-0.6667, 1.6165, 0.0158], [0.0176, -0.0428, 0.9421]]
)
_K1, _K2, _K3, _K4 = 0.83802, 15.09968, 0.74204, 78.99439
_Y_IP = 58.5 / _K1

_HDR_WHITE = 203.0


def method_c_curve(luminance: FloatArray) -> FloatArray:
    """SDR luminance in cd/m2 of HDR luminance in cd/m2, any shape (6.1.4), printed constants."""
    ratio = np.maximum(luminance, _Y_IP) / _Y_IP
    return np.where(luminance < _Y_IP, _K1 * luminance, _K2 * np.log(ratio - _K3) + _K4)


def method_c_curve_inverse(luminance: FloatArray) -> FloatArray:
    """HDR luminance in cd/m2 of SDR luminance in cd/m2, any shape (6.2)."""
    upper = _Y_IP * (np.exp((luminance - _K4) / _K2) + _K3)
    return np.where(luminance < _K1 * _Y_IP, luminance / _K1, upper)


def method_c_light(light: FloatArray, alpha: float) -> FloatArray:
    """SDR display light (N, 3), linear BT.2020 in cd/m2, of HDR display light (6.1.2 to 6.1.6)."""
    crosstalk = alpha + (1 - 3 * alpha) * np.eye(3)
    xyz = light @ (_TO_XYZ @ crosstalk).T
    luminance = xyz[:, 1:2]
    mapped = method_c_curve(luminance)
    scale = np.where(luminance > 0, mapped / np.where(luminance > 0, luminance, 1.0), _K1)
    mapped_light: FloatArray = (xyz * scale) @ (np.linalg.inv(crosstalk) @ _TO_RGB).T
    return mapped_light


def _less_chroma_in_highlights(light: FloatArray, sigma: float, peak: float) -> FloatArray:
    """CIELAB chroma reduction above the 203 cd/m2 white (6.1.8)."""
    white = _TO_XYZ.sum(axis=1) * _HDR_WHITE
    root = _lab_root(light @ _TO_XYZ.T / white)
    lightness = 116 * root[:, 1:2] - 16
    brightest = 116 * np.cbrt(peak / _HDR_WHITE) - 16
    excess = np.maximum(lightness - 100, 0.0) / max(brightest - 100, 1e-6)
    keep = np.maximum(0.0, 1 - sigma * excess)
    faded = root[:, 1:2] + (root - root[:, 1:2]) * keep
    cube = np.where(faded > 6 / 29, faded**3, 3 * (6 / 29) ** 2 * (faded - 4 / 29))
    return np.where(keep < 1, (cube * white) @ np.linalg.inv(_TO_XYZ).T, light)


def _lab_root(ratio: FloatArray) -> FloatArray:
    return np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)


@STANDARDS.register(
    "bt2446c",
    label="BT.2446 method C",
    source="ITU-R BT.2446-1 section 6.1; ITU-R BT.2407-0 section 2",
)
def method_c(
    light: FloatArray,
    *,
    source_peak: float,
    alpha: Annotated[float, Param(0, 0.33, "", "crosstalk; the report fixes no value")] = 0.04,
    sigma: Annotated[float, Param(0, 1, "", "optional chroma reduction above white")] = 0.0,
) -> FloatArray:
    """Luminance curve between crosstalk and its inverse; highlights reach super-white."""
    if sigma > 0:
        light = _less_chroma_in_highlights(light, sigma, source_peak)
    relative = method_c_light(light, alpha) / 100
    signal: FloatArray = np.maximum(relative @ TO_709.T, 0.0) ** (1 / 2.4)
    return np.minimum(signal, SUPER_WHITE)
