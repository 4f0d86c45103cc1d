"""What a conversion does to hue and saturation, on the colours that an SDR signal can hold."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tonelab.readings import readings_of
from tonelab.readings.colours import shown_light
from tonelab.signal.colorimetry import LUMINANCE_2020, matrix_rgb_to_rgb, rgb2020_to_ictcp

if TYPE_CHECKING:
    from tonelab.results import Measurement
    from tonelab.signal.arrays import ComplexArray, FloatArray

FEWEST_COLOURS = 50  # from which a sum over colours says something of the device
LIGHT_RANGE = (1.0, 203.0)  # cd/m2, up to diffuse white (BT.2408)

_LEAST_CHROMA = 30 / 720  # thirty times a just visible difference from grey
_SEED = 2124


@dataclass(frozen=True, slots=True)
class ColourShift:
    """Hue and saturation of what is shown against the source, in ICtCp as BT.2124 weighs it.

    Attributes
    ----------
    turn, turn_p95
        Median and 95th percentile of the size of the change of hue angle, degrees.
    turn_rounding
        Median change of hue angle that rounding to the capture's codes alone causes, degrees.
    saturation, saturation_low, saturation_high
        Chroma over intensity, times that of the source: median, 5th and 95th percentile.
    count
        Colours of the chart, or flat places of the content: inside BT.709, 1 to 203 cd/m2, and
        clearly not grey.
    """

    turn: float
    turn_p95: float
    turn_rounding: float
    saturation: float
    saturation_low: float
    saturation_high: float
    count: int


def colour_shift(measurement: Measurement) -> ColourShift | None:
    """Sum up what happens to colours.

    Returns
    -------
    ColourShift or None
        None when fewer than 50 such colours were seen.
    """
    readings = readings_of(measurement)
    capture = measurement.capture.signal
    _, seen, codes = readings.by_key()
    light = measurement.source.signal.decode_light_2020(seen)
    luminance = light @ LUMINANCE_2020
    held = (light @ matrix_rgb_to_rgb("bt2020", "bt709").T).min(axis=1) >= 0
    intensity, plane = _polar(light)
    rows = held & (luminance >= LIGHT_RANGE[0]) & (luminance <= LIGHT_RANGE[1])
    rows &= np.abs(plane) >= _LEAST_CHROMA
    if rows.sum() < FEWEST_COLOURS:
        return None
    shown_intensity, shown = _polar(shown_light(codes[rows], capture))
    random = np.random.default_rng(_SEED)
    moved = codes[rows] + readings.step * random.uniform(-0.5, 0.5, codes[rows].shape)
    rounding = _turn(shown, _polar(shown_light(moved, capture))[1])
    turn = _turn(plane[rows], shown)
    saturation = np.abs(shown) / np.maximum(shown_intensity, 1e-9)
    saturation /= np.abs(plane[rows]) / intensity[rows]
    low, middle, high = np.percentile(saturation, (5, 50, 95))
    return ColourShift(
        turn=float(np.median(turn)),
        turn_p95=float(np.percentile(turn, 95)),
        turn_rounding=float(np.median(rounding)),
        saturation=float(middle),
        saturation_low=float(low),
        saturation_high=float(high),
        count=int(rows.sum()),
    )


def _polar(light: FloatArray) -> tuple[FloatArray, ComplexArray]:
    """Intensity, and the chroma plane of BT.2124 as complex numbers."""
    intensity, tritan, protan = rgb2020_to_ictcp(light).T
    return intensity, 0.5 * tritan + 1j * protan


def _turn(one: ComplexArray, other: ComplexArray) -> FloatArray:
    """Size of the angle between two chroma planes, degrees."""
    angle: FloatArray = np.degrees(np.abs(np.angle(other * one.conj())))
    return angle
