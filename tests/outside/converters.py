"""HDR-to-SDR converters that nobody in this project wrote, from registry packages alone.

Three independent programs stand in for playback devices:

- FFmpeg's ``zscale`` and ``tonemap`` filters, whose conversion has a closed form (`Truth`);
- FFmpeg's ``scale`` filter with its colour-management intents, pointwise without published form;
- OpenColorIO's built-in ACES output transforms, where the library itself is the truth.

All take 10-bit narrow-range BT.2020 PQ and give what a 10-bit v210 capture of a BT.709 output
would hold: narrow-range 4:2:2 codes limited to 4..1019.
"""

from __future__ import annotations

import subprocess
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

import av
import imageio_ffmpeg
import numpy as np
import PyOpenColorIO

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

Codes: TypeAlias = "NDArray[np.uint16]"
Curve: TypeAlias = Literal["linear", "clip", "gamma", "reinhard", "hable", "mobius"]
Intent: TypeAlias = Literal["perceptual", "relative", "saturation", "absolute"]

CURVES: tuple[Curve, ...] = ("linear", "clip", "gamma", "reinhard", "hable", "mobius")
# The filter's own defaults: gain, gain, exponent denominator, contrast, none, knee.
PARAMETERS: dict[Curve, float | None] = {
    "linear": 1.0,
    "clip": 1.0,
    "gamma": 1.8,
    "reinhard": 0.5,
    "hable": None,
    "mobius": 0.3,
}

# The raw pictures carry no tags, and a delivered file's tags are not what is under test.
_AS_HDR10 = "setparams=color_primaries=bt2020:color_trc=smpte2084:colorspace=bt2020nc:range=tv"
# v210 reserves the codes at either end for timing (SMPTE ST 274).
_LOWEST, _HIGHEST = 4, 1019
_PATCH = 16  # luma pixels; wide enough that no chroma filter reaches the centre sample
_SIDE = 1024  # of a picture; a multiple of 32, as the filters read whole vectors


@dataclass(frozen=True, slots=True)
class Truth:
    """The closed form of a `FilterConverter`.

    Light in units of ``white``, BT.709 primaries, unclipped; mixed towards R + G + B when
    ``desaturation`` is positive; all components scaled by curve(max) / max; negative light set to
    0; pure power 1/2.4; light above 1 kept as super-white.

    Attributes
    ----------
    curve
        Name of the tone curve.
    parameter
        Its one parameter, or None.
    white
        Light of the curve's unit, cd/m2.
    peak
        Source peak the curve is told, in units of ``white``.
    desaturation
        Strength, 0 for none.
    """

    curve: Curve
    parameter: float | None
    white: float
    peak: float
    desaturation: float
    drive: str = "max_rgb"


@dataclass(frozen=True, slots=True)
class FilterConverter:
    """An FFmpeg filter graph from tagged PQ pictures to yuv422p10le."""

    name: str
    graph: str
    truth: Truth | None = None


@dataclass(frozen=True, slots=True)
class AcesConverter:
    """An ACES output transform applied to light, ``white`` cd/m2 being 1.0, then BT.1886."""

    name: str
    transform: str
    white: float

    def convert(self, codes: Codes) -> Codes:
        """Narrow 10-bit BT.709 codes (..., 3) of narrow 10-bit BT.2020 PQ codes (..., 3)."""
        light = _pq_light(codes) / self.white
        xyz = np.ascontiguousarray(light @ _XYZ_OF_2020.T, np.float32)
        _aces_processor(self.transform).applyRGB(xyz.reshape(-1, 3))
        rgb = np.clip(xyz.astype(np.float64) @ np.linalg.inv(_XYZ_OF_709).T, 0.0, 1.0) ** (1 / 2.4)
        return _quantise_709(rgb)


Converter: TypeAlias = FilterConverter | AcesConverter


def ffmpeg_tonemap(
    curve: Curve,
    parameter: float | None = None,
    peak: float = 10.0,
    white: float = 100.0,
    desaturation: float = 0.0,
    *,
    exact: bool = True,
) -> FilterConverter:
    """FFmpeg's linear-light chain; ``parameter=None`` takes the filter's default.

    Unless ``exact``, some processors read transfer functions from tables, which end at twice the
    white.
    """
    parameter = PARAMETERS[curve] if parameter is None else parameter
    option = "" if parameter is None else f":param={parameter!r}"
    gamma = f"agamma={int(not exact)}"
    graph = (
        f"{_AS_HDR10},zscale=t=linear:npl={white!r}:{gamma},format=gbrpf32le,zscale=p=bt709,"
        f"tonemap=tonemap={curve}{option}:peak={peak!r}:desat={desaturation!r},"
        f"zscale=t=bt709:m=bt709:r=limited:{gamma},format=yuv422p10le"
    )
    name = f"tonemap-{curve}-{parameter}-peak{peak:g}-white{white:g}-desat{desaturation:g}"
    return FilterConverter(name, graph, Truth(curve, parameter, white, peak, desaturation))


