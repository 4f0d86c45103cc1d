"""What a path can do to a colour, one step a registered function.

A step takes signals (..., 3): Y' from 0 at black to 1 at nominal peak, Cb and Cr from -0.5 to 0.5,
in the matrix of the source, excursions included; and gives signals of the same shape. The
`Medium` says what the source's codes, primaries and transfer function are, so that no step assumes
any. An entry of `STEPS` is one decorated function::

    @STEPS.register(
        "green-gain",
        label="green made stronger",
        cause="a colour control of green",
        words="green times {gain:.3f}",
    )
    def green_gain(
        signal: FloatArray,
        medium: Medium,
        *,
        gain: Annotated[float, Param(0.5, 1.5, "1", "factor of G'")] = 1.0,
    ) -> FloatArray:
        return of_rgb(rgb_of(signal, medium) * [1.0, gain, 1.0], medium)
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from itertools import permutations, product
from typing import TYPE_CHECKING, Annotated, Any, TypeAlias

import numpy as np

from tonelab.conversion.parameters import Param, Parameter, parameters_of
from tonelab.path.limits import LEAST_OF_CODE, OTHER_SCENE, SURROUNDS, USUAL_MEAN
from tonelab.registry import Registry
from tonelab.signal.arrays import ComplexArray, FloatArray  # noqa: TC001 - annotations are read
from tonelab.signal.colorimetry import (
    LUMA_WEIGHTS,
    Matrix,
    Primaries,
    matrix_rgb_to_rgb,
    rgb_to_ycbcr,
    ycbcr_to_rgb,
)
from tonelab.signal.description import Signal  # noqa: TC001 - annotations are read
from tonelab.signal.quantisation import (
    Range,
    codes_to_rgb,
    codes_to_ycbcr,
    luma_scale,
    rgb_to_codes,
    ycbcr_to_codes,
)
from tonelab.signal.transfer import (
    eotf_hlg,
    eotf_inverse_hlg,
    eotf_inverse_pq,
    eotf_pq,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

Settings: TypeAlias = Mapping[str, Any]


@dataclass(frozen=True, slots=True, eq=False)
class Medium:
    """What a step may ask.

    Attributes
    ----------
    source
        How the source is read.
    columns
        Of luma for each of captured chroma.
    mean
        Mean luma signal of the source's picture, of the shape of luma.
    surround
        Luma signal of the source, blurred over `SURROUNDS`, last axis.
    rows
        Of captured chroma for each of the source's.
    """

    source: Signal
    columns: int = 2
    mean: FloatArray = field(default_factory=lambda: np.zeros(1))
    surround: FloatArray = field(default_factory=lambda: np.zeros((1, len(SURROUNDS))))
    rows: int = 2


Variants: TypeAlias = "Callable[[Medium, FloatArray, FloatArray], Iterable[Settings]]"
AS_IT_IS: tuple[Settings, ...] = ({},)


@dataclass(frozen=True)
class Step:
    """An entry: what can happen to a colour on its way.

    Attributes
    ----------
    name
        Of the entry.
    function
        ``function(signal, medium, *, settings..., parameters...)``, see the module.
    label
        What happens, in a few words.
    cause
        What usually does it, for people; empty for what a faithful path may do.
    words
        How it is said with its settings and values: a format string over them, or a function of
        them; empty to list the values.
    variants
        Its settings, each of which is tried; or a function that gives them, of the medium, the
        signals (M, 3) that a chain sends so far, and those captured in their place.
    affine
        Whether picture controls beside it may hide it, so that they are tried with it.
    once
        Whether a chain has it once at most.
    last
        Whether nothing follows it but the capture.
    spatial
        Whether it takes pictures, signals (K, rows, columns, 3) whose chroma is that of the
        capture's samples at even columns and interpolated between them, and looks at neighbours.
    rounds
        Whether it rounds to codes: what it adds stays as it is while parameters are fitted.
    spoken
        Words for values of settings, by setting.
    shown
        Factor and unit in which a parameter is said, where these are not its own.
    """

    name: str
    function: Callable[..., Any]
    label: str
    cause: str
    words: str | Callable[..., str]
    variants: tuple[Settings, ...] | Variants = AS_IT_IS
    rounds: bool = False
    affine: bool = False
    once: bool = True
    last: bool = False
    spatial: bool = False
    spoken: Mapping[str, Mapping[Any, str]] = field(default_factory=dict)
    shown: Mapping[str, tuple[float, str]] = field(default_factory=dict)

    @cached_property
    def parameters(self) -> Mapping[str, Parameter]:
        """What is fitted, by name, with units and bounds."""
        return parameters_of(self.function)

    def shown_in(self, name: str) -> tuple[float, str]:
        """Return factor and unit in which a parameter is said."""
        unit = self.parameters[name].unit
        return self.shown.get(name, (1.0, "" if unit == "1" else unit))

    def tried(self, medium: Medium, sent: FloatArray, captured: FloatArray) -> list[Settings]:
        """Return the settings at which a search tries it at the end of a chain.

        Signals (M, 3) that the chain sends so far, and those captured in their place.
        """
        if callable(self.variants):
            return [*self.variants(medium, sent, captured)]
        return [*self.variants]


STEPS: Registry[Step] = Registry("path step", "tonelab.path_steps", Step)


def rgb_of(signal: FloatArray, medium: Medium) -> FloatArray:
    """R'G'B' signals (..., 3) of Y'CbCr signals in the source's matrix."""
    return ycbcr_to_rgb(signal, coding(medium))


