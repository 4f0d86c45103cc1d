"""Faults of playback paths, to be put into clean captures: each in three sizes.

Written from the definitions of the standards and from what such faults are, without a look at how
the checks find them. A `Recording` says what happened to a capture; faults add to it, so that
several can be put into one.
"""

from __future__ import annotations

from collections.abc import Callable  # noqa: TC003
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import numpy as np
from charted import (
    BT709_TO_2020,
    WEIGHTS,
    pointwise,
    pq_light,
    pq_signal,
    rounded,
    to_codes,
    to_rgb,
)
from scipy import ndimage

Planes = tuple[np.ndarray, np.ndarray, np.ndarray]
SIZES = ("small", "middle", "large")
PASS, SDR = ("chart", "natural"), ("chart-sdr", "natural-sdr")
ANY = PASS + SDR
LEGAL = (4, 1019)  # codes that BT.2100 leaves to video
FOLLOWS_LEVELS = ("clipping", "legal-codes", "steps-lost", "depth-levels", "black", "labels")


@dataclass(frozen=True)
class Recording:
    """What happened between the source and the recorded planes.

    Attributes
    ----------
    steps
        Called in turn with (planes, index of the captured frame).
    frames
        Called with the number of source frames: which two frames make each captured one, and the
        share of the second. None: all in order.
    declared
        Fields of the capture's signal that its file gets wrong.
    light
        Factor on the content light level that the source declares.
    unsteady
        Samples that come out otherwise each time they are decoded.
    reframed
        Whether time or place is disturbed, so that only the whole registration will do.
    """

    steps: tuple[Callable[[Planes, int], Planes], ...] = ()
    frames: Callable[[int], list[tuple[int, int, float]]] | None = None
    declared: dict[str, Any] = field(default_factory=dict)
    light: float = 1.0
    unsteady: int = 0
    reframed: bool = False
    halved: str | None = None


@dataclass(frozen=True)
class Injury:
    """A fault, what its finding may be called, what else follows from it, and where it shows.

    ``parameters`` are its sizes from small to large; ``says`` are patterns that the text of the
    finding must match, one for all sizes or one for each.
    """

    inflict: Callable[[Recording, Any], Recording]
    parameters: tuple[Any, Any, Any]
    named: tuple[str, ...]
    says: str | tuple[str, str, str] = ""
    also: tuple[str, ...] = ()
    on: tuple[str, ...] = PASS

    def pattern(self, size: int) -> str:
        return self.says if isinstance(self.says, str) else self.says[size]


def on_planes(function: Callable[..., Planes], *, reframed: bool = False) -> Callable[..., Any]:
    """Make a fault of a function of (planes, parameter, index)."""

    def inflict(recording: Recording, parameter: Any) -> Recording:
        def step(planes: Planes, index: int) -> Planes:
            return function(planes, parameter, index)

        return replace(
            recording,
            steps=(*recording.steps, step),
            reframed=recording.reframed or reframed,
        )

    return inflict


def on_codes(function: Callable[..., np.ndarray]) -> Callable[..., Any]:
    """Make a fault of a function of ((..., 3) codes, parameter)."""
    return on_planes(lambda planes, p, _: pointwise(lambda codes: function(codes, p))(planes))


def on_luma(function: Callable[..., np.ndarray]) -> Callable[..., Any]:
    """Make a fault of a function of (luma as float, parameter)."""
    return on_planes(
        lambda planes, p, _: (rounded(function(planes[0].astype(float), p)), *planes[1:])
    )


def on_chroma(function: Callable[..., np.ndarray]) -> Callable[..., Any]:
    return on_planes(
        lambda planes, p, _: (
            planes[0],
            *(np.clip(rounded(function(plane.astype(float), p)), *LEGAL) for plane in planes[1:]),
        )
    )


def on_each(function: Callable[..., np.ndarray]) -> Callable[..., Any]:
    return on_planes(lambda planes, p, _: tuple(function(plane, p) for plane in planes))


# Levels, on codes less black and neutral.


