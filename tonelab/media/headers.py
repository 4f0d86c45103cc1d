"""Headers of pictures: what a decoder would misread or patch over without a word."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, BinaryIO

from tonelab.errors import ClipError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_ENTRY, _SHORT = 12, 3  # bytes of a TIFF directory entry, and its type of 16-bit numbers
# TIFF 6.0 tags: what they must hold where they are there, and what else they would mean.
_TIFF_TAGS = {
    262: ((1, 2), "neither RGB nor grey"),
    322: ((), "stored in tiles"),
    339: ((1,), "of signed or floating point samples"),
}
_EXR_TILED, _EXR_DEEP_OR_PARTS = 0x200, 0x1800
_EXR_ROWS = (1, 1, 1, 16, 32, 16, 32, 32, 32, 256)  # of a block, by method of compression


def check_header(file: Path, kind: str) -> None:
    """Refuse a picture that the decoder of its kind would not read as it is stored.

    Parameters
    ----------
    file
        The picture.
    kind
        ``"tiff"`` and ``"exr"`` are checked.

    Raises
    ------
    ClipError
        When it is of a kind that is misread, or cut short.
    ValueError
        When the header makes no sense.
    OSError
        When the file cannot be read.
    """
    try:
        with file.open("rb") as opened:
            if kind == "tiff":
                _check_tiff(file, opened)
            elif kind == "exr":
                _check_exr(file, opened)
    except (struct.error, UnicodeDecodeError, KeyError, IndexError) as error:
        raise ValueError from error


def _check_tiff(file: Path, opened: BinaryIO) -> None:
    """Read the first directory (TIFF 6.0, section 2)."""
    head = opened.read(8)
    order = ">" if head[:2] == b"MM" else "<"
    opened.seek(struct.unpack(f"{order}I", head[4:])[0])
    (count,) = struct.unpack(f"{order}H", opened.read(2))
    directory = opened.read(_ENTRY * count)
    for start in range(0, _ENTRY * count, _ENTRY):
        tag, type_, values = struct.unpack_from(f"{order}HHI", directory, start)
        if tag not in _TIFF_TAGS:
            continue
        (value,) = struct.unpack_from(f"{order}H", directory, start + 8)
        if type_ == _SHORT and values > 2:  # they lie elsewhere, one for each component
            opened.seek(struct.unpack_from(f"{order}I", directory, start + 8)[0])
            (value,) = struct.unpack(f"{order}H", opened.read(2))
        allowed, fault = _TIFF_TAGS[tag]
        if value not in allowed:
            raise ClipError(
                f"{file} is a TIFF {fault}, which is not read: save it as RGB in strips, with 8 or "
                "16 bits for each component."
            )


def _check_exr(file: Path, opened: BinaryIO) -> None:
    """Follow the table of blocks to the last one, which a file that was cut short lacks."""
    _, version = struct.unpack("<II", opened.read(8))
    attributes = dict(_exr_attributes(opened))
    if version & _EXR_DEEP_OR_PARTS:
        raise ClipError(
            f"{file} is an OpenEXR file of several parts or of deep samples, which is not read: "
            "save it as one flat picture."
        )
    if version & _EXR_TILED:
        return
    _, top, _, bottom = struct.unpack("<4i", attributes["dataWindow"])
    rows = _EXR_ROWS[attributes["compression"][0]]
    blocks = -(-(bottom - top + 1) // rows)
    offsets = struct.unpack(f"<{blocks}Q", opened.read(8 * blocks))
    opened.seek(max(offsets) + 4)
    (size,) = struct.unpack("<i", opened.read(4))
    if len(opened.read(size)) < size:
        raise ClipError(f"{file} is cut short or damaged: copy it again.")


def _exr_attributes(opened: BinaryIO) -> Iterator[tuple[str, bytes]]:
    while name := _text(opened):
        _text(opened)  # its type
        (size,) = struct.unpack("<I", opened.read(4))
        yield name, opened.read(size)


def _text(opened: BinaryIO) -> str:
    """Read up to a zero byte."""
    found = bytearray()
    while (byte := opened.read(1)) != b"\0":
        found.append(byte[0])
    return found.decode()
