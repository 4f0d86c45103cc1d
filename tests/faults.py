"""Captures in memory of the chart and of photographs, clean and with faults that paths have.

The faults are written with numpy from the definitions of the standards, not with tonelab's own
matrices and curves.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from pathlib import Path

import numpy as np
from moving import PQ, moving_planes
from scipy import ndimage

from tonelab.chart import Geometry, Layout, chart_metadata, chart_signal, locate, render_planes
from tonelab.checks.run import gather_pair
from tonelab.media import Clip, ClipFormat, Frame
from tonelab.pairing import Pair
from tonelab.pairing.result import BLOCK
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
    eight = np.clip((plane + 2) >> 2, 1, 254)
    return (eight << 2) | (eight >> 6)


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


def reduced(core):
    """Smooth where the contrast is faint, as a coring filter does."""

    def change(planes):
        wide = planes[0].astype(float)
        smooth = ndimage.gaussian_filter(wide, 1.0)
        return rounded(np.where(np.abs(wide - smooth) < core, smooth, wide)), *planes[1:]

    return change


def moved(dx):
    def change(plane):
        return rounded(ndimage.shift(plane.astype(float), (0, dx), order=3, mode="nearest"))

    return change


def dithered(kind, seed=5):
    """8 bits in a 10-bit container with rectangular dither."""

    def fault(planes, index):
        place = 0 if kind == "frozen" else index % 4 if kind == "period 4" else index
        rng = np.random.default_rng([seed, place])
        return tuple(
            np.clip((p + rng.integers(0, 4, p.shape)) // 4 * 4, 4, 1016).astype(np.uint16)
            for p in planes
        )

    fault.by_frame = True
    return fault


def noisy(seed):
    """White noise of one code."""

    def fault(planes, index):
        rng = np.random.default_rng([seed, index])
        return tuple(np.clip(rounded(p + rng.normal(0, 1.0, p.shape)), 4, 1019) for p in planes)

    fault.by_frame = True
    return fault


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


def contrast(amount):
    """Drive places away from the mean of their wide surroundings."""

    def change(planes):
        wide = planes[0].astype(float)
        around = ndimage.uniform_filter(wide, 80)
        return rounded(wide + amount * (wide - around)), *planes[1:]

    return change


def by_hue(amount):
    """Saturation that changes with hue, strongest along +Cr."""

    def change(codes):
        y, u, v = codes[..., 0], codes[..., 1] - 512, codes[..., 2] - 512
        size = np.maximum(np.hypot(u, v), 1e-9)
        gain = 1 + amount * np.maximum(v / size, 0)
        return np.stack([y, gain * u + 512, gain * v + 512], -1)

    return pointwise(change)


def luma_only(function):
    return lambda planes: (function(planes[0]), *planes[1:])


def plateau(width, start=300):
    """Send a run of codes to its first."""
    return luma_only(lambda y: np.where((y > start) & (y < start + width), start, y).astype("u2"))


def crushed(width):
    """Lose the codes just above black, and those alone."""
    return luma_only(lambda y: np.where((y > 64) & (y < 64 + width), 64, y).astype("u2"))


def coarser(bits):
    """Round to fewer bits."""
    step = 2 ** (10 - bits)
    return each_plane(
        lambda p: np.clip((p + step // 2) // step * step, step, 1024 - 2 * step).astype("u2")
    )


def through_rgb(bits, start=0.0):
    """R'G'B' stage of some bits, full range, or narrow where it starts above zero."""
    top = 2**bits - 1
    low, span = (0, top) if not start else (16 * 2 ** (bits - 8), 219 * 2 ** (bits - 8))

    def change(codes):
        stage = np.clip(np.floor(to_rgb(codes) * span + low + 0.5), 0, top)
        return to_codes((stage - low) / span)

    return pointwise(change)


def reserved(every):
    """Put a reserved code in place of each so many samples."""

    def change(plane):
        plane = plane.copy()
        plane.flat[::every] = 1
        return plane

    return luma_only(change)


def biased(shift):
    """Dither whose mean is off."""
    base = dithered("temporal")

    def fault(planes, index):
        y, *chroma = base(planes, index)
        return np.clip(y + shift, 4, 1019).astype(np.uint16), *chroma

    fault.by_frame = True
    return fault


