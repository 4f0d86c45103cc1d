"""Captures of the chart in memory, clean and with faults that real paths have.

The faults are written with numpy from the definitions of the standards, not with tonelab's own
matrices and curves.
"""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache
from pathlib import Path

import numpy as np
from scipy import ndimage

from tonelab.chart import Layout, chart_metadata, chart_signal, locate, render_planes
from tonelab.checks.run import gather_pair
from tonelab.media import Clip, ClipFormat, Frame
from tonelab.pairing import Pair
from tonelab.results import PairingFacts

RATE = Fraction(24)

# Luma weights: BT.601-7, BT.709-6, BT.2020-2.
WEIGHTS = {601: (0.299, 0.114), 709: (0.2126, 0.0722), 2020: (0.2627, 0.0593)}

# BT.2087-0: linear BT.709 to BT.2020.
BT709_TO_2020 = np.array(
    [[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]]
)


class MemoryClip(Clip):
    """A clip whose pictures are made when they are asked for."""

    def __init__(self, name, picture, frames, signal, subsampling, bits=10, metadata=None):
        height, width = picture(0)[0].shape
        format_ = ClipFormat("memory", "none", width, height, RATE, subsampling, bits)
        super().__init__(Path(name), format_, frames, signal, metadata)
        self.picture = picture

    def frames(self, start=0, stop=None):
        for index in range(self.frame_count)[start:stop]:
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


def matrix(decoded, coded):
    return pointwise(lambda codes: to_codes(to_rgb(codes, decoded), coded))


def levels(luma_gain, black_in, black_out, chroma_gain):
    def change(codes):
        y = (codes[..., :1] - black_in) * luma_gain + black_out
        return np.concatenate([y, (codes[..., 1:] - 512) * chroma_gain + 512], -1)

    return pointwise(change)


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


def gamut(linear):
    return pointwise(
        lambda codes: to_codes(np.clip(pq_signal(pq_light(to_rgb(codes)) @ linear.T), 0, 1))
    )


def each_plane(function):
    return lambda planes: tuple(function(plane) for plane in planes)


def clamp(*limits):
    """Limit each plane to (low, high)."""
    return lambda planes: tuple(np.clip(p, *limit) for p, limit in zip(planes, limits, strict=True))


FREE, Y_ONLY = (0, 1023), (64, 940)


def repeated_bits(plane):
    eight = np.minimum((plane + 2) >> 2, 255)
    return (eight << 2) | (eight >> 6)


def through_rgb8(codes):
    rgb = np.clip(np.floor(to_rgb(codes) * 255 + 0.5), 0, 255) / 255
    return to_codes(rgb)


def sharpen(amount, sigma=0.7):
    def change(plane):
        wide = plane.astype(float)
        return rounded(wide + amount * (wide - ndimage.gaussian_filter(wide, sigma)))

    return lambda planes: (change(planes[0]), *planes[1:])


def blur(sigma):
    return lambda planes: (
        rounded(ndimage.gaussian_filter(planes[0].astype(float), sigma)),
        *planes[1:],
    )


def noise_reduction(planes):
    """Smooth where the contrast is faint, as a coring filter does."""
    wide = planes[0].astype(float)
    smooth = ndimage.gaussian_filter(wide, 1.0)
    return rounded(np.where(np.abs(wide - smooth) < 10, smooth, wide)), *planes[1:]


def moved(dx):
    def change(plane):
        return rounded(ndimage.shift(plane.astype(float), (0, dx), order=3, mode="nearest"))

    return change