def of_rgb(rgb: FloatArray, medium: Medium) -> FloatArray:
    """Y'CbCr signals (..., 3), in the source's matrix, of R'G'B' signals."""
    return rgb_to_ycbcr(rgb, coding(medium))


def coding(medium: Medium) -> Matrix:
    """Matrix of the signals; an R'G'B' source is taken apart by that of its primaries."""
    return medium.source.coding_matrix


STAGES = ("rgb", "ycbcr")
WAYS: dict[str, tuple[Range, Range]] = {
    "expanded": ("full", "narrow"),
    "compressed": ("narrow", "full"),
}
MIXED_UP = tuple({"read": a, "coded": b} for a, b in permutations(LUMA_WEIGHTS, 2))
EXCHANGES: dict[str, tuple[tuple[int, int], tuple[int, int]]] = {
    "Cb and Cr exchanged": ((0, 1), (1, 0)),
    "Cb inverted": ((-1, 0), (0, 1)),
    "Cr inverted": ((1, 0), (0, -1)),
    "Cb and Cr inverted": ((-1, 0), (0, -1)),
    "Cb and Cr exchanged, both inverted": ((0, -1), (-1, 0)),
    "Cb and Cr exchanged, Cb inverted": ((0, -1), (1, 0)),
    "Cb and Cr exchanged, Cr inverted": ((0, 1), (-1, 0)),
}
PRIMARIES_TRIED: tuple[Primaries, ...] = ("bt709", "p3d65", "bt2020")
MATRIX_WORDS = {"bt601": "BT.601", "bt709": "BT.709", "bt2020": "BT.2020"}
PRIMARIES_WORDS = {"bt709": "BT.709", "p3d65": "P3", "bt2020": "BT.2020"}
PLANES = {"all": "Y'CbCr", "luma": "luma"}
STAGE_WORDS = {"rgb": "R'G'B'", "ycbcr": "Y'CbCr"}