def stretched(codes: np.ndarray, how: tuple[str, str, int]) -> np.ndarray:
    """Narrow taken for full range or the reverse, as R'G'B' or Y'CbCr, in 8 or 10 bits."""
    way, stage, bits = how
    top = 2**bits - 1
    luma, chroma = (219 << bits - 8) / top, (224 << bits - 8) / top
    if stage == "rgb":
        chroma = luma
    black = 64.0
    y, c = codes[..., :1], codes[..., 1:] - 512
    if way == "expanded":
        return np.concatenate([(y - black) / luma, c / chroma + 512], -1)
    return np.concatenate([y * luma + black, c * chroma + 512], -1)


def gained(codes: np.ndarray, gain: float) -> np.ndarray:
    """Contrast about black that leaves chroma alone."""
    return np.concatenate([(codes[..., :1] - 64) * gain + 64, codes[..., 1:]], -1)


def tinted(codes: np.ndarray, offset: float) -> np.ndarray:
    return codes + np.array([0, offset, -0.5 * offset])


def turned(codes: np.ndarray, degrees: float) -> np.ndarray:
    z = (codes[..., 1] - 512 + 1j * (codes[..., 2] - 512)) * np.exp(1j * np.radians(degrees))
    return np.stack([codes[..., 0], z.real + 512, z.imag + 512], -1)


def saturated(codes: np.ndarray, gain: float) -> np.ndarray:
    return np.concatenate([codes[..., :1], (codes[..., 1:] - 512) * gain + 512], -1)


def saturated_by_hue(codes: np.ndarray, amount: float) -> np.ndarray:
    """A colour control for one hue, 110 degrees, that fades over 60 degrees to either side."""
    z = codes[..., 1] - 512 + 1j * (codes[..., 2] - 512)
    away = np.angle(z * np.exp(-1j * np.radians(110)), deg=True)
    z = z * (1 + amount * np.cos(np.radians(np.minimum(np.abs(away), 60) * 1.5)) ** 2)
    return np.stack([codes[..., 0], z.real + 512, z.imag + 512], -1)


def recoded(codes: np.ndarray, ways: tuple[int, int]) -> np.ndarray:
    return to_codes(to_rgb(codes, ways[0]), ways[1])


P3_TO_2020 = np.array(  # from the chromaticities of SMPTE ST 432-1 and BT.2020
    [[0.7538, 0.1986, 0.0476], [0.0457, 0.9418, 0.0125], [-0.0012, 0.0176, 0.9836]]
)
GAMUTS = {
    "709 to 2020": BT709_TO_2020,
    "2020 to 709": np.linalg.inv(BT709_TO_2020),
    "P3 to 2020": P3_TO_2020,
    "2020 to P3": np.linalg.inv(P3_TO_2020),
}


def converted(codes: np.ndarray, way: str) -> np.ndarray:
    light = pq_light(to_rgb(codes)) @ GAMUTS[way].T
    return to_codes(np.clip(pq_signal(light), 0, 1))


def exchanged(planes: Planes, how: str, _: int) -> Planes:
    y, cb, cr = planes
    minus = {"Cb": (rounded(1024.0 - cb), cr), "Cr": (cb, rounded(1024.0 - cr))}
    return y, *minus.get(how, (cr, cb))


# Range and depth.


def limited(planes: Planes, limits: tuple[int, int, int, int], _: int) -> Planes:
    low, high, chroma_low, chroma_high = limits
    return (
        np.clip(planes[0], low, high),
        *(np.clip(p, chroma_low, chroma_high) for p in planes[1:]),
    )


def boxed(codes: np.ndarray, top: float) -> np.ndarray:
    """Clip R'G'B' as a stage without head room does."""
    return to_codes(np.clip(to_rgb(codes), 0, top))


