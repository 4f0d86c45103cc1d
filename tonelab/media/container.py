"""Containers and picture headers: opened for reading, what they declare, what would be misread."""

from __future__ import annotations

import struct
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, BinaryIO

import av
import numpy as np

from tonelab.errors import ClipError
from tonelab.media.clip import unreadable

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from av.container import InputContainer
    from av.video.stream import VideoStream

LARGEST_PICTURE = 2**26  # pixels, twice those of 8K; a few bytes can claim far more
# Not among them: lists of other files, which a stranger's clip could have read.
_CONTAINERS = (
    "mov,avi,matroska,mxf,mpegts,mpeg,nut,gxf,asf,flv,ivf,dv,yuv4mpegpipe,hevc,h264,obu,mpegvideo"
)
SIZE_BOUND = {"max_pixels": str(LARGEST_PICTURE)}
_READER_OPTIONS = {"protocol_whitelist": "file", "format_whitelist": _CONTAINERS} | SIZE_BOUND
# Without these, decoders patch over damage and say nothing.
DECODER_OPTIONS = {"err_detect": "crccheck+bitstream+buffer+explode"} | SIZE_BOUND
_PROGRESSIVE = (0, 1)
# Bytes looked at: of the head of an AVI file, for its index of indices, and of a plain index.
_HEAD_OF_AVI, _INDEX_OF_AVI = 1 << 20, 1 << 26
_ENTRY, _SHORT = 12, 3  # bytes of a TIFF directory entry, and its type of 16-bit numbers
# TIFF 6.0 tags: what they must hold where they are there, and what else they would mean.
_TIFF_TAGS = {
    262: ((1, 2), "neither RGB nor grey"),
    322: ((), "stored in tiles"),
    339: ((1,), "of signed or floating point samples"),
}
_EXR_TILED, _EXR_DEEP_OR_PARTS = 0x200, 0x1800
_EXR_ROWS = (1, 1, 1, 16, 32, 16, 32, 32, 32, 256)  # of a block, by method of compression


@contextmanager
def open_stream(path: Path) -> Iterator[tuple[InputContainer, VideoStream]]:
    """Open a file and its first video stream, set up for decoding that repeats exactly.

    Raises
    ------
    ClipError
        When the file is not a video.
    """
    try:
        # The scheme keeps a colon in a file name from being read as one.
        container = av.open(f"file:{path}", options=_READER_OPTIONS)
    except FileNotFoundError as error:
        raise unreadable(path, error) from error
    except (av.error.FFmpegError, ValueError) as error:
        raise ClipError(
            f"{path} is not a video that can be read, or it is cut short at its head: check that "
            "it was copied whole."
        ) from error
    with container:
        if not container.streams.video:
            raise ClipError(f"{path} holds no video: name the file that carries the picture.")
        stream = container.streams.video[0]
        # Threads across frames decode like one thread; threads across slices were seen not to.
        stream.thread_type = "FRAME"
        if stream.codec_context is None:  # PyAV's way of saying that the codec is not named
            raise ClipError(
                f"{path} does not say how its picture is coded, as files cut short do not: copy or "
                "record it again."
            )
        if not stream.codec_context.width * stream.codec_context.height:
            raise ClipError(
                f"{path} states no size of its picture, or more than {LARGEST_PICTURE} pixels: it "
                "is damaged, or made to harm."
            )
        stream.codec_context.options = DECODER_OPTIONS
        yield container, stream


def container_name(path: Path, container: InputContainer) -> str:
    """Short name of the container; of several that share a reader, the one in the file name."""
    names = container.format.name.split(",")
    suffix = path.suffix.lower().lstrip(".")
    return suffix if suffix in names else names[0]


def is_interlaced(stream: VideoStream) -> bool:
    """Whether the container or codec declares fields."""
    return stream.codec_context.field_order not in _PROGRESSIVE


def frame_rate(path: Path, stream: VideoStream) -> Fraction:
    """Frames per second that the container declares.

    Raises
    ------
    ClipError
        When it declares none.
    """
    rate = stream.average_rate or stream.guessed_rate
    if not rate:
        raise ClipError(f"{path} does not say its frame rate: rewrap it with one.")
    return Fraction(rate.numerator, rate.denominator)