@STEPS.register(
    "range-mix-up",
    label="narrow range taken for full range, or the reverse",
    cause="two stages that disagree about the range",
    words="range {way} by mistake as {stage} of {bits} bits",
    variants=tuple(
        {"way": way, "stage": stage, "bits": bits}
        for way, stage, bits in product(WAYS, STAGES, (10, 8))
    ),
    spoken={"stage": STAGE_WORDS},
    affine=True,
)
def range_mix_up(
    signal: FloatArray, medium: Medium, *, way: str, stage: str, bits: int
) -> FloatArray:
    """Codes of one range read as those of the other (BT.2100-2 table 9)."""
    coded, read = WAYS[way]
    if stage == "rgb":
        codes = rgb_to_codes(rgb_of(signal, medium), bits, coded)
        return of_rgb(codes_to_rgb(codes, bits, read), medium)
    return codes_to_ycbcr(ycbcr_to_codes(signal, bits, coded), bits, read)


@STEPS.register(
    "matrix-mix-up",
    label="decoded with one matrix and coded with another",
    cause="a stage that assumes the matrix of another standard",
    words="decoded with {read}, coded with {coded}",
    variants=MIXED_UP,
    spoken={"read": MATRIX_WORDS, "coded": MATRIX_WORDS},
    affine=True,
)
def matrix_mix_up(signal: FloatArray, _: Medium, *, read: Matrix, coded: Matrix) -> FloatArray:
    """Signals decoded with one matrix and coded with another (weights of LUMA_WEIGHTS)."""
    return rgb_to_ycbcr(ycbcr_to_rgb(signal, read), coded)


@STEPS.register(
    "planes",
    label="planes of chroma exchanged or inverted",
    cause="a wrong order or sign of the planes in a driver or format conversion",
    words="{how}",
    variants=tuple({"how": how} for how in EXCHANGES),
)
def planes(signal: FloatArray, _: Medium, *, how: str) -> FloatArray:
    """Cb and Cr exchanged, or with the other sign."""
    blue, red = (signal[..., 1:] @ np.array(row, float) for row in EXCHANGES[how])
    return joined(signal[..., 0], blue, red)


def _primaries_of(medium: Medium, _sent: FloatArray, _captured: FloatArray) -> Iterable[Settings]:
    return [
        {"one": one, "other": other}
        for one, other in permutations(PRIMARIES_TRIED, 2)
        if medium.source.primaries in {one, other}
    ]


@STEPS.register(
    "primaries",
    label="converted from some primaries to others, in linear light",
    cause="colour management that takes source or display for what it is not",
    words="primaries converted from {one} to {other}",
    variants=_primaries_of,
    spoken={"one": PRIMARIES_WORDS, "other": PRIMARIES_WORDS},
    affine=True,
)
def primaries(
    signal: FloatArray, medium: Medium, *, one: Primaries, other: Primaries
) -> FloatArray:
    """Linear light by the chromaticities of both, negative light and excess clipped."""
    rgb, matrix = rgb_of(signal, medium), matrix_rgb_to_rgb(one, other).T
    match medium.source.transfer:
        case "pq":
            coded = eotf_inverse_pq(np.maximum(eotf_pq(rgb) @ matrix, 0.0))
        case "hlg":
            light = np.maximum(eotf_hlg(rgb, medium.source.peak) @ matrix, 0.0)
            coded = eotf_inverse_hlg(light, medium.source.peak)
        case _:
            coded = np.maximum(np.maximum(rgb, 0.0) ** 2.4 @ matrix, 0.0) ** (1 / 2.4)
    return of_rgb(np.clip(coded, 0.0, 1.0), medium)


