"""How to read a clip's code values."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

import numpy as np

from tonelab.described import described, result
from tonelab.errors import SignalError
from tonelab.signal.colorimetry import (
    LUMA_WEIGHTS,
    PRIMARIES,
    Matrix,
    Primaries,
    matrix_rgb_to_rgb,
    ycbcr_to_rgb,
)
from tonelab.signal.quantisation import RANGES, Range, codes_to_rgb, codes_to_ycbcr, luma_scale
from tonelab.signal.transfer import eotf_bt1886, eotf_hlg, eotf_pq, eotf_srgb

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike

    from tonelab.signal.arrays import FloatArray

Transfer: TypeAlias = Literal["pq", "hlg", "bt1886", "gamma22", "srgb"]
Origin: TypeAlias = Literal["declared", "stated", "inferred", "assumed"]

TRANSFERS: tuple[Transfer, ...] = ("pq", "hlg", "bt1886", "gamma22", "srgb")
HDR_TRANSFERS: tuple[Transfer, ...] = ("pq", "hlg")
DECLARED = ("matrix", "range", "transfer", "primaries", "bits")  # what codes may show
SITINGS = ("left", "centre", "topleft")

# The matrix that R'G'B' of these primaries is coded with, by the standard that defines them.
_MATRIX_OF: dict[Primaries, Matrix] = {
    "bt709": "bt709",
    "bt2020": "bt2020",
    "bt601-625": "bt601",
    "bt601-525": "bt601",
}
# The largest picture of standard definition: BT.601-7 with 625 lines, blanking included.
_SD_SIZE = (768, 576)
_LINES_525 = 486  # active lines of BT.601-7 with 525 lines; 480 of them are carried most often

_CHOICES: dict[str, tuple[str, ...]] = {
    "matrix": (*LUMA_WEIGHTS, "rgb"),
    "range": RANGES,
    "transfer": TRANSFERS,
    "primaries": tuple(PRIMARIES),
    "siting": SITINGS,
}


@result
class Signal:
    """The meaning of code values, in tonelab's names (see `parse_signal`)."""

    matrix: Matrix = described(
        "Y'CbCr matrix", note="``rgb`` where the codes are R'G'B'.", default="bt709"
    )
    range: Range = described("narrow or full range", default="narrow")
    transfer: Transfer = described("Transfer function", default="bt1886")
    primaries: Primaries = described("Primaries of R, G and B", default="bt709")
    bits: int = described("Bit depth of the codes", "bit", low=1, default=10)
    siting: str = described("Position of chroma samples", default="left")
    peak: float = described(
        "Peak of the assumed display (HLG: nominal peak)",
        "cd/m2",
        note="For BT.1886, powers and HLG; PQ is absolute and uses neither this nor ``black``.",
        low=0,
        default=100.0,
    )
    black: float = described("Black of the assumed display", "cd/m2", low=0, default=0.0)
    origins: Mapping[str, Origin] = described(
        "Where each field comes from",
        dims=("field",),
        note="Declared by the container, stated by the user, inferred from the data, or assumed.",
        default_factory=dict,
    )

    @property
    def is_hdr(self) -> bool:
        """Whether the transfer function is PQ or HLG."""
        return self.transfer in HDR_TRANSFERS

    @property
    def is_stated_sdr(self) -> bool:
        """Whether a person says that it is SDR; of a source, a tag alone may be wrong."""
        return not self.is_hdr and self.origins.get("transfer") == "stated"

    @property
    def coding_matrix(self) -> Matrix:
        """Matrix of its Y'CbCr; of R'G'B', the one that goes with its primaries.

        P3-D65 has no matrix of its own: it is carried as BT.2020 in HDR and as BT.709 in SDR.
        """
        if self.matrix != "rgb":
            return self.matrix
        return _MATRIX_OF.get(self.primaries, "bt2020" if self.is_hdr else "bt709")

    def with_fields(self, origin: Origin, **fields: Any) -> Signal:
        """Return a copy with fields replaced and their origin noted."""
        noted = {**self.origins, **dict.fromkeys(fields, origin)}
        return replace(self, **fields, origins=noted)

    def with_sdr_colours(self, width: int, height: int) -> Signal:
        """Return the same with matrix and primaries of SDR video where nothing says them.

        By the size of the picture, as no sign of them need be in the codes: BT.601 with 625 or 525
        lines up to 768x576, BT.709 above. A matrix or primaries that are known decide of the other.
        """
        silent = [n for n in ("matrix", "primaries") if self.origins.get(n, "assumed") == "assumed"]
        standard = width <= _SD_SIZE[0] and height <= _SD_SIZE[1]
        if "primaries" not in silent:
            standard = self.primaries in {"bt601-625", "bt601-525"}
        elif "matrix" not in silent and self.matrix != "rgb":
            standard = standard and self.matrix == "bt601"
        lines: Primaries = "bt601-525" if height <= _LINES_525 else "bt601-625"
        colours = {
            "matrix": "bt601" if standard else "bt709",
            "primaries": lines if standard else "bt709",
        }
        return self.with_fields("inferred", **{name: colours[name] for name in silent})

    def decode_rgb(self, codes: ArrayLike) -> FloatArray:
        """R'G'B' signals of Y'CbCr codes (..., 3), or of R'G'B' codes under the matrix "rgb"."""
        if self.matrix == "rgb":
            return codes_to_rgb(codes, self.bits, self.range)
        return ycbcr_to_rgb(codes_to_ycbcr(codes, self.bits, self.range), self.matrix)

    def decode_light(self, codes: ArrayLike) -> FloatArray:
        """Linear display light in cd/m2, in the signal's own primaries, of codes (..., 3)."""
        rgb = self.decode_rgb(codes)
        match self.transfer:
            case "pq":
                return eotf_pq(rgb)
            case "hlg":
                return eotf_hlg(rgb, self.peak, self.black)
            case "bt1886":
                return eotf_bt1886(rgb, self.peak, self.black)
            case "gamma22":
                return self.peak * np.maximum(rgb, 0.0) ** 2.2
            case "srgb":
                return self.peak * np.maximum(eotf_srgb(rgb), 0.0)

    def decode_light_2020(self, codes: ArrayLike) -> FloatArray:
        """Linear display light in cd/m2, in BT.2020 primaries, of codes (N, 3); may be negative."""
        light = self.decode_light(codes)
        if self.primaries == "bt2020":
            return light
        return light @ matrix_rgb_to_rgb(self.primaries, "bt2020").T

    def describe(self) -> str:
        """Return one line for people, with the display assumption wherever light depends on one."""
        range_ = f"{self.bits}-bit {self.range} range"
        display = ""
        if self.transfer == "hlg":
            display = f" on a {self.peak:g} cd/m2 display"
        elif self.transfer != "pq":
            display = f" on a {self.peak:g} cd/m2 display, black {self.black:g}"
        return (
            f"{range_}, {self.matrix} matrix, {self.primaries} primaries, {self.transfer}{display}"
        )