def rounded_to(plane: np.ndarray, bits: int) -> np.ndarray:
    step = 1 << 10 - bits
    return np.minimum((plane + step // 2) // step * step, 1024 - step).astype(np.uint16)


def cut_to(plane: np.ndarray, bits: int) -> np.ndarray:
    return plane >> 10 - bits << 10 - bits


def repeated_bits(planes: Planes, how: tuple[int, int], _: int) -> Planes:
    """Cut or round some planes to 8 bits and repeat their highest bits below."""
    add, count = how
    short = [np.minimum((plane + add) >> 2, 255) for plane in planes]
    return tuple(
        (cut << 2 | cut >> 6).astype(np.uint16) if n < count else plane
        for n, (plane, cut) in enumerate(zip(planes, short, strict=True))
    )


def through_rgb(codes: np.ndarray, stage: tuple[int, bool]) -> np.ndarray:
    bits, narrow = stage
    span, black = ((219 << bits - 8), 16 << bits - 8) if narrow else ((1 << bits) - 1, 0)
    rgb = np.floor(to_rgb(codes) * span + black + 0.5)
    return to_codes((np.clip(rgb, 0, (1 << bits) - 1) - black) / span)


def dithered(planes: Planes, how: tuple[str, int, float], index: int) -> Planes:
    """Fewer bits by rectangular dither; a bias in 10-bit codes moves its mean."""
    kind, bits, bias = how
    step = 1 << 10 - bits
    seed = {"frozen": 0, "period 4": index % 4, "period 2": index % 2}.get(kind, index)
    generator = np.random.default_rng((77, seed))
    return tuple(
        np.clip((p + bias + generator.random(p.shape) * step) // step * step, 0, 1023).astype(
            np.uint16
        )
        for p in planes
    )


def coarse_between(y: np.ndarray, step: int) -> np.ndarray:
    """Lose steps of a gradient between two codes only."""
    return np.where((y > 256) & (y < 512), (y // step) * step, y)


def plateau(y: np.ndarray, run: int) -> np.ndarray:
    """Let one run of codes arrive as one."""
    return np.where((y >= 400) & (y < 400 + run), 400, y)


# Pictures: siting, filters, place.


def vertical(plane: np.ndarray, shift: float) -> np.ndarray:
    return horizontal(plane.T, shift).T


def horizontal(plane: np.ndarray, shift: float) -> np.ndarray:
    """Move to the right by part of a sample, through the four taps of Keys 1981."""
    x = np.array([1 + shift, shift, 1 - shift, 2 - shift])
    near, far = 1.5 * x**3 - 2.5 * x**2 + 1, -0.5 * x**3 + 2.5 * x**2 - 4 * x + 2
    taps = np.where(x < 1, near, far)[::-1]
    return ndimage.correlate1d(plane, np.append(taps, 0), axis=1, mode="nearest")


def softened(plane: np.ndarray, weight: float) -> np.ndarray:
    """Low-pass chroma along rows: weight, 1 - 2 weight, weight."""
    return ndimage.correlate1d(plane, [weight, 1 - 2 * weight, weight], axis=1, mode="nearest")


def rows_twice(plane: np.ndarray, share: float) -> np.ndarray:
    """Repeat chroma rows in place of interpolating them, in part or wholly."""
    return (1 - share) * plane + share * plane[::2].repeat(2, axis=0)


def sharpened(y: np.ndarray, amount: float) -> np.ndarray:
    return np.clip(y + amount * (y - ndimage.gaussian_filter(y, 0.8)), *LEGAL)


def denoised(y: np.ndarray, most: float) -> np.ndarray:
    """Smooth what differs little from its neighbourhood."""
    smooth = ndimage.gaussian_filter(y, 1.2)
    return np.where(np.abs(y - smooth) < most, smooth, y)


@lru_cache(maxsize=8)
def wide_gaussian(length: int, sigma: float) -> np.ndarray:
    """SciPy's Gaussian along one axis as a matrix: faster than as a filter where it is wide."""
    return ndimage.gaussian_filter1d(np.eye(length), sigma, axis=0)


def local_contrast(y: np.ndarray, amount: float) -> np.ndarray:
    down, across = (wide_gaussian(length, len(y) / 20) for length in y.shape)
    return np.clip(y + amount * (y - down @ y @ across.T), *LEGAL)


def enlarged(planes: Planes, share: float, _: int) -> Planes:
    """Show the middle of the picture over the whole of it, as overscan does."""

    def zoom(plane: np.ndarray) -> np.ndarray:
        size = np.array(plane.shape)
        middle = (size - 1) / 2
        keep = 1 - share
        large = ndimage.affine_transform(
            plane.astype(float), [keep, keep], middle - keep * middle, order=3, mode="nearest"
        )
        return np.clip(rounded(large), *LEGAL)

    return tuple(zoom(plane) for plane in planes)


def moved(planes: Planes, pixels: int, _: int) -> Planes:
    """Move the whole picture to the right by an even number of luma pixels."""
    y, cb, cr = planes
    return np.roll(y, pixels, 1), np.roll(cb, pixels // 2, 1), np.roll(cr, pixels // 2, 1)


def halved(recording: Recording, kernel: str) -> Recording:
    return replace(recording, halved=kernel, reframed=True)


def covered(planes: Planes, share: float, _: int) -> Planes:
    """Lay a flat bar with a rim, of a share of the height, over the lower left."""
    y, cb, cr = (plane.copy() for plane in planes)
    height = max(4, round(len(y) * share) // 2 * 2)
    top, left = round(len(y) * 0.62) // 2 * 2, round(y.shape[1] * 0.12) // 2 * 2
    area, inner = (
        (slice(top + n, top + height - n), slice(left + n, left + 3 * height - n)) for n in (0, 2)
    )
    y[area], y[inner] = 700, 300
    half = (area[0], slice(left // 2, left // 2 + 3 * height // 2))
    cb[half], cr[half] = 540, 470
    return y, cb, cr


# Time.


def in_time(function: Callable[[int, Any], list[tuple[int, int, float]]]) -> Callable[..., Any]:
    """Make a fault of a function of (count of frames, parameter), on what came before it."""

    def inflict(recording: Recording, parameter: Any) -> Recording:
        def frames(count: int) -> list[tuple[int, int, float]]:
            before = [(n, n, 0.0) for n in range(count)]
            if recording.frames is not None:
                before = recording.frames(count)
            return [
                (before[a][0], before[b][0], share) if share else before[a]
                for a, b, share in function(len(before), parameter)
            ]

        return replace(recording, frames=frames, reframed=True)

    return inflict


def places(count: int, frames: int) -> list[int]:
    """Frames of the middle of a clip, evenly spread."""
    return np.linspace(frames * 0.2, frames * 0.8, count).astype(int).tolist()


def dropped(frames: int, count: int) -> list[tuple[int, int, float]]:
    gone = places(count, frames)
    return [(n, n, 0.0) for n in range(frames) if n not in gone]


def repeated(frames: int, count: int) -> list[tuple[int, int, float]]:
    twice = places(count, frames)
    return [(n - 1 if n in twice else n,) * 2 + (0.0,) for n in range(frames)]


def blended(frames: int, share: float) -> list[tuple[int, int, float]]:
    mixed = places(max(4, frames // 6), frames)
    return [(n, min(n + 1, frames - 1), share if n in mixed else 0.0) for n in range(frames)]


def following(planes: Planes, amount: float, _: int) -> Planes:
    """Dim bright scenes and lift dark ones, by the picture's mean luma."""
    y = planes[0].astype(float)
    return rounded(64 + (y - 64) * (1 + amount * (350 - y.mean()) / 200)), *planes[1:]


# Near black.


def lifted(y: np.ndarray, codes: float) -> np.ndarray:
    return y + codes * np.exp(-np.maximum(y - 64, 0) / 60)


def crushed(y: np.ndarray, codes: float) -> np.ndarray:
    return np.where((y > 64) & (y < 64 + codes), 64, y)


# Files.


def mislabelled(name: str) -> Callable[..., Any]:
    return lambda recording, value: replace(recording, declared={**recording.declared, name: value})


def reserved(planes: Planes, count: int, index: int) -> Planes:
    """Put codes into a frame that BT.2100 keeps for synchronisation."""
    y = planes[0].copy()
    generator = np.random.default_rng((5, index))
    where = generator.integers(0, y.size, count)
    y.reshape(-1)[where] = generator.choice([0, 1, 2, 3, 1020, 1021, 1022, 1023], count)
    return y, *planes[1:]


def unsteady(recording: Recording, samples: int) -> Recording:
    return replace(recording, unsteady=samples)


def overstated(recording: Recording, factor: float) -> Recording:
    return replace(recording, light=factor)


def _mixed(first: int, second: int) -> Injury:
    says = rf"(?=.*BT\.?{first})(?=.*BT\.?{second})"
    return Injury(
        on_codes(recoded), ((first, second),) * 3, ("matrix-mixed",), says,
        ("labels-matrix", *FOLLOWS_LEVELS),
    )  # fmt: skip


BLACK = ("black", "levels-luma", "steps-lost", "mapping-bent", "depth-levels")
LEVELS = FOLLOWS_LEVELS
INJURIES: dict[str, Injury] = {
    "decoding": Injury(unsteady, (1, 16, 4000), ("decoding-capture",), on=ANY),
    # Samples at random codes draw the mean towards the middle.
    "reserved codes": Injury(
        on_planes(reserved), (4, 50, 600), ("legal-codes",),
        also=("clipping", "dither", "levels-luma"), on=ANY,
    ),
    "labelled matrix": Injury(
        mislabelled("matrix"), ("bt709", "bt709", "bt601"), ("labels-matrix",)
    ),
    "labelled range": Injury(mislabelled("range"), ("full",) * 3, ("labels-range",)),
    "labelled transfer": Injury(
        mislabelled("transfer"), ("bt1886", "hlg", "bt1886"), ("labels-transfer",)
    ),
    "labelled primaries": Injury(
        mislabelled("primaries"), ("bt709", "p3d65", "bt709"), ("labels-primaries",)
    ),
    "light level": Injury(overstated, (0.8, 0.4, 0.1), ("metadata-max-cll",), on=ANY),
    **{
        f"{way} as {stage}": Injury(
            on_codes(stretched),
            ((way, stage, 10), (way, stage, 10), (way, stage, 8)),
            (f"levels-{what}-{stage}",),
            also=(*LEVELS, "clipping", "saturation-changed"),
        )
        for way, what in (("expanded", "narrow-to-full"), ("compressed", "full-to-narrow"))
        for stage in ("rgb", "ycbcr")
    },
    **{f"matrix {a} as {b}": _mixed(a, b) for a in WEIGHTS for b in WEIGHTS if a != b},
    "primaries widened": Injury(
        on_codes(converted), ("P3 to 2020", "709 to 2020", "709 to 2020"), ("gamut-converted",),
        ("P3.*2020", "709.*2020", "709.*2020"), LEVELS,
    ),
    "primaries narrowed": Injury(
        on_codes(converted), ("2020 to P3", "2020 to 709", "2020 to 709"), ("gamut-converted",),
        ("2020.*P3", "2020.*709", "2020.*709"), LEVELS,
    ),
    "chroma planes": Injury(
        on_planes(exchanged), ("Cb", "Cr", "exchanged"), ("planes-mixed",),
        ("Cb.*invert|invert.*Cb", "Cr.*invert|invert.*Cr", "exchang|swap"), ("legal-codes",),
    ),
    "gain": Injury(on_codes(gained), (0.999, 0.98, 0.9), ("levels-luma",), also=LEVELS),
    "gain up": Injury(on_codes(gained), (1.002, 1.02, 1.1), ("levels-luma",), also=LEVELS),
    "offset": Injury(
        on_luma(lambda y, p: y + p), (1, 3, 12), ("levels-luma",), also=("black", *LEVELS)
    ),
    "tint": Injury(on_codes(tinted), (1, 4, 12), ("levels-tint",), also=LEVELS),
    "hue": Injury(on_codes(turned), (0.2, 1.0, -6.0), ("hue-rotated",), also=LEVELS),
    "saturation": Injury(
        on_codes(saturated), (0.998, 0.98, 0.85), ("saturation-changed",), also=LEVELS
    ),
    "saturation by hue": Injury(
        on_codes(saturated_by_hue), (0.01, 0.06, -0.25), ("saturation-by-hue",),
        also=("hue", *LEVELS),
    ),
    "sub-black clipped": Injury(
        on_planes(limited), ((24, 1023, 0, 1023), (48, 1023, 0, 1023), (64, 1023, 0, 1023)),
        ("clipping-sub-black",), also=("steps-lost", "depth-levels"), on=("chart",),
    ),
    "super-white clipped": Injury(
        on_planes(limited), ((0, 1000, 0, 1023), (0, 964, 0, 1023), (0, 940, 0, 1023)),
        ("clipping-super-white",), also=("steps-lost", "depth-levels"), on=("chart",),
    ),
    "chroma clipped": Injury(
        on_planes(limited), ((0, 1023, 40, 984), (0, 1023, 64, 960), (0, 1023, 64, 960)),
        ("clipping-chroma",), also=("steps-lost",), on=("chart",),
    ),
    "R'G'B' clipped": Injury(
        on_codes(boxed), (1.05, 1.02, 1.0), ("clipping-rgb",), also=("clipping", *LEVELS),
        on=("chart",),
    ),
    "bits rounded": Injury(
        on_each(rounded_to), (9, 8, 7), ("depth-eight-bits", "depth-reduced"),
        ("9 bits(?!.*cut)", "8 bits(?!.*cut)", "7 bits(?!.*cut)"),
        ("steps-lost", "depth", "legal-codes"), ANY,
    ),
    "bits cut": Injury(
        on_each(cut_to), (9, 8, 7), ("depth-eight-bits", "depth-reduced"),
        ("9 bits.*cut", "8 bits.*cut", "7 bits.*cut"),
        ("steps-lost", "levels-luma", "levels-tint", "depth", "black", "legal-codes"),
    ),
    "bits repeated": Injury(
        on_planes(repeated_bits), ((0, 1), (2, 3), (0, 3)), ("depth-bits-repeated",),
        also=("steps-lost", "levels", "saturation", "depth", "legal-codes"),
    ),
    "R'G'B' stage": Injury(
        on_codes(through_rgb), ((9, False), (8, True), (8, False)), ("depth-rgb-stage",),
        ("9", "8-bit narrow", "8-bit full"), ("clipping", "steps-lost", "depth", "legal-codes"),
    ),
    "depth then gain": Injury(
        on_luma(lambda y, bits: (cut_to(y.astype(int), bits) - 64) * 1.013 + 64), (9, 8, 7),
        ("depth-levels",), also=("levels-luma", "clipping", "steps-lost", "black", "legal-codes"),
    ),
    **{
        f"{kind} dither": Injury(
            on_planes(dithered), tuple((kind, bits, -half) for bits, half in
                                       ((9, 0), (8, 0), (7, 0))),
            ("dither",), says, ("depth", "legal-codes"), ANY if kind == "temporal" else PASS,
        )
        for kind, says in (
            ("temporal", "[Tt]emporal"), ("period 2", "period of 2"), ("frozen", "[Ff]rozen"),
        )
    },
    "biased dither": Injury(
        on_planes(dithered), (("temporal", 9, -0.5), ("temporal", 8, -2.0), ("temporal", 7, -4.0)),
        ("dither-biased",), also=("depth", "levels", "black", "legal-codes"),
    ),
    "gradient steps": Injury(
        on_luma(coarse_between), (2, 4, 8), ("steps-lost",), also=("depth", "mapping-bent")
    ),
    "plateau": Injury(on_luma(plateau), (3, 8, 24), ("steps-plateau", "steps-lost"),
                      also=("depth", "mapping-bent")),
    "chroma rows moved": Injury(
        on_chroma(vertical), (0.1, 0.25, 0.5), ("chroma-siting", "chroma-vertical-shift"),
        also=("shift",),
    ),
    "chroma columns moved": Injury(
        on_chroma(horizontal), (0.06, 0.25, 0.5), ("chroma-horizontal-shift",), also=("shift",)
    ),
    "chroma softened": Injury(
        on_chroma(softened), (0.05, 0.15, 0.25), ("chroma-softened", "chroma-filter",
                                                 "chroma-blurred"),
    ),
    "chroma rows repeated": Injury(
        on_chroma(rows_twice), (0.5, 1.0, 1.0), ("chroma-lines-repeated",), also=("chroma",)
    ),
    "sharpened": Injury(on_luma(sharpened), (0.05, 0.2, 0.6), ("detail-sharpened",), on=ANY,
                        also=("clipping",)),
    "blurred": Injury(
        on_luma(ndimage.gaussian_filter), (0.3, 0.5, 0.9),
        ("detail-blurred",), on=ANY,
    ),
    # Strong detail has faint parts too, which are smoothed with the rest.
    "noise reduced": Injury(
        on_luma(denoised), (3, 8, 20), ("detail-noise-reduced",), also=("detail-blurred",), on=ANY
    ),
    "local contrast": Injury(
        on_luma(local_contrast), (0.02, 0.08, 0.25), ("contrast-local", "mapping-local"),
        # A wide sharpening it is, which ends at the ends of the codes.
        also=("mapping", "clipping", "levels", "steps-lost", "detail-sharpened", "black"),
    ),
    "scaled to half": Injury(
        halved, ("area", "bilinear", "bicubic"), ("scaling-filter",),
        ("area|box|mean", "linear", "cubic"), ("picture-scaled",), ("natural",),
    ),
    "overscan": Injury(
        on_planes(enlarged, reframed=True), (0.01, 0.03, 0.06),
        ("picture-cropped", "picture-scaled"), also=("picture", "scaling"), on=ANY,
    ),
    "moved": Injury(
        on_planes(moved, reframed=True), (2, 4, 8), ("picture-shifted",),
        also=("picture",), on=ANY,
    ),
    "moved by a fraction": Injury(
        on_planes(lambda p, x, _: (rounded(horizontal(p[0].astype(float), x)),
                                   *(rounded(horizontal(c.astype(float), x / 2)) for c in p[1:])),
                  reframed=True),
        (0.05, 0.15, 0.4), ("shift-luma", "picture-shifted"),
        also=("chroma", "shift", "picture", "detail-blurred", "legal-codes", "scaling"),
    ),
    "frames dropped": Injury(in_time(dropped), (1, 3, 6), ("frames-dropped",),
                             also=("frames", "cadence", "pages"), on=ANY),
    "frames repeated": Injury(in_time(repeated), (1, 3, 6), ("frames-repeated",),
                              also=("frames", "cadence", "pages"), on=ANY),
    "frames blended": Injury(
        in_time(blended), (0.1, 0.3, 0.5), ("frames-blended", "frames-mixed"),
        also=("frames", "cadence", "pages"), on=ANY,
    ),
    "overlay": Injury(
        on_planes(covered, reframed=True), (0.03, 0.1, 0.2),
        ("overlay-static", "static-overlay"), also=("frames-unreadable",), on=ANY,
    ),
    "dynamic": Injury(
        on_planes(following), (0.005, 0.03, 0.1), ("mapping-scene", "mapping-dynamic",
                                                  "mapping-varying"),
        also=("mapping", "levels", "steps-lost", "legal-codes"),
        on=("chart", "natural", "chart-sdr"),
    ),
    "black lifted": Injury(on_luma(lifted), (2, 6, 20), ("black-lifted",), also=BLACK, on=ANY),
    "near black lost": Injury(on_luma(crushed), (3, 10, 30),
                              ("black-crushed", "black-codes-lost", "steps-plateau", "steps-lost"),
                              also=BLACK, on=ANY),
}  # fmt: skip


def recording(names: tuple[str, ...], sizes: tuple[int, ...]) -> Recording:
    """Put several faults into a clean recording, one after another."""
    result = Recording()
    for name, size in zip(names, sizes, strict=True):
        injury = INJURIES[name]
        result = injury.inflict(result, injury.parameters[size])
    return result
