"""Colour tags and HDR static metadata as containers and codecs carry them.

Tag numbers are those of ITU-T H.273, shared by HEVC, MOV/MP4, Matroska and FFmpeg.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Any, Protocol

from tonelab.errors import ClipError
from tonelab.media.clip import StaticMetadata
from tonelab.signal.description import Origin, Signal

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tonelab.media.clip import Subsampling

_PRIMARIES = {
    1: "bt709",
    5: "bt601-625",
    6: "bt601-525",
    7: "bt601-525",
    9: "bt2020",
    12: "p3d65",
}
# 1, 6, 14 and 15 tag camera curves; what such a clip is shown with is BT.1886.
_TRANSFERS = {
    16: "pq",
    18: "hlg",
    1: "bt1886",
    6: "bt1886",
    14: "bt1886",
    15: "bt1886",
    13: "srgb",
    4: "gamma22",
}
_MATRICES = {1: "bt709", 5: "bt601", 6: "bt601", 9: "bt2020", 0: "rgb"}
_RANGES = {1: "narrow", 2: "full"}

PRIMARIES_TAG = {"bt709": 1, "bt601-625": 5, "bt601-525": 6, "bt2020": 9, "p3d65": 12}
TRANSFER_TAG = {"pq": 16, "hlg": 18, "bt1886": 1, "srgb": 13, "gamma22": 4}
MATRIX_TAG = {"bt709": 1, "bt601": 6, "bt2020": 9, "rgb": 0}
RANGE_TAG = {"narrow": 1, "full": 2}

_PRIMARIES_X265 = {
    "bt709": "bt709",
    "bt601-625": "bt470bg",
    "bt601-525": "smpte170m",
    "bt2020": "bt2020",
    "p3d65": "smpte432",
}
_TRANSFER_X265 = {
    "pq": "smpte2084",
    "hlg": "arib-std-b67",
    "bt1886": "bt709",
    "srgb": "iec61966-2-1",
    "gamma22": "bt470m",
}
_MATRIX_X265 = {"bt709": "bt709", "bt601": "smpte170m", "bt2020": "bt2020nc", "rgb": "gbr"}
_MATRIX_X264 = {"bt2020": "bt2020nc", "rgb": "GBR"}
_SITING_X265 = {"left": 0, "centre": 1, "topleft": 2}

_ASSUMABLE = ("matrix", "range", "transfer", "primaries", "siting", "peak", "black")

# AVMasteringDisplayMetadata: ten rationals (R, G, B, white as x, y; black; peak), two flags.
_MASTERING_BYTES = 88
_LIGHT_LEVEL_BYTES = 8


class Tagged(Protocol):
    """Anything with H.273 tag numbers: a decoded frame or a codec context."""

    color_primaries: int
    color_trc: int
    colorspace: int
    color_range: int


def read_tags(tagged: Tagged) -> dict[str, str]:
    """Fields of `Signal` that the tags declare; unspecified and foreign numbers say nothing."""
    found = {
        "primaries": _PRIMARIES.get(int(tagged.color_primaries)),
        "transfer": _TRANSFERS.get(int(tagged.color_trc)),
        "matrix": _MATRICES.get(int(tagged.colorspace)),
        "range": _RANGES.get(int(tagged.color_range)),
    }
    return {field: name for field, name in found.items() if name is not None}


def declared_signal(
    declared: Mapping[str, Any], bits: int, subsampling: Subsampling, *, rgb: bool = False
) -> Signal:
    """Return the signal the container declares, with assumptions for what it leaves open.

    Whether planes are R, G, B follows from the pixel format and not by the matrix tag: in a clip of
    luma and chroma planes a matrix tagged ``rgb`` says nothing, and the other way round.
    """
    fields = {k: v for k, v in declared.items() if k != "matrix" or (v == "rgb") == rgb}
    if rgb:
        fields["matrix"] = "rgb"
    assumed: dict[str, Any] = {"range": "full"} if rgb else {}
    if fields.get("primaries") == "bt2020":
        assumed["matrix"] = "bt2020"
        if subsampling == "420":
            assumed["siting"] = "topleft"
    if fields.get("transfer") == "hlg":
        assumed["peak"] = 1000.0
    blank: dict[str, Origin] = dict.fromkeys(_ASSUMABLE, "assumed")
    signal = Signal(**assumed, bits=bits, origins=blank)
    return signal.with_fields("declared", bits=bits, **fields)


def read_static_metadata(
    mastering: bytes | None, light_level: bytes | None
) -> StaticMetadata | None:
    """Read the payloads FFmpeg attaches to frames (SMPTE ST 2086, CTA-861.3).

    A payload of another length than the known layout is left alone. A maximum light level of 0
    means unknown (CTA-861.3).
    """
    fields: dict[str, Any] = {}
    if mastering is not None and len(mastering) == _MASTERING_BYTES:
        numbers = struct.unpack("=22i", mastering)
        values = [
            numerator / denominator if denominator else 0.0
            for numerator, denominator in zip(numbers[0:20:2], numbers[1:20:2], strict=True)
        ]
        has_primaries, has_luminance = numbers[20:]
        if has_primaries:
            points = list(zip(values[0:8:2], values[1:8:2], strict=True))
            fields |= {"mastering_primaries": tuple(points[:3]), "mastering_white": points[3]}
        if has_luminance:
            fields |= {"mastering_black": values[8], "mastering_peak": values[9]}
    if light_level is not None and len(light_level) == _LIGHT_LEVEL_BYTES:
        max_cll, max_fall = struct.unpack("=2I", light_level)
        fields |= {"max_cll": max_cll or None, "max_fall": max_fall or None}
    return StaticMetadata(**fields) if fields else None


def x265_tags(signal: Signal, metadata: StaticMetadata | None) -> dict[str, str]:
    """Options of x265 that write colour tags and static metadata into the stream.

    Raises
    ------
    ClipError
        When the metadata cannot be written.
    """
    options = {
        "colorprim": _PRIMARIES_X265[signal.primaries],
        "transfer": _TRANSFER_X265[signal.transfer],
        "colormatrix": _MATRIX_X265[signal.matrix],
        "range": "limited" if signal.range == "narrow" else "full",
    }
    if signal.siting in _SITING_X265:
        options["chromaloc"] = str(_SITING_X265[signal.siting])
    if metadata is None:
        return options
    if metadata.mastering_peak is not None:
        options["master-display"] = _master_display(metadata)
    if metadata.max_cll is not None or metadata.max_fall is not None:
        options["max-cll"] = f"{metadata.max_cll or 0},{metadata.max_fall or 0}"
    return options


def x264_tags(signal: Signal) -> dict[str, str]:
    """Options of x264 that write colour tags into the stream."""
    options = {
        "colorprim": _PRIMARIES_X265[signal.primaries],
        "transfer": _TRANSFER_X265[signal.transfer],
        "colormatrix": _MATRIX_X264.get(signal.matrix, _MATRIX_X265[signal.matrix]),
        "fullrange": "off" if signal.range == "narrow" else "on",
    }
    if signal.siting in _SITING_X265:
        options["chromaloc"] = str(_SITING_X265[signal.siting])
    return options


def _master_display(metadata: StaticMetadata) -> str:
    """Mastering display in the units of the HEVC message: 0.00002, 0.0001 cd/m2; order G, B, R."""
    if metadata.mastering_primaries is None or metadata.mastering_white is None:
        raise ClipError(
            "The mastering display has a peak but no primaries or white: state all of them."
        )
    red, green, blue = (_chromaticity(point) for point in metadata.mastering_primaries)
    white = _chromaticity(metadata.mastering_white)
    peak = round((metadata.mastering_peak or 0.0) * 10000)
    black = round((metadata.mastering_black or 0.0) * 10000)
    return f"G{green}B{blue}R{red}WP{white}L({peak},{black})"


def _chromaticity(point: tuple[float, float]) -> str:
    return f"({round(point[0] * 50000)},{round(point[1] * 50000)})"
