"""Moving HDR clips made of photographs, for tests of pairing without the chart.

The photographs come with scikit-image. Their 8-bit BT.709 values are expanded to 1000 cd/m2 by a
plain power law, coded as BT.2020 PQ, and shown through a window that wanders and fades.
"""

from __future__ import annotations

from functools import cache, lru_cache

import numpy as np
import skimage.data
from skimage.transform import resize

from tonelab.signal.colorimetry import matrix_rgb_to_rgb, rgb_to_ycbcr
from tonelab.signal.description import Signal
from tonelab.signal.quantisation import quantise, ycbcr_to_codes
from tonelab.signal.transfer import eotf_inverse_pq

PQ = Signal("bt2020", "narrow", "pq", "bt2020").with_fields("declared", transfer="pq")
SDR = Signal().with_fields("declared", transfer="bt1886")
COLOUR = ("astronaut", "coffee", "chelsea", "rocket")
PEAK = 1000.0  # cd/m2


@cache
def light(name, height=480):
    """Photograph as linear BT.2020 light, cd/m2, of a given height, at least 1.6 times as wide."""
    picture = np.asarray(getattr(skimage.data, name)(), float)
    if picture.max() > 1:
        picture = picture / 255
    width = max(round(height * picture.shape[1] / picture.shape[0]), round(1.6 * height))
    # One by one, as splines across the channels take most of the time and change nothing.
    channels = np.moveaxis(np.atleast_3d(picture), -1, 0)
    large = [resize(channel, (height, width), order=3, clip=False) for channel in channels]
    signal = np.clip(np.stack(large * (3 // len(large)), -1), picture.min(), picture.max())
    return (PEAK * signal**3.0) @ matrix_rgb_to_rgb("bt709", "bt2020").T


@lru_cache(maxsize=4)
def coded(name, height):
    """Real-valued codes of a whole photograph; most frames of a shot are cut out of them."""
    return codes(light(name, height))


def codes(light):
    """PQ codes of light (..., 3), real-valued."""
    signal = rgb_to_ycbcr(eotf_inverse_pq(np.maximum(light, 0)), "bt2020")
    return ycbcr_to_codes(signal, 10, "narrow")


def planes_420(picture):
    """4:2:0 planes of real-valued codes (height, width, 3)."""
    luma = quantise(picture[..., 0], 10)
    height, width = luma.shape
    chroma = picture[..., 1:].reshape(height // 2, 2, width // 2, 2, 2).mean(axis=(1, 3))
    return luma, quantise(chroma[..., 0], 10), quantise(chroma[..., 1], 10)


def window(name, frame, size=(480, 270), gain=1.0, speed=1.0, zoom=1.5):
    """Real-valued codes (height, width, 3) seen through the wandering window at a frame."""
    height = round(zoom * size[1])
    whole = coded(name, height) if gain == 1 else light(name, height)
    room = np.array(whole.shape[:2]) - (size[1], size[0])
    phase = speed * frame / 24
    way = 0.5 + 0.5 * np.array([np.sin(1.3 * phase + 1), np.cos(1.9 * phase)])
    top, left = np.round(way * room).astype(int)
    shown = whole[top : top + size[1], left : left + size[0]]
    return shown if gain == 1 else codes(gain * shown)


def moving_frame(frame, names=COLOUR, shot=24, size=(480, 270), **options):
    """Real-valued codes of a frame of a clip: one shot of ``shot`` frames for each photograph.

    The last quarter of each second shot fades down in eight steps.
    """
    number = frame // shot
    into = frame % shot
    gain = 1.0
    if number % 2 and into >= 3 * shot // 4:
        gain = 1 - np.floor(8 * (into - 3 * shot // 4) / (shot / 4)) / 10
    return window(names[number % len(names)], frame, size, gain, **options)


def moving_planes(frame, **options):
    """4:2:0 planes of `moving_frame`."""
    return planes_420(moving_frame(frame, **options))


def simple_device(planes):
    """SDR 4:2:2 planes of 4:2:0 HDR planes: a luma curve, chroma weakened."""
    luma, *chroma = planes
    every = np.arange(1024.0)
    x = np.clip((every - 64) / 650, 0, None)
    mapped = quantise(64 + 876 * np.minimum(1.25 * x**1.3 / (0.25 + x**1.3), 1.0), 10)
    weak = quantise(512 + 0.7 * (every - 512), 10)
    return mapped[luma], *(weak[np.repeat(plane, 2, axis=0)] for plane in chroma)
