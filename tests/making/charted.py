"""Captures of the chart in memory, clean and with faults that paths have.

The faults are written with numpy from the definitions of the standards, not with tonelab's own
matrices and curves.
"""

from __future__ import annotations

from fractions import Fraction
from functools import cache, lru_cache
from pathlib import Path

import numpy as np
from scipy import ndimage

from tonelab.chart import Layout, chart_metadata, chart_signal, locate, render_planes
from tonelab.checks.run import gather_pair
from tonelab.media import Clip, ClipFormat, Frame
from tonelab.pairing import Pair
from tonelab.results import PairingFacts

RATE = Fraction(24)
KEPT = 80  # pictures of a clip; a chart of 540 lines has 72 of 2 MB each at most

# Luma weights: BT.601-7, BT.709-6, BT.2020-2.
WEIGHTS = {601: (0.299, 0.114), 709: (0.2126, 0.0722), 2020: (0.2627, 0.0593)}

# BT.2087-0: linear BT.709 to BT.2020.
BT709_TO_2020 = np.array(
    [[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]]
)


class MemoryClip(Clip):
    """A clip whose pictures are made when they are first asked for, and kept.

    ``keep`` is False for pictures that come out otherwise each time.
    """

    def __init__(
        self, name, picture, frames, signal, subsampling, bits=10, metadata=None, keep=True,
        rate=RATE,
    ):  # fmt: skip
        self.picture = lru_cache(maxsize=KEPT)(picture) if keep else picture
        height, width = self.picture(0)[0].shape
        format_ = ClipFormat("memory", "none", width, height, rate, subsampling, bits)
        super().__init__(Path(name), format_, frames, signal, metadata)

    def frames(self, start=0, stop=None):
        for index in range(self.frame_count)[start:stop]:
            yield Frame(index, self.picture(index))

    def pick(self, indices):
        for index in map(int, indices):
            yield Frame(index, self.picture(index))


