"""Three invented playback devices: HDR light in, SDR codes out.

Everything here is written from the published formulas, a second time and on purpose: what
tonelab measures must not come from tonelab. Arrays of colours have shape (N, 3).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

Array: TypeAlias = NDArray[np.float64]

# BT.2407-0, section 2: linear BT.2020 to linear BT.709, before it is rounded for print.
TO_709 = np.array(
    [
        [1.6604910021, -0.5876411388, -0.0728498633],
        [-0.1245504745, 1.1328998971, -0.0083494226],
        [-0.0181507634, -0.1005788980, 1.1187296614],
    ]
)
LUMINANCE_2020 = np.array([0.2627, 0.6780, 0.0593])  # BT.2100-2, table 4
LUMA_709 = np.array([0.2126, 0.7152, 0.0722])  # BT.709-6, item 3.2


def pq_to_light(signal: Array) -> Array:
    """Light in cd/m2 of a PQ signal 0..1 (SMPTE ST 2084)."""
    root = np.clip(signal, 0, 1) ** (32 / 2523)
    power = np.maximum(root - 107 / 128, 0) / (2413 / 128 - 2392 / 128 * root)
    light: Array = 10000 * power ** (8192 / 1305)
    return light


def light_to_pq(light: Array) -> Array:
    """PQ signal of light in cd/m2 (SMPTE ST 2084)."""
    power = (np.maximum(light, 0) / 10000) ** (1305 / 8192)
    return ((107 / 128 + 2413 / 128 * power) / (1 + 2392 / 128 * power)) ** (2523 / 32)


def eetf(light: Array, peak: float, target: float) -> Array:
    """Light on the target display, cd/m2, both blacks at 0 (BT.2390-11, 5.4.1)."""
    top = light_to_pq(np.array(peak))
    ceiling = float(light_to_pq(np.array(target)) / top)
    knee = 1.5 * ceiling - 0.5
    signal = np.minimum(light_to_pq(light) / top, 1)
    t = np.maximum((signal - knee) / (1 - knee), 0)
    spline = (
        (2 * t**3 - 3 * t**2 + 1) * knee
        + (t**3 - 2 * t**2 + t) * (1 - knee)
        + (3 * t**2 - 2 * t**3) * ceiling
    )
    return pq_to_light(np.where(signal < knee, signal, spline) * top)


def filmic(light: Array, white: float, peak: float) -> Array:
    """Relative light after Hable's curve with the constants of his article (2010)."""

    def curve(x: Array) -> Array:
        return (x * (0.15 * x + 0.05) + 0.004) / (x * (0.15 * x + 0.5) + 0.06) - 0.02 / 0.30

    return curve(light / white) / curve(np.array(peak / white))


def photographic(light: Array, middle: float, peak: float) -> Array:
    """Relative light after equation 4 of Reinhard, Stark, Shirley and Ferwerda (2002)."""
    x, burn = light / middle, peak / middle
    return x * (1 + x / burn**2) / (1 + x)


def brelluno(light: Array) -> Array:
    """R, G and B each through the EETF of BT.2390 for a 100 cd/m2 display."""
    return eetf(light, peak=1000, target=100) / 100


def quoskimer(light: Array) -> Array:
    """Colour fades above 250 cd/m2; then the largest of R, G and B goes through a filmic curve."""
    luma = (light @ LUMA_709)[:, None]
    fade = np.clip((luma - 250) / np.maximum(luma, 1e-6), 0, 1)
    faded = light + (luma - light) * fade
    largest = np.maximum(faded.max(axis=1, keepdims=True), 1e-9)
    shown: Array = faded / largest * np.minimum(filmic(largest, white=80, peak=1200), 1)
    return shown


def orvimble(light: Array, peak: float) -> Array:
    """Luminance goes through a photographic curve, R, G and B follow in proportion."""
    luminance = np.maximum((light @ LUMINANCE_2020)[:, None], 1e-9)
    shown: Array = light / luminance * np.minimum(photographic(luminance, 120, peak), 1)
    return shown