def dithered(kind, seed=5):
    """8 bits in a 10-bit container with rectangular dither."""

    def fault(planes, index):
        place = seed if kind == "frozen" else index % 4 if kind == "period 4" else index
        rng = np.random.default_rng(100 + place)
        return tuple(
            np.minimum((p + rng.integers(0, 4, p.shape)) // 4 * 4, 1020).astype(np.uint16)
            for p in planes
        )

    fault.by_frame = True
    return fault


def noisy(planes, index):
    rng = np.random.default_rng(index)
    return tuple(rounded(p + rng.normal(0, 1.0, p.shape)) for p in planes)


noisy.by_frame = True


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


def sited_between(plane):
    """4:2:2 interpolated as though the 4:2:0 rows stood between luma rows (quarter, 3 quarters)."""
    small = plane[::2].astype(float)
    above = np.concatenate([small[:1], small[:-1]])
    below = np.concatenate([small[1:], small[-1:]])
    rows = np.empty(plane.shape)
    rows[::2], rows[1::2] = 0.25 * above + 0.75 * small, 0.75 * small + 0.25 * below
    return rounded(rows)


# Name -> (fault, finding that must be there).
FAULTS = {
    "expanded as RGB": (levels(1023 / 876, 64, 0, 1023 / 876), "levels-narrow-to-full-rgb"),
    "expanded as YCbCr": (levels(1023 / 876, 64, 0, 1023 / 896), "levels-narrow-to-full-ycbcr"),
    "expanded in 8 bits": (levels(255 / 219, 64, 0, 255 / 219), "levels-narrow-to-full-rgb"),
    "compressed as RGB": (levels(876 / 1023, 0, 64, 876 / 1023), "levels-full-to-narrow-rgb"),
    "compressed as YCbCr": (levels(876 / 1023, 0, 64, 896 / 1023), "levels-full-to-narrow-ycbcr"),
    "gain": (controls(contrast=0.97), "levels-luma"),
    "offset": (controls(brightness=3.0), "levels-luma"),
    "1020 of 1023": (
        each_plane(lambda p: rounded(p.astype(float) * 1020 / 1023)),
        "levels-eight-bits-scaled",
    ),
    **{
        f"decoded {a}, coded {b}": (matrix(a, b), "matrix-mixed")
        for a in WEIGHTS
        for b in WEIGHTS
        if a != b
    },
    "709 to 2020 primaries": (gamut(BT709_TO_2020), "gamut-converted"),
    "2020 to 709 primaries": (gamut(np.linalg.inv(BT709_TO_2020)), "gamut-converted"),
    "Cb and Cr exchanged": (lambda p: (p[0], p[2], p[1]), "planes-mixed"),
    "Cb inverted": (lambda p: (p[0], rounded(1024.0 - p[1]), p[2]), "planes-mixed"),
    "Cr inverted": (lambda p: (p[0], p[1], rounded(1024.0 - p[2])), "planes-mixed"),
    "hue +0.3": (controls(hue=0.3), "hue-rotated"),
    "hue -4": (controls(hue=-4.0), "hue-rotated"),
    "saturation +0.3 %": (controls(saturation=1.003), "saturation-changed"),
    "saturation -10 %": (controls(saturation=0.9), "saturation-changed"),
    "black clamp": (clamp((64, 1023), FREE, FREE), "clipping-sub-black"),
    "white clamp": (clamp((0, 940), FREE, FREE), "clipping-super-white"),
    "chroma clamp": (clamp(FREE, (64, 960), (64, 960)), "clipping-chroma"),
    "RGB clip": (pointwise(lambda c: to_codes(np.clip(to_rgb(c), 0, 1))), "clipping-rgb"),
    "8 bits, cut": (each_plane(lambda p: p >> 2 << 2), "depth-eight-bits"),
    "8 bits, rounded": (
        each_plane(lambda p: np.minimum((p + 2) >> 2 << 2, 1020)),
        "depth-eight-bits",
    ),
    "bits repeated": (each_plane(repeated_bits), "depth-bits-repeated"),
    "8-bit RGB": (pointwise(through_rgb8), "depth-rgb-stage"),
    "8 bits then gain": (
        chain(each_plane(lambda p: p >> 2 << 2), controls(contrast=1.013)),
        "depth-levels",
    ),
    "sharpened": (sharpen(0.4), "detail-sharpened"),
    "blurred": (blur(0.6), "detail-blurred"),
    "noise reduced": (noise_reduction, "detail-noise-reduced"),
    "shifted 0.25 px": (each_plane(moved(0.25)), "shift-luma"),
    "lines repeated": (chroma_only(repeated_lines), "chroma-lines-repeated"),
    "sited between rows": (chroma_only(sited_between), "chroma-siting"),
    "chroma half a pixel right": (chroma_only(moved(0.25)), "chroma-horizontal-shift"),
}

CLEAN = {
    "as it is": lambda planes: planes,
    "temporal dither": dithered("temporal"),
    "dither with period 4": dithered("period 4"),
    "frozen dither": dithered("frozen"),
    "sensor noise": noisy,
}


def capture_signal(bits=10):
    return chart_signal(layout_of()).with_fields("declared", bits=bits, transfer="pq")


def source_clip(layout):
    return MemoryClip(
        "chart.mkv",
        lambda n: render_planes(layout, n),
        layout.frame_count,
        chart_signal(layout).with_fields("declared", transfer="pq"),
        "420",
        metadata=chart_metadata(layout),
    )


def capture_clip(layout, fault, bits=10, signal=None):
    by_frame = getattr(fault, "by_frame", False)

    @lru_cache(maxsize=2)
    def page(number):
        return fault(clean(render_planes(layout, number)))

    def picture(index):
        if by_frame:
            planes = fault(clean(render_planes(layout, index)), index)
        else:
            planes = page(index // layout.hold * layout.hold)
        return planes if bits == 10 else tuple((np.minimum(p + 2, 1023) >> 2) for p in planes)

    return MemoryClip(
        "capture.mov", picture, layout.frame_count, signal or capture_signal(bits), "422", bits
    )


def registered(source, capture, layout):
    """The pair as its registration would give it, without reading every mark."""
    geometry = locate(next(iter(source.frames(0, 1))).planes[0], 10)
    matches = np.repeat(np.arange(layout.frame_count)[:, None], 2, axis=1)
    facts = PairingFacts("chart", (1.0, 1.0), (0.0, 0.0), 0.0, 0, len(matches))
    return Pair(source, capture, layout, geometry, geometry, matches, facts, ())


def evidence_of(fault, *, height=540, hold=4, bits=10, signal=None):
    layout = layout_of(height, hold)
    source, capture = source_clip(layout), capture_clip(layout, fault, bits, signal)
    return gather_pair(registered(source, capture, layout))