@STEPS.register(
    "controls",
    label="picture controls",
    cause="picture controls that are not at neutral, or a gain of a driver",
    words="",
    shown={"brightness": (876.0, "codes"), "blue": (896.0, "codes"), "red": (896.0, "codes")},
)
def controls(
    signal: FloatArray,
    _: Medium,
    *,
    contrast: Annotated[float, Param(0.3, 2.0, "1", "factor of Y' about black")] = 1.0,
    brightness: Annotated[float, Param(-0.4, 0.4, "1", "added to Y'")] = 0.0,
    saturation: Annotated[float, Param(0.0, 3.0, "1", "factor of chroma")] = 1.0,
    hue: Annotated[float, Param(-60.0, 60.0, "deg", "rotation of Cb towards Cr")] = 0.0,
    blue: Annotated[float, Param(-0.2, 0.2, "1", "added to Cb")] = 0.0,
    red: Annotated[float, Param(-0.2, 0.2, "1", "added to Cr")] = 0.0,
) -> FloatArray:
    """Contrast, brightness, saturation, hue and tint, on Y'CbCr; what is added is said in codes.

    Those are 10-bit codes of narrow range.
    """
    turn = saturation * np.exp(1j * np.radians(hue))
    chroma = _complex(signal) * turn + (blue + 1j * red)
    return _with_chroma(contrast * signal[..., 0] + brightness, chroma)


@STEPS.register(
    "bent",
    label="a bent curve",
    cause="a gamma control, or a table for another display",
    words="",
    variants=({"of": "Y'"}, {"of": "R'G'B'"}),
    affine=True,
)
def bent(
    signal: FloatArray,
    medium: Medium,
    *,
    of: str,
    exponent: Annotated[float, Param(0.5, 2.0, "1", "of what lies above black")] = 1.0,
) -> FloatArray:
    """Raise luma, or R', G' and B', to a power; what lies below black stays."""

    def bend(values: FloatArray) -> FloatArray:
        bent_: FloatArray = np.where(values > 0, np.maximum(values, 0.0) ** exponent, values)
        return bent_

    if of == "Y'":
        return with_luma(signal, bend(signal[..., 0]))
    return of_rgb(bend(rgb_of(signal, medium)), medium)


def _luma_ends(_medium: Medium, _sent: FloatArray, captured: FloatArray) -> Iterable[Settings]:
    low, high = captured[..., 0].min(), captured[..., 0].max()
    ends = [{"low": low, "high": np.inf}, {"low": -np.inf, "high": high}]
    return [*ends, {"low": low, "high": high}]


def _luma_ends_in_words(low: float, high: float) -> str:
    ends = [("below", low), ("above", high)]
    said = [f"{where} code {64 + 876 * end:.0f}" for where, end in ends if np.isfinite(end)]
    return f"Y' clipped {' and '.join(said)} of 10 bits"


def _of_scenes(medium: Medium, _sent: FloatArray, _captured: FloatArray) -> list[Settings]:
    """None where pictures are alike: contrast that follows them is contrast."""
    return [{}] if np.ptp(medium.mean) >= OTHER_SCENE else []


@STEPS.register(
    "follows-scene",
    label="contrast that follows the picture",
    cause="a dynamic contrast or backlight mode, or dynamic tone mapping",
    words="",
    variants=_of_scenes,
    affine=True,
)
def follows_scene(
    signal: FloatArray,
    medium: Medium,
    *,
    slope: Annotated[float, Param(-3.0, 3.0, "1", "change of contrast, by mean luma")] = 0.0,
) -> FloatArray:
    """Scale luma by a factor that depends on the mean luma of the source's picture."""
    return with_luma(signal, signal[..., 0] * (1 + slope * (medium.mean - USUAL_MEAN)))


@STEPS.register(
    "local-contrast",
    label="local contrast",
    cause="a local contrast, clarity or dynamic detail control",
    words="",
    variants=tuple({"size": size} for size in range(len(SURROUNDS))),
    spoken={"size": {n: f"{share:.1%} of the height" for n, share in enumerate(SURROUNDS)}},
    affine=True,
)
def local_contrast(
    signal: FloatArray,
    medium: Medium,
    *,
    size: int,
    amount: Annotated[float, Param(-0.9, 2.0, "1", "of what differs from around, added")] = 0.0,
) -> FloatArray:
    """Add to luma a share of what differs from a wide blur of the source's."""
    luma = signal[..., 0]
    return with_luma(signal, luma + amount * (luma - medium.surround[..., size]))