@dataclass(frozen=True)
class Device:
    """A simulated playback device and what was built into it.

    Attributes
    ----------
    name, firmware, settings
        As a reviewer would note them.
    tone
        Light in cd/m2, linear BT.2020, to relative light, linear BT.2020.
    saturation
        Gain of the picture control on Cb and Cr.
    bits
        8 or 10 bits that mean something in its 10-bit output.
    late, dropped, repeated
        First source frame that the recording holds, and source frames shown never or twice.
    drive, family, parameters
        The truth, in the words that tonelab uses.
    story
        The same for people.
    """

    name: str
    firmware: str
    tone: Callable[[Array], Array]
    drive: str
    family: str
    parameters: Mapping[str, float]
    story: str
    settings: Mapping[str, str] = field(default_factory=dict)
    saturation: float = 1.0
    bits: int = 10
    late: int = 0
    dropped: tuple[int, ...] = ()
    repeated: tuple[int, ...] = ()

    @property
    def title(self) -> str:
        """Name and firmware."""
        return f"{self.name} {self.firmware}"

    def grey(self, light: float) -> float:
        """Light in cd/m2 that neutral light in cd/m2 becomes on a 100 cd/m2 display."""
        return float(100 * self.tone(np.full((1, 3), light))[0, 1])

    def codes(self, source: NDArray[np.int32]) -> NDArray[np.uint16]:
        """Turn PQ BT.2020 Y'CbCr into BT.709 Y'CbCr, both as 10-bit narrow-range codes (N, 3)."""
        linear = self.tone(pq_to_light(to_rgb(source))) @ TO_709.T
        # The inverse of BT.1886 with a black of 0.
        rgb = np.clip(linear, 0, 1) ** (1 / 2.4)
        luma = rgb @ LUMA_709
        blue, red = (rgb[:, 2] - luma) / 1.8556, (rgb[:, 0] - luma) / 1.5748
        ycbcr = np.stack([luma, blue * self.saturation, red * self.saturation], axis=1)
        codes = (ycbcr * (219, 224, 224) + (16, 128, 128)) * 2 ** (self.bits - 8)
        step = 2 ** (10 - self.bits)
        rounded: NDArray[np.uint16] = (step * np.floor(codes + 0.5)).astype(np.uint16)
        return rounded


def to_rgb(codes: NDArray[np.int32]) -> Array:
    """R'G'B' signals of 10-bit narrow-range BT.2020 Y'CbCr codes (BT.2020-2, tables 4 and 5)."""
    luma, blue, red = ((codes - (64, 512, 512)) / (876, 896, 896)).T
    r, b = luma + 1.4746 * red, luma + 1.8814 * blue
    return np.stack([r, (luma - 0.2627 * r - 0.0593 * b) / 0.6780, b], axis=1)


BRELLUNO = Device(
    name="Brelluno",
    firmware="3.0",
    tone=brelluno,
    drive="per-channel",
    family="bt2390",
    parameters={"source_peak": 1000, "target_peak": 100},
    story="keeps to the book: red, green and blue each go through the roll-off of BT.2390. Shadows "
    "and mid-tones keep their light, and bright colours pale, for each channel meets the ceiling "
    "on its own",
)
QUOSKIMER = Device(
    name="Quoskimer",
    firmware="0.9",
    tone=quoskimer,
    drive="max-rgb",
    family="hable",
    parameters={"white": 80, "peak": 1200, "threshold": 250},
    story="goes for film: colour fades above 250 cd/m2, then the largest of red, green and blue "
    "goes through a filmic curve. Highlights keep their steps and everything else turns dark. Its "
    "recording starts five frames late, misses a frame and holds another twice",
    late=5,
    dropped=(29,),
    repeated=(44,),
)
ORVIMBLE = Device(
    name="Orvimble",
    firmware="1.4",
    tone=partial(orvimble, peak=600),
    drive="luminance",
    family="reinhard-extended",
    parameters={"semi_saturation": 120, "peak": 600, "saturation": 1.06},
    story="lets luminance decide and keeps the proportions of red, green and blue, so colours stay "
    "saturated until they leave BT.709. Its colour control stands at 53 where 50 is neutral, and "
    "its 10-bit output carries 8 bits. Whatever is brighter than 600 cd/m2 is white",
    settings={"colour": "53"},
    saturation=1.06,
    bits=8,
)
ORVIMBLE_UPDATED = replace(
    ORVIMBLE,
    firmware="1.5",
    tone=partial(orvimble, peak=1500),
    parameters={**ORVIMBLE.parameters, "peak": 1500},
    story="is the same device after an update that moves one number: the light that becomes white, "
    "from 600 to 1500 cd/m2",
)
DEVICES = (BRELLUNO, QUOSKIMER, ORVIMBLE, ORVIMBLE_UPDATED)
