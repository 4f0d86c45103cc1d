"""Natural-like moving HDR pictures of our own making, for studies of paths without the chart.

Textures have the 1/f amplitude spectrum of natural scenes, light is spread log-normally; a smooth
sky, flat and shaded moving objects, fine lines and grain are laid over them, and every other shot
looks out of a dark room, down to black. Light is coded with SMPTE ST 2084 and the BT.2020
equations, written out here.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from charted import pq_signal, rounded, to_codes
from scipy import ndimage

SIZE = (480, 270)  # width, height
SHOT = 16  # frames
SHOTS = 3


def texture(seed: int, height: int, width: int) -> np.ndarray:
    """Noise of zero mean, unit deviation and an amplitude spectrum of 1/f."""
    generator = np.random.default_rng(seed)
    f = np.hypot(np.fft.fftfreq(height)[:, None], np.fft.rfftfreq(width)[None])
    spectrum = np.fft.rfft2(generator.normal(size=(height, width))) / np.maximum(f, 1 / width)
    plane = np.fft.irfft2(spectrum, (height, width))
    return (plane - plane.mean()) / plane.std()


@lru_cache(maxsize=4)
def canvas(seed: int, height: int, width: int) -> np.ndarray:
    """Linear BT.2020 light, cd/m2, of the still part of a shot."""
    base = 10 ** (1.3 + 0.45 * texture(seed, height, width))
    far = ndimage.gaussian_filter(base, 6)  # out of focus on one side
    focus = np.clip(np.linspace(-0.7, 1.3, width), 0, 1)
    base = far + focus * (base - far)
    warm, green = (ndimage.gaussian_filter(texture(seed + n, height, width), 3) for n in (1, 2))
    red, blue = np.exp(0.5 * warm), np.exp(-0.5 * warm)
    picture = base[..., None] * np.stack([red, np.exp(0.3 * green), blue], -1)
    sky = np.linspace(0, 1, height // 3)[:, None, None]
    tint = np.array([0.45, 0.7, 1.0])
    picture[: height // 3] = (180 - 130 * sky) * (tint + (1 - tint) * 0.5 * sky)
    for row in range(4):  # fine lines, as of a fence or of print
        picture[-60 + 9 * row : -60 + 9 * row + 1 + row, 20 : width - 20] *= 0.2
    return np.minimum(picture, 1000)


def light(seed: int, frame: int, size: tuple[int, int] = SIZE) -> np.ndarray:
    """Linear BT.2020 light of a frame of the clip, cd/m2."""
    width, height = size
    shot, into = divmod(frame, SHOT)
    whole = canvas(1000 * seed + 10 * shot, height * 5 // 4, width * 5 // 4)
    top, left = (2 * into) % (height // 4), (5 * into + 20 * shot) % (width // 4)
    picture = whole[top : top + height, left : left + width].copy()
    generator = np.random.default_rng((seed, shot))
    y, x = np.mgrid[:height, :width]
    for number in range(14):
        room = generator.uniform(0.15, 0.85, 2) * (height, width)
        speed = generator.uniform(-4, 4, 2)
        radius = generator.uniform(0.05, 0.12) * height
        colour = 10 ** generator.uniform(0.3, 2.4) * generator.dirichlet((0.8, 0.8, 0.8)) * 2
        cy, cx = room + speed * into
        inside = (y[:, :1] - cy) ** 2 + (x[:1] - cx) ** 2 < radius**2
        across = ((x[:1] - cx) / radius * 0.5 + 0.5).repeat(height, axis=0)
        shade = 1.0 if number % 2 else 0.4 + 0.6 * across[inside, None]
        picture[inside] = np.minimum(colour * shade, 1000)
    if shot % 2 == 0:
        picture *= 10 ** (-5.5 * np.clip(6 * x[0] / width - 4.6, 0, 1))[:, None]
    return picture


@lru_cache(maxsize=160)
def planes(seed: int, frame: int, size: tuple[int, int] = SIZE) -> tuple[np.ndarray, ...]:
    """4:2:0 planes of 10-bit narrow codes; every other shot has grain."""
    codes = to_codes(pq_signal(light(seed, frame, size) / 10_000))
    if frame // SHOT % 2:
        codes[..., 0] += np.random.default_rng((seed, frame, 7)).normal(0, 2, codes.shape[:2])
    height, width = codes.shape[:2]
    chroma = codes[..., 1:].reshape(height // 2, 2, width // 2, 2, 2).mean(axis=(1, 3))
    return rounded(codes[..., 0]), rounded(chroma[..., 0]), rounded(chroma[..., 1])