def parse_signal(text: str) -> dict[str, Any]:
    """Parse the user's statement, such as ``matrix=bt709,range=full,peak=203``.

    Returns
    -------
    dict
        Fields of `Signal`, ready for ``with_fields("stated", ...)``.

    Raises
    ------
    SignalError
        When a field or a value is unknown; the sentence lists what is known.
    """
    fields: dict[str, Any] = {}
    for item in filter(None, (part.strip() for part in text.split(","))):
        key, separator, value = (piece.strip() for piece in item.partition("="))
        if not separator:
            raise SignalError(f"The signal statement {item!r} needs the form FIELD=VALUE.")
        if key in _CHOICES:
            if value not in _CHOICES[key]:
                known = ", ".join(_CHOICES[key])
                raise SignalError(f"The {key} {value!r} is unknown: state one of {known}.")
            fields[key] = value
        elif key in {"peak", "black", "bits"}:
            fields[key] = _number(key, value)
            if key == "bits":
                luma_scale(int(fields[key]), "narrow")  # refuses a depth that is not supported
        else:
            known = ", ".join([*_CHOICES, "bits", "peak", "black"])
            raise SignalError(f"The signal field {key!r} is unknown: state one of {known}.")
    return fields


def parse_declared(text: str) -> dict[str, Any]:
    """Parse what an output declared on the wire, such as ``matrix=bt2020,range=full,bits=10``.

    Returns
    -------
    dict
        Some of matrix, range, transfer, primaries, bits.

    Raises
    ------
    SignalError
        When a field or a value is unknown, or the codes of a capture cannot show it.
    """
    fields = parse_signal(text)
    for name in fields:
        if name not in DECLARED:
            raise SignalError(
                f"The codes of a capture do not show {name}: declare {', '.join(DECLARED)}."
            )
    return fields


def _number(key: str, value: str) -> float | int:
    try:
        number = int(value) if key == "bits" else float(value)
    except ValueError:
        raise SignalError(f"The {key} {value!r} is not a number.") from None
    if not np.isfinite(number) or number < 0 or (key == "peak" and number == 0):
        raise SignalError(f"The {key} {value!r} is out of range: state a positive number.")
    return number