def swscale_intent(intent: Intent) -> FilterConverter:
    """Return swscale's colour management with one of its rendering intents."""
    named = f"{intent}_colorimetric" if intent in {"relative", "absolute"} else intent
    graph = (
        f"{_AS_HDR10},scale=out_color_matrix=bt709:out_primaries=bt709:out_transfer=bt709:"
        f"out_range=tv:intent={named},format=yuv422p10le"
    )
    return FilterConverter(f"swscale-{intent}", graph)


def ocio_aces(version: Literal["1.0", "2.0"], white: float = 100.0) -> AcesConverter:
    """OpenColorIO's ACES SDR video output, ``white`` cd/m2 of source light being 1.0."""
    output = {"1.0": "SDR-VIDEO_1.0", "2.0": "SDR-100nit-REC709_2.0"}[version]
    transform = f"ACES-OUTPUT - ACES2065-1_to_CIE-XYZ-D65 - {output}"
    return AcesConverter(f"aces-{version}-white{white:g}", transform, white)


def convert_patches(
    codes: Codes, converter: Converter, subsampling: Literal["420", "444"] = "420"
) -> Codes:
    """Convert flat colours (P, 3) and read the centre sample of each from the 4:2:2 output."""
    codes = np.asarray(codes, np.uint16)
    if isinstance(converter, AcesConverter):
        return converter.convert(codes)
    pictures = b"".join(_draw(page, subsampling) for page in _pages(codes))
    command = [
        *_ffmpeg(),
        *("-f", "rawvideo", "-pix_fmt", f"yuv{subsampling}p10le", "-s", f"{_SIDE}x{_SIDE}"),
        *("-i", "-", "-vf", converter.graph, "-f", "rawvideo", "-pix_fmt", "yuv422p10le", "-"),
    ]
    done = subprocess.run(command, input=pictures, capture_output=True, check=False)
    if done.returncode:
        raise RuntimeError(done.stderr.decode())
    planes = np.frombuffer(done.stdout, "<u2").reshape(-1, 2 * _SIDE * _SIDE)
    read = np.concatenate([_read_centres(picture) for picture in planes])[: len(codes)]
    return np.clip(read, _LOWEST, _HIGHEST)


def convert_clip(
    source: Path, capture: Path, converter: Converter, *, tagged: bool = False
) -> None:
    """Convert a 4:2:0 PQ clip to a v210 .mov, as a capture card would record the output."""
    if isinstance(converter, AcesConverter):
        _convert_frames(source, capture, converter)
        return
    tags = "bt709" if tagged else "unknown"
    strip = f"setparams=color_primaries={tags}:color_trc={tags}:colorspace={tags}"
    command = [
        *_ffmpeg(),
        *("-i", str(source), "-an", "-vf", f"{converter.graph},{strip}"),
        *("-fps_mode", "passthrough", "-c:v", "v210", "-f", "mov", "-y", str(capture)),
    ]
    done = subprocess.run(command, capture_output=True, check=False)
    if done.returncode:
        raise RuntimeError(done.stderr.decode())


def _convert_frames(source: Path, capture: Path, converter: AcesConverter) -> None:
    with av.open(str(source)) as played, av.open(str(capture), "w", format="mov") as recorded:
        shown = played.streams.video[0]
        stream = recorded.add_stream("v210", rate=shown.average_rate)
        stream.width, stream.height, stream.pix_fmt = shown.width, shown.height, "yuv422p10le"
        for index, frame in enumerate(played.decode(shown)):
            luma, cb, cr = (_plane(plane) for plane in frame.planes)
            chroma = (np.kron(plane, np.ones((2, 2), np.uint16)) for plane in (cb, cr))
            codes = _convert_distinct(np.stack([luma, *chroma], -1), converter)
            out = av.VideoFrame(shown.width, shown.height, "yuv422p10le")
            planes = (codes[..., 0], codes[:, ::2, 1], codes[:, ::2, 2])
            for target, values in zip(out.planes, planes, strict=True):
                _plane(target)[:] = values
            out.pts = index
            recorded.mux(stream.encode(out))
        recorded.mux(stream.encode())


def _plane(plane: av.video.plane.VideoPlane) -> Codes:
    """View of a 16-bit plane without its padding."""
    rows = np.frombuffer(plane, "<u2").reshape(plane.height, -1)
    return rows[:, : plane.width]