@dataclass(frozen=True, slots=True)
class Presented:
    """What a container shows of the pictures that it stores.

    Attributes
    ----------
    frames
        Promised frames; 0 where the container gives a duration only.
    hidden
        Stored pictures that its edit list leaves out.
    numbered
        Times of pictures count frames, and one that is missing between two is a repeat of the one
        before, which takes an empty packet.
    end
        Time after the last frame where times count frames and the file is whole, else None.
    repeats
        How many such there are, where the index tells.
    last
        Where in the file the picture that is stored last lies, where the index tells.
    """

    frames: int
    hidden: int = 0
    numbered: bool = False
    end: int | None = None
    repeats: int = 0
    last: int | None = None

    @property
    def notes(self) -> tuple[str, ...]:
        """Sentences on what is not shown as it is stored."""
        notes = [repeats_note(self.repeats)] if self.repeats else []
        if self.hidden:
            are = "stored frame is" if self.hidden == 1 else "stored frames are"
            notes.append(f"{self.hidden} {are} hidden by the edit list, and not read.")
        return tuple(notes)


def repeats_note(count: int) -> str:
    """Say how many frames are repeats."""
    if count == 1:
        return "1 frame is a repeat of the one before it, by an empty packet."
    return f"{count} frames are repeats of those before them, by empty packets."


def presented(path: Path, container: InputContainer, stream: VideoStream) -> Presented:
    """Say which of its stored pictures a container shows, and which twice."""
    entries, name = stream.index_entries, container.format.name
    # The index and not the header knows which pictures an edit list leaves out.
    if "mov" in name and entries and stream.frames:
        shown = sum(not entry.is_discard for entry in entries)
        return Presented(shown, max(0, stream.frames - shown), last=entries[-1].pos)
    # AVI gives a picture no time but its number; FFmpeg drops its empty packets.
    if name == "avi" and stream.frames and not stream.codec_context.has_b_frames:
        listed = _packets_of_avi(path, stream.index)
        if listed is None or not entries:
            return Presented(stream.frames, numbered=True)
        times = {entry.timestamp for entry in entries}
        # Nothing comes before the first picture that could be repeated.
        first, end = min(times), max(listed, max(times) + 1)
        promised = max(stream.frames, end) - first
        return Presented(promised, numbered=True, end=end, repeats=end - first - len(times))
    return Presented(stream.frames)


def _packets_of_avi(path: Path, stream: int) -> int | None:
    """Packets of a video stream by the index of an AVI file, which lists the empty ones too.

    None where it has no index, or is not as long as its outermost chunks say.
    """
    size, listed = path.stat().st_size, 0
    with path.open("rb") as file:

        def chunk(start: int) -> tuple[bytes, bytes, int, int]:
            file.seek(start)
            name, length, kind = struct.unpack("<4sI4s", file.read(12).ljust(12, b"\0"))
            return name, kind, length, start + 8 + length + length % 2

        end, start = chunk(0)[3], 12
        while start < end <= size + 1:
            name, kind, length, after = chunk(start)
            if b"\0" in name:
                break
            file.seek(start + 8)
            if kind == b"hdrl":
                listed = _indexed_in_head(file.read(min(length, _HEAD_OF_AVI)), stream)
            elif name == b"idx1" and not listed:  # which knows the first outermost chunk alone
                table = file.read(min(length, _INDEX_OF_AVI))
                names = np.frombuffer(table[: len(table) // 16 * 16] or bytes(16), "S4")[::4]
                listed = int(np.isin(names, [b"%02ddb" % stream, b"%02ddc" % stream]).sum())
            start = after
        while end < size:  # large files go on in further chunks
            name, _, _, after = chunk(end)
            if name != b"RIFF":
                break
            end = after
    return listed if listed and 12 < end <= size + 1 else None


def _indexed_in_head(head: bytes, stream: int) -> int:
    """Packets of a stream by its index of indices (OpenDML AVI 1.02, 3.0); 0 without one."""
    at = -1
    while (at := head.find(b"indx", at + 1)) >= 0:
        part = head[at + 8 : at + 32].ljust(24, b"\0")
        _, kind, used, chunk = struct.unpack_from("<HHI4s", part)
        if kind == 0 and chunk[:2] == b"%02d" % stream:
            entries = head[at + 32 : at + 32 + 16 * used]
            return sum(struct.unpack_from("<I", entries, k)[0] for k in range(12, len(entries), 16))
    return 0


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