@STEPS.register(
    "luma-clipped",
    label="luma clipped",
    cause="a stage without room below black or above nominal peak",
    words=_luma_ends_in_words,
    variants=_luma_ends,
)
def luma_clipped(signal: FloatArray, _: Medium, *, low: float, high: float) -> FloatArray:
    """Y' kept between two signals."""
    return with_luma(signal, np.clip(signal[..., 0], low, high))


def _chroma_ends(_medium: Medium, _sent: FloatArray, captured: FloatArray) -> Iterable[Settings]:
    return [{"most": float(np.abs(captured[..., 1:]).max())}]


@STEPS.register(
    "chroma-clipped",
    label="chroma clipped",
    cause="a stage without room beyond the nominal range of chroma",
    words=lambda most: f"chroma clipped to {896 * most:.0f} codes of 10 bits about neutral",
    variants=_chroma_ends,
)
def chroma_clipped(signal: FloatArray, _: Medium, *, most: float) -> FloatArray:
    """Cb and Cr kept within ±``most``."""
    blue, red = (np.clip(signal[..., plane], -most, most) for plane in (1, 2))
    return joined(signal[..., 0], blue, red)


def _rgb_ends(medium: Medium, _sent: FloatArray, captured: FloatArray) -> Iterable[Settings]:
    top = float(rgb_of(captured, medium).max())
    return [{"top": 1.0}, *([{"top": top}] if top > 1 + 1e-3 else [])]


@STEPS.register(
    "rgb-clipped",
    label="R'G'B' clipped",
    cause="an R'G'B' stage without room for excursions",
    words="R'G'B' clipped to 0..{top:.3f}",
    variants=_rgb_ends,
)
def rgb_clipped(signal: FloatArray, medium: Medium, *, top: float) -> FloatArray:
    """R', G' and B' kept between 0 and ``top``."""
    return of_rgb(np.clip(rgb_of(signal, medium), 0.0, top), medium)


def _depths(medium: Medium, _sent: FloatArray, _captured: FloatArray) -> Iterable[Settings]:
    """Fewer bits than the source's; as many change nothing but for what came before."""
    return [
        {"bits": bits, "how": how, "of": of}
        for bits, how, of in product(range(6, 10), ("rounded", "cut off"), PLANES)
        if bits <= medium.source.bits
    ]


def _tables(medium: Medium, sent: FloatArray, captured: FloatArray) -> Iterable[Settings]:
    """Where codes of luma arrive, by their medians, wherever these are others."""
    bits, range_ = medium.source.bits, medium.source.range
    code, seen = (_nearest_codes(s, bits, range_)[:, 0].astype(int) for s in (sent, captured))
    order = np.argsort(code, kind="stable")
    cuts = np.flatnonzero(np.diff(code[order])) + 1
    runs = [rows for rows in np.split(order, cuts) if len(rows) >= LEAST_OF_CODE]
    if not runs:
        return []
    known = np.array([code[rows[0]] for rows in runs])
    apart = np.array([np.median(seen[rows]) - code[rows[0]] for rows in runs])
    every = np.arange(known[0], known[-1] + 1)
    to = every + np.rint(np.interp(every, known, apart)).astype(int)
    other = every != to
    return [{"codes": tuple(every[other].tolist()), "to": tuple(to[other].tolist())}]


def _nearest_codes(signal: FloatArray, bits: int, range_: Range) -> FloatArray:
    """Codes (..., 3) of so many bits, of which there are none for signals far beyond the range."""
    codes: FloatArray = np.clip(np.rint(ycbcr_codes(signal, bits, range_)), 0, 2**bits - 1)
    return codes