def _convert_distinct(codes: Codes, converter: AcesConverter) -> Codes:
    """Convert each distinct colour of a picture once; a chart has few."""
    packed = codes.astype(np.uint32) @ np.array([1 << 20, 1 << 10, 1], np.uint32)
    distinct, where = np.unique(packed, return_inverse=True)
    colours = np.stack([distinct >> 20, distinct >> 10 & 1023, distinct & 1023], -1)
    return converter.convert(colours.astype(np.uint16))[where.reshape(packed.shape)]


def _ffmpeg() -> list[str]:
    return [imageio_ffmpeg.get_ffmpeg_exe(), "-nostdin", "-v", "error"]


def _pages(codes: Codes) -> Iterator[Codes]:
    """Grids (rows, columns, 3) of patches, the last one filled up with black."""
    across = _SIDE // _PATCH
    for start in range(0, len(codes), across * across):
        page = np.full((across * across, 3), (64, 512, 512), np.uint16)
        part = codes[start : start + across * across]
        page[: len(part)] = part
        yield page.reshape(across, across, 3)


def _draw(page: Codes, subsampling: str) -> bytes:
    chroma = _PATCH if subsampling == "444" else _PATCH // 2
    sizes = (_PATCH, chroma, chroma)
    planes = (
        np.kron(page[..., k], np.ones((size, size), np.uint16)) for k, size in enumerate(sizes)
    )
    return b"".join(plane.astype("<u2").tobytes() for plane in planes)


def _read_centres(picture: Codes) -> Codes:
    """Patch codes (P, 3) of one yuv422p10le picture."""
    luma, cb, cr = np.split(picture, (_SIDE * _SIDE, _SIDE * _SIDE * 3 // 2))
    middle = _PATCH // 2
    return np.stack(
        [
            luma.reshape(_SIDE, _SIDE)[middle::_PATCH, middle::_PATCH].ravel(),
            *(
                plane.reshape(_SIDE, _SIDE // 2)[middle::_PATCH, middle // 2 :: middle].ravel()
                for plane in (cb, cr)
            ),
        ],
        axis=-1,
    )


@cache
def _aces_processor(transform: str) -> Any:
    to_aces = PyOpenColorIO.BuiltinTransform("UTILITY - ACES-AP0_to_CIE-XYZ-D65_BFD")
    to_aces.setDirection(PyOpenColorIO.TRANSFORM_DIR_INVERSE)
    chain = PyOpenColorIO.GroupTransform([to_aces, PyOpenColorIO.BuiltinTransform(transform)])
    config = PyOpenColorIO.Config.CreateRaw()
    return config.getProcessor(chain).getDefaultCPUProcessor()


def _xyz_matrix(primaries: list[tuple[float, float]]) -> NDArray[np.float64]:
    """RGB to XYZ for D65 white (SMPTE RP 177)."""
    xyz = np.array([[x / y, 1.0, (1 - x - y) / y] for x, y in primaries]).T
    white = np.array([0.3127 / 0.3290, 1.0, (1 - 0.3127 - 0.3290) / 0.3290])
    return xyz * np.linalg.solve(xyz, white)


_XYZ_OF_2020 = _xyz_matrix([(0.708, 0.292), (0.170, 0.797), (0.131, 0.046)])
_XYZ_OF_709 = _xyz_matrix([(0.640, 0.330), (0.300, 0.600), (0.150, 0.060)])


def _pq_light(codes: Codes) -> NDArray[np.float64]:
    """Light in cd/m2, BT.2020 primaries, of narrow 10-bit codes (BT.2020-2, SMPTE ST 2084)."""
    y, cb, cr = np.moveaxis(
        (np.asarray(codes, np.float64) - (64, 512, 512)) / (876, 896, 896), -1, 0
    )
    red, blue = y + 1.4746 * cr, y + 1.8814 * cb
    green = (y - 0.2627 * red - 0.0593 * blue) / 0.6780
    root = np.clip(np.stack([red, green, blue], -1), 0, 1) ** (32 / 2523)
    root = np.maximum(root - 107 / 128, 0) / (2413 / 128 - 2392 / 128 * root)
    return 10000 * root ** (8192 / 1305)


def _quantise_709(rgb: NDArray[np.float64]) -> Codes:
    """Narrow 10-bit BT.709 Y'CbCr codes of R'G'B' (BT.709-6 item 3.4)."""
    luma = rgb @ np.array([0.2126, 0.7152, 0.0722])
    cb, cr = (rgb[..., 2] - luma) / 1.8556, (rgb[..., 0] - luma) / 1.5748
    real = np.stack([64 + 876 * luma, 512 + 896 * cb, 512 + 896 * cr], -1)
    return np.clip(np.floor(real + 0.5), _LOWEST, _HIGHEST).astype(np.uint16)