@lru_cache(maxsize=4)
def layout_of(height=540, hold=4):
    return Layout.create("quick", height * 16 // 9, height, "pq", 1000, hold=hold)


def upsampled(plane):
    """4:2:0 to 4:2:2 for chroma on every other luma row: halves between them (BT.2100 siting)."""
    below = np.concatenate([plane[1:], plane[-1:]]).astype(np.int64)
    rows = np.empty((2 * len(plane), plane.shape[1]), np.uint16)
    rows[::2], rows[1::2] = plane, (plane + below + 1) // 2
    return rows


def clean(planes):
    """4:2:2 as a faithful device sends it."""
    return planes[0], upsampled(planes[1]), upsampled(planes[2])


def between_rows(plane):
    """4:2:0 to 4:2:2 for chroma between two luma rows: a quarter of the row beyond (BT.601-7)."""
    wide = plane.astype(float)
    above, below = (wide[np.r_[:1, : len(wide) - 1]], wide[np.r_[1 : len(wide), -1]])
    rows = np.empty((2 * len(wide), wide.shape[1]))
    rows[::2], rows[1::2] = (3 * wide + above) / 4, (3 * wide + below) / 4
    return rows


def sent(layout, frame):
    """Render a frame of a chart as a faithful device sends it: 4:2:2 of 10 bits."""
    planes = render_planes(layout, frame)
    if layout.is_hdr:
        return clean(planes)
    y, cb, cr = (plane << np.uint16(10 - layout.bits) for plane in planes)
    return y, rounded(between_rows(cb)), rounded(between_rows(cr))


def rounded(plane, top=1023):
    return np.clip(np.floor(np.asarray(plane) + 0.5), 0, top).astype(np.uint16)


def pointwise(function):
    """Apply a function of (..., 3) codes to 4:2:2 planes; chroma from the co-sited luma."""

    def fault(planes):
        y, cb, cr = planes
        full = np.stack([y, cb.repeat(2, axis=1), cr.repeat(2, axis=1)], -1).astype(float)
        out = rounded(function(full))
        return out[..., 0], out[:, ::2, 1], out[:, ::2, 2]

    return fault


def to_rgb(codes, weights=2020):
    """Narrow 10-bit Y'CbCr codes to R'G'B' by the printed equations of the standards."""
    kr, kb = WEIGHTS[weights]
    y = (codes[..., 0] - 64) / 876
    cb, cr = (codes[..., 1] - 512) / 896, (codes[..., 2] - 512) / 896
    r, b = y + 2 * (1 - kr) * cr, y + 2 * (1 - kb) * cb
    g = (y - kr * r - kb * b) / (1 - kr - kb)
    return np.stack([r, g, b], -1)


def to_codes(rgb, weights=2020):
    kr, kb = WEIGHTS[weights]
    r, g, b = np.moveaxis(rgb, -1, 0)
    y = kr * r + (1 - kr - kb) * g + kb * b
    cb, cr = (b - y) / (2 * (1 - kb)), (r - y) / (2 * (1 - kr))
    return np.stack([64 + 876 * y, 512 + 896 * cb, 512 + 896 * cr], -1)


def controls(contrast=1.0, brightness=0.0, saturation=1.0, hue=0.0):
    turn = np.radians(hue)

    def change(codes):
        y, u, v = codes[..., 0] - 64, codes[..., 1] - 512, codes[..., 2] - 512
        u2 = saturation * (np.cos(turn) * u - np.sin(turn) * v)
        v2 = saturation * (np.sin(turn) * u + np.cos(turn) * v)
        return np.stack([contrast * y + brightness + 64, u2 + 512, v2 + 512], -1)

    return pointwise(change)


def pq_light(signal):
    """SMPTE ST 2084."""
    power = np.clip(signal, 0, 1) ** (1 / 78.84375)
    return (np.maximum(power - 0.8359375, 0) / (18.8515625 - 18.6875 * power)) ** (
        1 / 0.1593017578125
    )


def pq_signal(light):
    power = np.maximum(light, 0) ** 0.1593017578125
    return ((0.8359375 + 18.8515625 * power) / (1 + 18.6875 * power)) ** 78.84375


def each_plane(function):
    return lambda planes: tuple(function(plane) for plane in planes)


def sharpen(amount, sigma=0.7):
    def change(plane):
        wide = plane.astype(float)
        return rounded(wide + amount * (wide - ndimage.gaussian_filter(wide, sigma)))

    return lambda planes: (change(planes[0]), *planes[1:])


def chroma_only(function):
    return lambda planes: (planes[0], function(planes[1]), function(planes[2]))


def chain(*faults):
    def fault(planes, index=0):
        for one in faults:
            planes = one(planes, index) if getattr(one, "by_frame", False) else one(planes)
        return planes

    fault.by_frame = any(getattr(one, "by_frame", False) for one in faults)
    return fault


def repeated_lines(plane):
    return plane[::2].repeat(2, axis=0)


def capture_signal(bits=10, layout=None):
    drawn = chart_signal(layout or layout_of())
    return drawn.with_fields("declared", bits=bits, transfer=drawn.transfer)


def source_clip(layout):
    return MemoryClip(
        "chart.mkv",
        lambda n: render_planes(layout, n),
        layout.frame_count,
        capture_signal(layout.bits, layout),
        "420",
        layout.bits,
        metadata=chart_metadata(layout),
    )


def capture_clip(layout, fault, bits=10, signal=None):
    by_frame = getattr(fault, "by_frame", False)

    @cache
    def page(number):
        return fault(sent(layout, number))

    def picture(index):
        if by_frame:
            planes = fault(sent(layout, index), index)
        else:
            planes = page(index // layout.hold * layout.hold)
        return planes if bits == 10 else eight_bits(planes)

    return MemoryClip(
        "capture.mov",
        picture,
        layout.frame_count,
        signal or capture_signal(bits, layout),
        "422",
        bits,
    )


def registered(source, capture, layout):
    """The pair as its registration would give it, without reading every mark."""
    geometry = locate(next(iter(source.frames(0, 1))).planes[0], source.bits)
    matches = np.repeat(np.arange(layout.frame_count)[:, None], 2, axis=1)
    facts = PairingFacts("chart", (1.0, 1.0), (0.0, 0.0), 0.0, 0, len(matches))
    return Pair(source, capture, layout, geometry, geometry, matches, facts, ())


def evidence_of(fault, *, height=540, hold=4, bits=10, signal=None, layout=None):
    layout = layout or layout_of(height, hold)
    source, capture = source_clip(layout), capture_clip(layout, fault, bits, signal)
    return gather_pair(registered(source, capture, layout))


def eight_bits(planes):
    return tuple(np.minimum(p + 2, 1023) >> 2 for p in planes)