@STEPS.register(
    "luma-table",
    label="codes of luma that arrive as others",
    cause="a table of a driver or picture mode, or codes that are lost",
    words=lambda codes, **_: f"{len(codes)} codes of luma from {min(codes)} to {max(codes)} moved",
    variants=_tables,
    rounds=True,
    last=True,
)
def luma_table(
    signal: FloatArray, medium: Medium, *, codes: tuple[int, ...], to: tuple[int, ...]
) -> FloatArray:
    """Replace some codes of luma, of the source's bits and range, by others."""
    bits, range_ = medium.source.bits, medium.source.range
    table = np.arange(2.0**bits)
    table[list(codes)] = to
    all_codes = _nearest_codes(signal, bits, range_)
    all_codes[..., 0] = table[all_codes[..., 0].astype(int)]
    return with_luma(signal, ycbcr_signals(all_codes, bits, range_)[..., 0])


@STEPS.register(
    "bits",
    label="fewer bits of Y'CbCr",
    cause="a stage of fewer bits",
    words="{bits} bits of {of}, {how}",
    spoken={"of": PLANES},
    variants=_depths,
    rounds=True,
    affine=True,
    once=False,
)
def bits(signal: FloatArray, medium: Medium, *, bits: int, how: str, of: str) -> FloatArray:
    """Codes of ``bits`` bits in the source's range, rounded or cut off."""
    codes = _whole(ycbcr_codes(signal, bits, medium.source.range), how)
    short = ycbcr_signals(np.clip(codes, 0, 2**bits - 1), bits, medium.source.range)
    return short if of == "all" else with_luma(signal, short[..., 0])


def _repeats(medium: Medium, _sent: FloatArray, _captured: FloatArray) -> Iterable[Settings]:
    return [{"how": how, "to": 10} for how in ("rounded", "cut off") if medium.source.bits >= 8]


@STEPS.register(
    "bits-repeated",
    label="8 bits whose highest are repeated below them",
    cause="a conversion to 10 bits that repeats bits in place of multiplying by four",
    words="8 bits, {how}, their highest repeated to make {to}",
    variants=_repeats,
    rounds=True,
    affine=True,
    once=False,
)
def bits_repeated(signal: FloatArray, medium: Medium, *, how: str, to: int) -> FloatArray:
    """Codes of 8 bits and, below them, their highest bits again."""
    short = np.clip(_whole(ycbcr_codes(signal, 8, medium.source.range), how), 0, 255)
    codes = short * 2 ** (to - 8) + np.floor(short / 2 ** (16 - to))
    return ycbcr_signals(codes, to, medium.source.range)


@STEPS.register(
    "dither",
    label="fewer bits with dither",
    cause="a stage of fewer bits that adds noise before it rounds",
    words="{bits} bits with dither",
    variants=tuple({"bits": bits} for bits in range(6, 10)),
    affine=True,
    last=True,
)
def dither(signal: FloatArray, _: Medium, *, bits: int) -> FloatArray:  # noqa: ARG001
    """Means stay; what it adds to samples is part of how likely codes are."""
    return signal


@STEPS.register(
    "saturation-by-hue",
    label="saturation changed around one hue",
    cause="a colour control for one hue",
    words=lambda hue, amount=0.0, aside=0.0, width=60.0: (
        f"saturation {1 + amount:.4f} around the hue of {(hue + aside) % 360:.1f} degrees, "
        f"to {width:.0f} degrees beside it"
    ),
    variants=tuple({"hue": hue} for hue in range(0, 360, 30)),
)
def saturation_by_hue(
    signal: FloatArray,
    _: Medium,
    *,
    hue: float,
    amount: Annotated[float, Param(-1.0, 2.0, "1", "added to the factor of chroma")] = 0.0,
    aside: Annotated[float, Param(-30.0, 30.0, "deg", "added to the hue")] = 0.0,
    width: Annotated[float, Param(15.0, 180.0, "deg", "where it ends, to either side")] = 60.0,
) -> FloatArray:
    """Scale chroma by a factor that falls off around a hue as the square of a cosine."""
    chroma = _complex(signal)
    away = np.abs(np.angle(chroma * np.exp(-1j * np.radians(hue + aside)), deg=True))
    chroma = chroma * (1 + amount * np.cos(np.pi / 2 * np.minimum(away / width, 1)) ** 2)
    return _with_chroma(signal[..., 0], chroma)