def by_scene(amount, hold=4):
    """Gain that differs from page to page, or from shot to shot."""
    gains = (1.0, 1 - amount, 1 - amount / 2)

    def fault(planes, index):
        return controls(contrast=gains[index // hold % 3])(planes)

    fault.by_frame = True
    return fault


@dataclass(frozen=True)
class Fault:
    """A fault at three sizes, or at one; the finding it deserves, and others that are true too.

    ``wanted`` may name several that are equally right, with a bar between them.
    """

    wanted: str
    sizes: tuple
    also: tuple[str, ...] = ()
    chart_only: bool = False


RANGE = ("black-", "legal-codes", "clipping-", "steps-lost", "depth-")
COARSE = ("steps-", "levels-tint", "depth-", "black-codes-lost", "levels-eight-bits-scaled")
MOVED = ("detail-blurred", "shift-", "chroma-", "legal-codes")


LOCAL = ("mapping-", "levels-luma", "black-", "clipping-", "dither-biased", "steps-", "detail-")


def one(wanted, fault, *also, **options):
    return Fault(wanted, (fault,) * 3, also, **options)


def three(wanted, make, sizes, *also, **options):
    return Fault(wanted, tuple(map(make, sizes)), also, **options)


def clamps(plane_limits):
    return [clamp(*limits) for limits in plane_limits]


FAULTS = {
    "expanded as RGB": one(
        "levels-narrow-to-full-rgb", levels(1023 / 876, 64, 0, 1023 / 876), *RANGE
    ),
    "expanded as YCbCr": one(
        "levels-narrow-to-full-ycbcr", levels(1023 / 876, 64, 0, 1023 / 896), *RANGE
    ),
    "expanded in 8 bits": one(
        "levels-narrow-to-full-rgb", levels(255 / 219, 64, 0, 255 / 219), *RANGE
    ),
    "compressed as RGB": one(
        "levels-full-to-narrow-rgb", levels(876 / 1023, 0, 64, 876 / 1023), *RANGE
    ),
    "compressed as YCbCr": one(
        "levels-full-to-narrow-ycbcr", levels(876 / 1023, 0, 64, 896 / 1023), *RANGE
    ),
    "gain": three("levels-luma", lambda v: controls(contrast=v), (0.997, 0.98, 0.93), *RANGE),
    "offset": three(
        "levels-luma", lambda v: controls(brightness=v), (1, 3, 12), "black-", "legal-codes"
    ),
    "black lift": three(
        "black-lifted",
        lambda v: levels(1 - v / 876, 64, 64 + v, 1),
        (3, 8, 24),
        "levels-luma",
        "steps-lost",
        "depth-levels",
    ),
    "1020 of 1023": one(
        "levels-eight-bits-scaled", each_plane(lambda p: rounded(p.astype(float) * 1020 / 1023))
    ),
    **{
        f"decoded {a}, coded {b}": one("matrix-mixed", matrix(a, b), "legal-codes")
        for a in WEIGHTS
        for b in WEIGHTS
        if a != b
    },
    "709 to 2020 primaries": one("gamut-converted", gamut(BT709_TO_2020)),
    "2020 to 709 primaries": one("gamut-converted", gamut(np.linalg.inv(BT709_TO_2020))),
    "Cb and Cr exchanged": one("planes-mixed", lambda p: (p[0], p[2], p[1])),
    "Cb inverted": one(
        "planes-mixed", lambda p: (p[0], rounded(1024.0 - p[1]), p[2]), "legal-codes"
    ),
    "Cr inverted": one(
        "planes-mixed", lambda p: (p[0], p[1], rounded(1024.0 - p[2])), "legal-codes"
    ),
    "hue": three("hue-rotated", lambda v: controls(hue=v), (0.3, -1.0, 4.0), "legal-codes"),
    "saturation": three(
        "saturation-changed", lambda v: controls(saturation=v), (1.004, 0.98, 0.9), "legal-codes"
    ),
    "saturation by hue": three(
        "saturation-by-hue", by_hue, (0.01, -0.04, -0.15), "legal-codes", "saturation-changed"
    ),
    "black clamp": three(
        "clipping-sub-black", lambda v: clamp((v, 1023), FREE, FREE), (40, 56, 64), chart_only=True
    ),
    "white clamp": three(
        "clipping-super-white",
        lambda v: clamp((0, v), FREE, FREE),
        (1000, 970, 940),
        chart_only=True,
    ),
    "chroma clamp": three(
        "clipping-chroma",
        lambda v: clamp(FREE, (v, 1024 - v), (v, 1024 - v)),
        (30, 50, 64),
        chart_only=True,
    ),
    "RGB clip": one(
        "clipping-rgb", pointwise(lambda c: to_codes(np.clip(to_rgb(c), 0, 1))), chart_only=True
    ),
    "fewer bits": three("depth-", coarser, (9, 8, 7), *COARSE),
    "8 bits, cut": one(
        "depth-eight-bits", each_plane(lambda p: np.maximum(p >> 2 << 2, 4)), *COARSE
    ),
    "bits repeated": one(
        "depth-bits-repeated",
        each_plane(repeated_bits),
        *COARSE,
        "levels-bits-replicated",
        "clipping-",
    ),
    "RGB stage": three(
        "depth-rgb-stage",
        lambda v: through_rgb(*v),
        ((9,), (8,), (8, 16)),
        *COARSE,
        "clipping-",
        "legal-codes",
    ),
    "8 bits then gain": one(
        "depth-levels",
        chain(coarser(8), controls(contrast=1.013)),
        *COARSE,
        "levels-luma",
        "legal-codes",
        "clipping-super-white",
    ),
    "plateau": three("steps-plateau", plateau, (3, 6, 24), "steps-lost"),
    "near-black loss": three("black-codes-lost", crushed, (3, 8, 24), "steps-"),
    "biased dither": three(
        "dither-biased", biased, (0.5, 1, 3), "levels-luma", "black-lifted", "clipping-super-white"
    ),
    "reserved codes": three("legal-codes", reserved, (100_000, 10_000, 500), "overlay-static"),
    "sharpened": three("detail-sharpened", sharpen, (0.08, 0.25, 0.8), "legal-codes"),
    "blurred": three("detail-blurred", blur, (0.3, 0.45, 0.8)),
    "noise reduced": three("detail-noise-reduced", reduced, (3, 8, 14), "detail-blurred"),
    "local contrast": three(
        "contrast-local|mapping-local",
        contrast,
        (0.03, 0.1, 0.3),
        "legal-codes",
        *LOCAL,
        "shift-luma",
    ),
    "shifted": three("shift-luma", lambda v: each_plane(moved(v)), (0.1, 0.25, 0.4), *MOVED),
    "chroma shifted": three(
        "chroma-horizontal-shift", lambda v: chroma_only(moved(v)), (0.1, 0.25, 0.5), *MOVED
    ),
    "lines repeated": one("chroma-lines-repeated", chroma_only(repeated_lines)),
    "sited between rows": one("chroma-siting", chroma_only(sited_between)),
    "gain by scene": three("mapping-", by_scene, (0.01, 0.03, 0.1), *LOCAL, chart_only=True),
}

CLEAN = {
    "as it is": lambda seed: lambda planes: planes,
    "temporal dither": lambda seed: dithered("temporal", seed),
    "dither with period 4": lambda seed: dithered("period 4", seed),
    "frozen dither": lambda seed: dithered("frozen", seed),
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
        return planes if bits == 10 else eight_bits(planes)

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


SHOT, SHOTS, SIZE = 6, 4, (960, 540)
SITED = PQ.with_fields("declared", siting="topleft")


@lru_cache(maxsize=SHOT * SHOTS)
def natural(index):
    return moving_planes(index, shot=SHOT, size=SIZE, speed=4.0)


def natural_evidence(fault, *, bits=10, signal=None):
    """Evidence of photographs seen through a wandering window."""
    by_frame = getattr(fault, "by_frame", False)
    frames = SHOT * SHOTS
    width, height = SIZE

    @lru_cache(maxsize=2)
    def captured(index):
        planes = clean(natural(index))
        planes = fault(planes, index) if by_frame else fault(planes)
        return planes if bits == 10 else eight_bits(planes)

    source = MemoryClip("film.mkv", natural, frames, SITED, "420")
    capture = MemoryClip(
        "capture.mov",
        captured,
        frames,
        signal or SITED.with_fields("declared", bits=bits),
        "422",
        bits,
    )
    blocks = np.ones((-(-height // BLOCK), -(-width // BLOCK)), bool)
    whole = Geometry((1.0, 1.0), (0.0, 0.0), SIZE)
    pair = Pair(
        source,
        capture,
        None,
        whole,
        whole,
        np.repeat(np.arange(frames)[:, None], 2, axis=1),
        PairingFacts("content", (1.0, 1.0), (0.0, 0.0), 0.0, 0, frames),
        (),
        usable=blocks,
        shots=np.arange(0, frames, SHOT),
    )
    return gather_pair(pair)


def eight_bits(planes):
    return tuple(np.minimum(p + 2, 1023) >> 2 for p in planes)
