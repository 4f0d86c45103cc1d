"""A playback device built from the published equations, independent of the package under test.

Every constant and formula is typed here again from its standard, in plain float64. Nothing is
shared with ``tonelab.conversion``, so that a mistake on one side shows as a residual. Only the
chart and the tables that are filled come from the package.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from tonelab.chart.patches import Surround, fill_codes
from tonelab.results import Tallies

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

# SMPTE ST 2084.
M1, M2 = 2610 / 16384, 2523 / 4096 * 128
C1, C2, C3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32

# BT.2020-2 and BT.709-6 luma coefficients, BT.601-7 for devices that mistake the matrix.
LUMA = {
    "bt2020": np.array([0.2627, 0.6780, 0.0593]),
    "bt709": np.array([0.2126, 0.7152, 0.0722]),
    "bt601": np.array([0.299, 0.587, 0.114]),
}

# Normalised primary matrices from the chromaticities of BT.2020-2 and BT.709-6, white D65.
XYZ_2020 = np.array(
    [
        [0.6369580483, 0.1446169036, 0.1688809752],
        [0.2627002120, 0.6779980715, 0.0593017165],
        [0.0, 0.0280726930, 1.0609850577],
    ]
)
XYZ_709 = np.array(
    [
        [0.4123907993, 0.3575843394, 0.1804807884],
        [0.2126390059, 0.7151686788, 0.0721923154],
        [0.0193308187, 0.1191947798, 0.9505321522],
    ]
)
TO_709 = np.linalg.inv(XYZ_709) @ XYZ_2020

# BT.2100-2 table 7.
LMS = np.array([[1688, 2146, 262], [683, 2951, 462], [99, 309, 3688]]) / 4096
ICTCP = np.array([[2048, 2048, 0], [6610, -13613, 7003], [17933, -17390, -543]]) / 4096

TRACE = 1e-9  # cd/m2 of neutral light; keeps the ratio of a ratio drive finite at black


def pq_light(signal):
    """Light in cd/m2 of a PQ signal 0..1 (SMPTE ST 2084)."""
    root = np.clip(signal, 0, 1) ** (1 / M2)
    return 1e4 * (np.maximum(root - C1, 0) / (C2 - C3 * root)) ** (1 / M1)


def pq_signal(light):
    """PQ signal of light in cd/m2 (SMPTE ST 2084)."""
    power = (np.maximum(light, 0) / 1e4) ** M1
    return ((C1 + C2 * power) / (1 + C3 * power)) ** M2


def hlg_light(signal, peak=1000.0):
    """Display light in cd/m2 of HLG signals 0..1, system gamma 1.2 (BT.2100-2 table 5)."""
    a, b, c = 0.17883277, 0.28466892, 0.55991073
    e = np.clip(signal, 0, 1)
    scene = np.where(e <= 0.5, e**2 / 3, (np.exp((e - c) / a) + b) / 12)
    return peak * (scene @ LUMA["bt2020"])[..., None] ** 0.2 * scene


def powered(x, exponent):
    """Power law mirrored about zero, so that light outside the gamut keeps its sign."""
    return np.sign(x) * np.abs(x) ** exponent


def rgb_of(ycbcr, matrix):
    """R'G'B' of Y'CbCr signals, non-constant luminance."""
    kr, kg, kb = LUMA[matrix]
    y, cb, cr = np.moveaxis(ycbcr, -1, 0)
    red, blue = y + 2 * (1 - kr) * cr, y + 2 * (1 - kb) * cb
    return np.stack([red, (y - kr * red - kb * blue) / kg, blue], -1)


def ycbcr_of(rgb, matrix):
    """Y'CbCr of R'G'B' signals, non-constant luminance."""
    kr, _, kb = LUMA[matrix]
    y = rgb @ LUMA[matrix]
    return np.stack([y, (rgb[..., 2] - y) / (2 - 2 * kb), (rgb[..., 0] - y) / (2 - 2 * kr)], -1)


# --- tone curves: light in cd/m2 to light relative to SDR white -------------------------------


def linear(x, white=203.0):
    return x / white


def bt2390(
    x, source_peak=1000.0, target_peak=100.0, source_black=0.0, target_black=0.0, knee_offset=0.5
):
    """EETF of BT.2390-11 5.4.1 (BT.2408-7 annex 5); the published knee offset is 0.5."""
    low, span = pq_signal(source_black), pq_signal(source_peak) - pq_signal(source_black)
    e = np.clip((pq_signal(x) - low) / span, 0, 1)
    least, most = ((pq_signal(v) - low) / span for v in (target_black, target_peak))
    knee = (1 + knee_offset) * most - knee_offset
    t = (e - knee) / (1 - knee)
    hermite = (
        (2 * t**3 - 3 * t**2 + 1) * knee
        + (t**3 - 2 * t**2 + t) * (1 - knee)
        + (3 * t**2 - 2 * t**3) * most
    )
    e = np.where(e < knee, e, hermite)
    e = e + least * (1 - e) ** 4
    return np.minimum(pq_light(e * span + low) / target_peak, 1)


def bt2446a(x, hdr_peak=1000.0, sdr_peak=100.0):
    """BT.2446-1 4.1, on one quantity."""
    rho, rho_sdr = (1 + 32 * (v / 1e4) ** (1 / 2.4) for v in (hdr_peak, sdr_peak))
    p = np.log(1 + (rho - 1) * np.clip(x / hdr_peak, 0, 1) ** (1 / 2.4)) / np.log(rho)
    c = np.select(
        [p <= 0.7399, p < 0.9909],
        [1.0770 * p, -1.1510 * p**2 + 2.7811 * p - 0.6302],
        0.5 * p + 0.5,
    )
    return ((rho_sdr**c - 1) / (rho_sdr - 1)) ** 2.4


def bt2446c(x, slope=0.83802, knee=58.53505 / 0.83802, bend=0.74204):
    """BT.2446-1 6.1.4 with k2 and k4 from continuity of value and slope."""
    k2 = slope * (1 - bend) * knee
    k4 = slope * knee - k2 * np.log(1 - bend)
    upper = k2 * np.log(np.maximum(x / knee, 1) - bend) + k4
    return np.where(x < knee, slope * x, upper) / 100


def _filmic(x, a, b, c, d, e, f):
    return (x * (a * x + c * b) + d * e) / (x * (a * x + b) + d * f) - e / f


def hable(x, white=100.0, peak=1000.0, constants=(0.15, 0.50, 0.10, 0.20, 0.02, 0.30)):
    """Hable 2010, constants of the blog."""
    return _filmic(x / white, *constants) / _filmic(peak / white, *constants)


def hable_talk(x, white=100.0, peak=1000.0):
    """Hable 2010, constants of the talk."""
    return hable(x, white, peak, (0.22, 0.30, 0.10, 0.20, 0.01, 0.30))


def aces_narkowicz(x, white=100.0):
    s = x / white
    return s * (2.51 * s + 0.03) / (s * (2.43 * s + 0.59) + 0.14)


def power(x, peak=1000.0, exponent=1.8, toe=5.0):
    at_toe = (toe / peak) ** (1 / exponent)
    return np.where(x > toe, (np.maximum(x, toe) / peak) ** (1 / exponent), x / toe * at_toe)


def logarithmic(x, toe=10.0, peak=1000.0):
    return np.log1p(x / toe) / np.log1p(peak / toe)


def sigmoid(x, semi_saturation=100.0, exponent=1.0):
    """Naka and Rushton 1966."""
    return x**exponent / (x**exponent + semi_saturation**exponent)


def reinhard(x, semi_saturation=100.0):
    """Reinhard 2002, equation 3."""
    return x / (x + semi_saturation)


def reinhard_extended(x, semi_saturation=100.0, peak=1000.0):
    """Reinhard 2002, equation 4."""
    s, w = x / semi_saturation, peak / semi_saturation
    return s * (1 + s / w**2) / (1 + s)


def reinhard_peak(x, semi_saturation=100.0, peak=1000.0):
    return x / (x + semi_saturation) * (peak + semi_saturation) / peak


def drago(x, adaptation=10.0, peak=1000.0, bias=0.85):
    """Drago 2003, equation 4, with a display of 100 cd/m2; ``peak`` is the largest input."""
    s, most = np.minimum(x, peak) / adaptation, peak / adaptation
    bent = np.log(2 + 8 * (s / most) ** (np.log(bias) / np.log(0.5)))
    return np.log1p(s) / bent / np.log10(most + 1)


def mobius(x, white=100.0, knee=30.0, peak=1000.0):
    s, j, p = x / white, knee / white, peak / white
    a = -j * j * (p - 1) / (j * j - 2 * j + p)
    c = (j * j - 2 * j * p + p) / (p - 1)
    gain = (c * c + 2 * c * j + j * j) / (c - a)
    return np.where(s <= j, s, gain * (s + a) / (np.maximum(s, j) + c))


def exponential_knee(x, white=100.0, knee=80.0, ceiling=1.0):
    s, k = x / white, knee / white
    room = ceiling - k
    return np.where(s <= k, s, k + room * (1 - np.exp(-np.maximum(s - k, 0) / room)))


def rational_knee(x, white=100.0, knee=80.0, ceiling=1.0):
    s, k = x / white, knee / white
    d = np.maximum(s - k, 0)
    return np.where(s <= k, s, k + d / (1 + d / (ceiling - k)))


TONES: dict[str, Callable[..., np.ndarray]] = {
    curve.__name__.replace("_", "-"): curve
    for curve in (
        linear,
        bt2390,
        bt2446a,
        bt2446c,
        hable,
        hable_talk,
        aces_narkowicz,
        power,
        logarithmic,
        sigmoid,
        reinhard,
        reinhard_extended,
        reinhard_peak,
        drago,
        mobius,
        exponential_knee,
        rational_knee,
    )
}

# --- drives: what the curve is applied to, and what becomes of the rest -----------------------


def per_channel(light, curve, _luminance, _white):
    # Mirrored, because the light may already have been taken to smaller primaries.
    return np.where(light < 0, -1, 1) * curve(np.abs(light))


def max_rgb(light, curve, _luminance, _white):
    light = light + TRACE
    most = np.maximum(light.max(-1, keepdims=True), TRACE)
    return light * curve(most) / most


def by_luminance(light, curve, luminance, _white):
    light = light + TRACE
    y = np.maximum(light @ luminance[:, None], TRACE)
    return light * curve(y) / y


def by_luma(light, curve, _luminance, white):
    """Y' of PQ R'G'B' with the chroma compensation of BT.2390-11 5.4.2."""
    ycbcr = ycbcr_of(pq_signal(light), "bt2020")
    return pq_light(rgb_of(_compensated(ycbcr, curve, white), "bt2020")) / white


def by_intensity(light, curve, _luminance, white):
    """I of ICtCp with the chroma compensation of BT.2390-11 5.4.2."""
    ictcp = pq_signal(light @ LMS.T) @ ICTCP.T
    lms = pq_light(_compensated(ictcp, curve, white) @ np.linalg.inv(ICTCP).T)
    return lms @ np.linalg.inv(LMS).T / white


def _compensated(triple, curve, white):
    before = np.maximum(triple[..., :1], pq_signal(0.0))
    after = pq_signal(white * curve(pq_light(before)))
    ratio = np.minimum(before / after, after / before)
    return np.concatenate([after, triple[..., 1:] * ratio], -1)


def gamma_luma(light, curve, _luminance, _white):
    """BT.2446-1 4.1, steps on colour."""
    ycbcr = ycbcr_of((light + TRACE) ** (1 / 2.4), "bt2020")
    y = np.maximum(ycbcr[..., :1], TRACE)
    toned = curve(y**2.4) ** (1 / 2.4)
    chroma = toned / (1.1 * y) * ycbcr[..., 1:]
    luma = toned - np.maximum(0.1 * chroma[..., 1:], 0)
    return powered(rgb_of(np.concatenate([luma, chroma], -1), "bt2020"), 2.4)


DRIVES = {
    "per-channel": per_channel,
    "max-rgb": max_rgb,
    "luminance": by_luminance,
    "luma": by_luma,
    "ictcp": by_intensity,
    "gamma-luma": gamma_luma,
}

# --- gamut and encoding -----------------------------------------------------------------------

WHITE_UV = np.array([0.1978300066, 0.4683199949])


def soft_clip(rgb2020, beta=0.2):
    """BT.2407-0 annex 5: constant luminance, towards white in u'v', to linear BT.709."""
    x, y, z = np.moveaxis(rgb2020 @ XYZ_2020.T, -1, 0)
    below, above = y <= 0, y >= 1
    total = x + 15 * y + 3 * z
    uv = np.stack([4 * x, 9 * y], -1) / np.where(total > 0, total, 1)[..., None]
    ray, y = uv - WHITE_UV, np.clip(y, 1e-12, 1)

    def light_at(scale, to_rgb):
        u, v = np.moveaxis(WHITE_UV + scale[..., None] * ray, -1, 0)
        xyz = np.stack([9 * u / (4 * v), np.ones_like(u), (12 - 3 * u - 20 * v) / (4 * v)], -1)
        return (y[..., None] * xyz) @ to_rgb.T

    def reach(to_rgb):
        """Return the largest step along the ray inside the cube, by bisection."""
        low, high = np.zeros_like(y), np.full_like(y, 50.0)
        # Beyond v' = 0 there is no colour.
        high = np.where(ray[..., 1] < 0, np.minimum(high, 0.999 * WHITE_UV[1] / -ray[..., 1]), high)
        for _ in range(60):
            middle = (low + high) / 2
            cube = light_at(middle, to_rgb)
            inside = (cube.min(-1) >= -1e-9) & (cube.max(-1) <= 1 + 1e-9)
            low, high = np.where(inside, middle, low), np.where(inside, high, middle)
        return low

    to_709 = np.linalg.inv(XYZ_709)
    edge = np.maximum(reach(to_709), 1e-9)
    alpha = np.maximum(reach(np.linalg.inv(XYZ_2020)) / edge - 1, 0)
    r = 1 / edge
    q = np.maximum(r + beta - 1, 0)
    s = q / (np.sqrt(np.maximum(beta**2 + (alpha - beta) * q, 0)) + beta)
    bent = np.select([r <= 1 - beta, r > 1 + alpha], [r, 1.0], r - alpha * s**2)
    mapped = light_at(edge * bent, to_709)
    mapped = np.where(above[..., None], 1.0, mapped)
    return np.where(below[..., None], 0.0, mapped)


def encoded(light, encoding):
    """Signal of light relative to SDR white; negative light is mirrored."""
    e = np.abs(light)
    match encoding:
        case "bt1886":
            signal = e ** (1 / 2.4)
        case "gamma22":
            signal = e ** (1 / 2.2)
        case "srgb":  # IEC 61966-2-1
            signal = np.where(e <= 0.0031308, 12.92 * e, 1.055 * e ** (1 / 2.4) - 0.055)
        case "bt709-oetf":  # BT.709-6 item 1.2
            signal = np.where(e < 0.018, 4.5 * e, 1.099 * e**0.45 - 0.099)
        case _:
            raise ValueError(encoding)
    return np.sign(light) * signal


def controlled(ycbcr, contrast=1.0, brightness=0.0, saturation=1.0, hue=0.0):
    """Picture controls of a video processor: contrast scales chroma too, brightness comes last."""
    turn = contrast * saturation * np.exp(1j * np.radians(hue))
    chroma = (ycbcr[..., 1] + 1j * ycbcr[..., 2]) * turn
    return np.stack([contrast * ycbcr[..., 0] + brightness, chroma.real, chroma.imag], -1)


@dataclass(frozen=True)
class SimulatedDevice:
    """One HDR-to-SDR playback device.

    ``drive`` is one of `DRIVES` or two joined by "+", mixed in linear light with ``weight`` the
    share of the second. ``white`` is the SDR white in cd/m2 that PQ drives work towards.
    ``ceiling`` limits the curve itself to SDR white, ``super_white`` lifts that of the channels.
    ``scene`` makes the device depend on the page: "peak" and "average" drive the light that
    counts as source peak or as exposure, "local" adds ``swing`` times the local contrast.
    ``bits`` 8 means 8-bit codes in a capture of 10 bits, as capture chains deliver them.
    ``source`` is the transfer of the clip it plays: "pq", or "hlg" shown at 1000 cd/m2.
    """

    drive: str = "per-channel"
    tone: str = "bt2390"
    tone_parameters: Mapping[str, float] = field(default_factory=dict)
    order: str = "tone-first"
    gamut: str = "clip"
    encoding: str = "bt1886"
    controls: Mapping[str, float] = field(default_factory=dict)
    weight: float = 0.5
    white: float = 100.0
    ceiling: bool = True
    super_white: bool = False
    bits: int = 10
    dither: str | None = None
    range: str = "narrow"
    matrix: str = "bt709"
    scene: str | None = None
    swing: float = 0.15
    source: str = "pq"

    def curve(self, light):
        """Relative output of the tone curve for light in cd/m2."""
        toned = TONES[self.tone](np.maximum(light, 0), **self.tone_parameters)
        return np.minimum(toned, 1) if self.ceiling else toned

    def signal(self, light):
        """Y'CbCr signal (P, 3) for linear BT.2020 light (P, 3) in cd/m2."""
        if self.order == "matrix-first":
            rgb = self._driven(light @ TO_709.T, LUMA["bt709"])
        else:
            rgb = self._driven(light, LUMA["bt2020"])
            if self.gamut == "soft-clip":
                rgb = soft_clip(rgb)
            elif self.gamut != "none":
                rgb = rgb @ TO_709.T
        low = -np.inf if self.gamut == "excursions" else 0
        rgb = np.clip(rgb, low, np.inf if self.super_white else 1)
        return controlled(ycbcr_of(encoded(rgb, self.encoding), self.matrix), **self.controls)

    def real_codes(self, source_codes):
        """Real-valued 10-bit codes for 10-bit narrow BT.2020 source codes (P, 3)."""
        ycbcr = (np.asarray(source_codes, float) - (64, 512, 512)) / (876, 896, 896)
        light = {"pq": pq_light, "hlg": hlg_light}[self.source]
        return self.codes_of(self.signal(light(rgb_of(ycbcr, "bt2020"))))

    def codes_of(self, ycbcr):
        """Real-valued codes in 10-bit units; 8-bit devices differ in their rounding alone."""
        if self.range == "full":
            return ycbcr * (1023 if self.bits == 10 else 4 * 255) + (0, 512, 512)
        return ycbcr * (876, 896, 896) + (64, 512, 512)

    def rounded(self, real_codes, generator=None):
        """Whole codes, halves up, within the codes that video may carry (BT.709-6 item 3.5)."""
        step = 1 if self.bits == 10 else 4
        value = real_codes / step
        if self.dither is not None and generator is not None:
            uniform = {"rpdf": 1, "tpdf": 2}[self.dither]
            for _ in range(uniform):
                value = value + generator.uniform(-0.5, 0.5, value.shape)
        guard = (4 // step) if self.range == "narrow" else 0
        top = 1024 // step - 1 - guard
        return step * np.clip(np.floor(value + 0.5), guard, top).astype(np.int64)

    def capture_codes(self, source_codes, generator=None):
        """Capture codes (P, 3) for source codes (P, 3)."""
        return self.rounded(self.real_codes(source_codes), generator)

    def _driven(self, light, luminance):
        first, *second = self.drive.split("+")
        shares = [1 - self.weight, self.weight] if second else [1.0]
        return sum(
            share * DRIVES[name](light, self.curve, luminance, self.white)
            for name, share in zip([first, *second], shares, strict=True)
        )


# --- the chart through a device ---------------------------------------------------------------


def page_codes(layout, device, fills=None):
    """Real-valued capture codes (P, 3) of every patch of a chart, pages taken into account.

    ``fills`` gives the source codes (3,) of the fill of each surround, for scene-dependent devices.
    """
    patches = layout.patches
    source = patches.code.astype(float)
    if device.scene is None:
        return device.real_codes(source)
    codes = np.empty_like(source)
    for page in np.unique(patches.page):
        rows = np.flatnonzero(patches.page == page)
        raster = _raster(patches, rows, layout, fills)
        codes[rows] = _on_page(device, source[rows], raster, _cells(patches, rows, layout))
    return codes


def _cells(patches, rows, layout):
    centre = np.stack([patches.y + patches.height // 2, patches.x + patches.width // 2], -1)
    return tuple((centre[rows] // layout.cell).T)


def _raster(patches, rows, layout, fills):
    """Source codes of every cell of a page (45, 80, 3)."""
    raster = np.empty((45, 80, 3))
    raster[:] = fills[int(patches.surround[rows[0]])]
    for row in rows:
        x, y, side = patches.x[row], patches.y[row], patches.width[row]
        top, left, size = y // layout.cell, x // layout.cell, side // layout.cell
        raster[top : top + size, left : left + size] = patches.code[row]
    return raster


def _on_page(device, source, raster, cells):
    luma = np.clip((raster[..., 0] - 64) / 876, 0, 1)
    match device.scene:
        case "peak":
            peak = max(float(pq_light(np.percentile(luma, 99))), 150.0)
            given = {**device.tone_parameters, "source_peak": peak}
            return replace(device, tone_parameters=given).real_codes(source)
        case "average":
            gain = 2 ** (-device.swing * (float(luma.mean()) - 0.3) / 0.1)
            ycbcr = (source - (64, 512, 512)) / (876, 896, 896)
            return device.codes_of(device.signal(gain * pq_light(rgb_of(ycbcr, "bt2020"))))
        case "local":
            blurred = luma
            for axis in (0, 1):
                padded = np.pad(blurred, [(4, 4) if a == axis else (0, 0) for a in (0, 1)], "edge")
                cells_along = range(luma.shape[axis])
                shifted = [np.roll(padded, -n, axis).take(cells_along, axis) for n in range(9)]
                blurred = np.mean(shifted, 0)
            moved = source.copy()
            moved[:, 0] += 876 * device.swing * (luma - blurred)[cells]
            return device.real_codes(moved)
    raise ValueError(device.scene)


def simulated_tallies(layout, device, *, samples=64, frames=2, seed=0):
    """Tally a chart played by a device, as `tonelab.tallies.tally` would: exact integers.

    Every patch is seen in ``frames`` frames with ``samples`` samples a plane and frame.
    """
    source = layout.patches.code.astype(np.int64)
    fills = {s: fill_codes(s, layout.transfer, layout.peak) for s in Surround}
    real = page_codes(layout, device, fills)
    generator = np.random.default_rng(seed)
    tables = {
        name: np.array(table)
        for name, table in Tallies.empty(
            layout.descriptor, len(source), (1024, 1024)
        ).tables.items()
    }
    tables["patch_frames"][:] = frames
    for _ in range(frames):
        # Without dither every sample of a flat patch is the same.
        seen = samples if device.dither else 1
        codes = device.rounded(np.repeat(real[None], seen, 0), generator)
        for side, values in (("source", source[None]), ("capture", codes)):
            weight = samples // len(values)
            tables[f"patch_count_{side}"] += samples
            tables[f"patch_sum_{side}"] += weight * values.sum(0)
            tables[f"patch_square_{side}"] += weight * (values**2).sum(0)
            tables[f"{side}_histogram"] += weight * np.stack(
                [np.bincount(plane.ravel(), minlength=1024) for plane in np.moveaxis(values, -1, 0)]
            )
        tables["patch_frame_square_capture"] += (samples // len(codes) * codes.sum(0)) ** 2
    return Tallies(layout.descriptor, tables)