@STEPS.register(
    "rgb-stage",
    label="rounded as R'G'B'",
    cause="a stage that carries R'G'B' of few bits, such as a frame buffer",
    words="an R'G'B' stage of {bits} bits, {range_} range",
    variants=tuple(
        {"bits": n, "range_": range_} for n, range_ in product((8, 9, 10), ("full", "narrow"))
    ),
    rounds=True,
    affine=True,
    once=False,
)
def rgb_stage(signal: FloatArray, medium: Medium, *, bits: int, range_: Range) -> FloatArray:
    """R'G'B' codes of ``bits`` bits, rounded and clipped to what they hold."""
    codes = np.floor(rgb_to_codes_of(rgb_of(signal, medium), bits, range_) + 0.5)
    black, span = scale_of(bits, range_)
    return of_rgb((np.clip(codes, 0, 2**bits - 1) - black) / span, medium)


def scale_of(bits: int, range_: Range) -> tuple[float, float]:
    """Black code and codes to nominal peak, for fewer than 8 bits too."""
    if bits >= 8:
        return luma_scale(bits, range_)
    black, span = luma_scale(8, range_)
    return (black * 2.0 ** (bits - 8), span * 2.0 ** (bits - 8)) if black else (0.0, 2.0**bits - 1)


def rgb_to_codes_of(rgb: FloatArray, bits: int, range_: Range) -> FloatArray:
    """R'G'B' codes, real-valued, of any number of bits."""
    black, span = scale_of(bits, range_)
    return rgb * span + black


def ycbcr_codes(signal: FloatArray, bits: int, range_: Range) -> FloatArray:
    """Y'CbCr codes (..., 3), real-valued, of any number of bits."""
    if bits >= 8:
        return ycbcr_to_codes(signal, bits, range_)
    return ycbcr_to_codes(signal, 8, range_) * 2.0 ** (bits - 8)


def ycbcr_signals(codes: FloatArray, bits: int, range_: Range) -> FloatArray:
    """Y'CbCr signals (..., 3) of codes of any number of bits."""
    if bits >= 8:
        return codes_to_ycbcr(codes, bits, range_)
    return codes_to_ycbcr(codes * 2.0 ** (8 - bits), 8, range_)


def to_whole_codes(signal: FloatArray, medium: Medium, bits: int) -> FloatArray:
    """Signals (..., 3) rounded to codes of so many bits in the source's range, halves up."""
    codes = ycbcr_codes(signal, bits, medium.source.range)
    return ycbcr_signals(np.floor(codes + 0.5), bits, medium.source.range)


def _whole(codes: FloatArray, how: str) -> FloatArray:
    # Codes a hair below a whole one are that one, computed in another order.
    whole: FloatArray = np.floor(codes + (0.5 if how == "rounded" else 1e-6))
    return whole


def _complex(signal: FloatArray) -> ComplexArray:
    chroma: ComplexArray = signal[..., 1] + 1j * signal[..., 2]
    return chroma


def joined(luma: FloatArray, blue: FloatArray, red: FloatArray) -> FloatArray:
    """Signals (..., 3) of planes (...), stored plane by plane: that is quicker."""
    signal = np.empty((3, *luma.shape))
    signal[0], signal[1], signal[2] = luma, blue, red
    return signal.transpose(*range(1, signal.ndim), 0)


def with_luma(signal: FloatArray, luma: FloatArray) -> FloatArray:
    """Signals (..., 3) with another luma (...)."""
    return joined(luma, signal[..., 1], signal[..., 2])


def _with_chroma(luma: FloatArray, chroma: ComplexArray) -> FloatArray:
    return joined(luma, chroma.real, chroma.imag)
