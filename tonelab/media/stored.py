"""Clips whose frames lie uncompressed in the file, and v210 among them."""

from __future__ import annotations

import struct
from abc import abstractmethod
from contextlib import contextmanager
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING, cast

import numpy as np

from tonelab.errors import ClipError, SignalError
from tonelab.media import v210
from tonelab.media.clip import (
    CHROMA_FACTORS,
    Clip,
    ClipFormat,
    Frame,
    Strip,
    chroma_size,
    cut_short,
    good_part_note,
    read_only,
    state_signal,
    strip_rows,
    unreadable,
)
from tonelab.media.container import container_name, frame_rate, is_interlaced, presented
from tonelab.media.readers import BY_BYTES, BY_CODEC, BY_NAME, READERS, check_file, parse_rate
from tonelab.media.tags import declared_signal, read_tags

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from io import FileIO
    from pathlib import Path
    from typing import Any, TypeAlias

    from av import Packet
    from av.container import InputContainer
    from av.video.stream import VideoStream
    from numpy.typing import NDArray

    from tonelab.media.container import Presented
    from tonelab.media.readers import Asked
    from tonelab.media.v210 import RowStride
    from tonelab.signal.arrays import IntArray, Plane, Planes
    from tonelab.signal.description import Signal

    Bytes: TypeAlias = NDArray[np.uint8]
    Offsets: TypeAlias = IntArray
    Read: TypeAlias = Callable[[int, int, Bytes], None]

V210_SUFFIX = ".v210"

ALL = frozenset(range(3))  # channels
# An AVI index points at the header of a chunk, a MOV index at its data.
_CHUNK_HEADERS = (0, 8)


class StoredClip(Clip):
    """A clip read straight from the file, when and where asked for.

    Parameters
    ----------
    path, format_, frame_count, signal, notes
        See `Clip`.
    offsets
        Byte position of each frame that was found; fewer than `frame_count` when the file is cut
        short.
    size
        Bytes to read for each frame.
    line
        Bytes at most that hold a row of the picture.
    good_part
        Take a file that is cut short as if it ended with its last whole frame.
    """

    def __init__(
        self,
        path: Path,
        format_: ClipFormat,
        frame_count: int,
        signal: Signal,
        offsets: Offsets,
        size: int,
        line: int,
        notes: tuple[str, ...] = (),
        *,
        good_part: bool = False,
    ) -> None:
        whole = int(np.count_nonzero(offsets + size <= path.stat().st_size))
        if whole == 0:
            raise cut_short(path, 0, frame_count)
        if whole < frame_count and good_part:
            notes = (*notes, good_part_note(whole, frame_count))
            frame_count = whole
        elif whole < frame_count:
            notes = (*notes, f"Only the first {whole} of {frame_count} frames are whole.")
        super().__init__(path, format_, frame_count, signal, notes=notes)
        self._offsets = offsets
        self._line = line

    def frames(self, start: int = 0, stop: int | None = None) -> Iterator[Frame]:
        """Yield the frames `start` to `stop`, see `Clip.frames`."""
        last = self.frame_count if stop is None else min(stop, self.frame_count)
        yield from self.pick(range(max(start, 0), last))

    def pick(self, indices: Sequence[int] | Offsets) -> Iterator[Frame]:
        """Yield the frames with the given ascending indices."""
        with self._reading() as read:
            for index in map(int, indices):
                yield Frame(index, read_only(self._planes(index, read)))

    def strips(self, indices: Sequence[int] | Offsets) -> Iterator[tuple[int, Iterator[Strip]]]:
        """Yield frames as strips, see `Clip.strips`; a strip is read when it is asked for."""
        rows = strip_rows(self._line)
        planes, stored = self._empty(rows), self._stored(rows)
        with self._reading() as read:
            for index in map(int, indices):
                yield index, self._strips(index, read, planes, stored)

    def rows(self, rows: IntArray, channel: int) -> Iterator[tuple[int, Plane]]:
        """Yield some rows of one plane of each frame, see `Clip.rows`; nothing else is read."""
        count = len(rows) * (1 if channel == 0 else CHROMA_FACTORS[self.subsampling][1])
        planes, stored = self._empty(count), self._stored(count)
        edges = [0, *(np.flatnonzero(np.diff(rows) != 1) + 1), len(rows)]
        only = frozenset({channel})
        with self._reading() as read:
            for index in range(self.frame_count):
                for low, high in pairwise(edges):
                    y, cb, cr = (plane[low:high] for plane in planes)
                    tops = (int(rows[low]),) * 3
                    self._fill(index, tops, (y, cb, cr), read, stored, only)
                yield index, planes[channel].copy()

    def _planes(self, index: int, read: Read) -> Planes:
        """Fresh planes of a frame."""
        luma, cb, cr = self._empty(self.height)
        rows, factor = strip_rows(self._line), CHROMA_FACTORS[self.subsampling][1]
        stored = self._stored(rows)
        for top in range(0, self.height, rows):
            small = slice(top // factor, (top + rows) // factor)
            part = luma[top : top + rows], cb[small], cr[small]
            self._fill(index, (top, small.start, small.start), part, read, stored)
        return luma, cb, cr

    def _strips(self, index: int, read: Read, planes: Planes, stored: Bytes) -> Iterator[Strip]:
        """Yield the strips of a frame, each unpacked into ``planes``."""
        rows, factor = len(planes[0]), CHROMA_FACTORS[self.subsampling][1]
        for top in range(0, self.height, rows):
            count = min(rows, self.height - top)
            y, cb, cr = planes
            part = y[:count], cb[: -(-count // factor)], cr[: -(-count // factor)]
            tops = top, top // factor, top // factor
            self._fill(index, tops, part, read, stored)
            yield Strip(tops, part)

    @abstractmethod
    def _fill(
        self,
        index: int,
        tops: tuple[int, int, int],
        planes: Planes,
        read: Read,
        stored: Bytes,
        channels: frozenset[int] = ALL,
    ) -> None:
        """Read and unpack rows of a frame: of each plane from its top on, as many as it has.

        They pass through ``stored``: new memory for each strip costs more than unpacking it. Planes
        other than ``channels`` may be left as they are.
        """

    def _stored(self, rows: int) -> Bytes:
        return np.empty(rows * self._line, np.uint8)

    def _empty(self, rows: int) -> Planes:
        small = chroma_size(self.width, rows, self.subsampling)
        cb, cr = np.empty((2, *small), np.uint16)
        return np.empty((rows, self.width), np.uint16), cb, cr

    @contextmanager
    def _reading(self) -> Iterator[Read]:
        """Give a function that fills a buffer with stored bytes of a frame.

        These are plain reads and no memory map: a file that shrinks, or a network share that
        fails, then gives an error and not a crash.
        """

        def read(index: int, start: int, buffer: Bytes) -> None:
            if index >= len(self._offsets):
                raise cut_short(self.path, len(self._offsets), self.frame_count)
            file.seek(int(self._offsets[index]) + start)
            if not _fill(file, buffer):
                raise cut_short(self.path, index, self.frame_count)

        try:
            with self.path.open("rb", buffering=0) as file:
                yield read
        except ClipError:
            raise
        except OSError as error:
            raise unreadable(self.path, error) from error


class V210Clip(StoredClip):
    """10-bit 4:2:2 as v210; `stride` says how its rows are stored."""

    def __init__(
        self,
        path: Path,
        format_: ClipFormat,
        frame_count: int,
        signal: Signal,
        offsets: Offsets,
        stride: RowStride,
        notes: tuple[str, ...] = (),
        *,
        good_part: bool = False,
    ) -> None:
        notes = (*filter(None, (stride.note,)), *notes)
        size = stride.size * format_.height
        super().__init__(
            path, format_, frame_count, signal, offsets, size, stride.size, notes,
            good_part=good_part,
        )  # fmt: skip
        self.stride = stride

    def violations(self, index: int) -> tuple[int, int]:
        """Count samples with reserved codes and words with non-zero top bits in one frame.

        See `tonelab.media.v210.count_violations`.
        """
        stored = np.empty(self.height * self.stride.size, np.uint8)
        with self._reading() as read:
            read(index, 0, stored)
        words = v210.words_of(stored, self.height, self.stride.size)
        return v210.count_violations(words, self.width)

    def _fill(
        self,
        index: int,
        tops: tuple[int, int, int],
        planes: Planes,
        read: Read,
        stored: Bytes,
        channels: frozenset[int] = ALL,  # noqa: ARG002 - they lie in the same words
    ) -> None:
        count = len(planes[0])
        stored = stored[: count * self._line]
        read(index, tops[0] * self._line, stored)
        v210.unpack(v210.words_of(stored, count, self._line), *planes)


def bare_v210(asked: Asked, format_: ClipFormat, signal: Signal, start: int = 0) -> V210Clip:
    """Open a file that is nothing but v210 frames from the byte ``start`` on.

    Without a stated row stride the 48-pixel rule holds, unless the file divides into whole frames
    only by one of the shorter strides.
    """
    path, stated = asked.path, asked.geometry.get("stride")
    total = path.stat().st_size - start
    sizes = [v210.stride_of(format_.width, block) * format_.height for block in v210.BLOCKS]
    size = next((size for size in sizes if total >= size and total % size == 0), sizes[0])
    if stated is not None:
        size = stated * format_.height
    if total < size:
        raise cut_short(path, 0, 1)
    stride = v210.recognise_stride(size, format_.width, format_.height, stated, path.name)
    offsets, notes = one_after_another(path, size, start)
    good_part = asked.good_part
    return V210Clip(
        path, format_, len(offsets), signal, offsets, stride, notes, good_part=good_part
    )


@READERS.register(
    "bare-v210",
    label="nothing but v210 frames (.v210)",
    source="the v210 layout, see `tonelab.media.v210`",
    takes=lambda asked: asked.suffix == V210_SUFFIX,
    turn=BY_NAME,
)
def read_bare_v210(asked: Asked) -> V210Clip:
    """Open a file that is nothing but v210 frames, described by the user."""
    check_file(asked.path)
    format_ = described(asked, "v210", "422", 10)
    return bare_v210(asked, format_, signal_of(asked, format_))


@READERS.register(
    "unindexed",
    label="a MOV or MP4 whose recording was broken off, its v210 without its index",
    source="ISO/IEC 14496-12, 4.2; the v210 layout, see `tonelab.media.v210`",
    takes=lambda asked: asked.suffix in {".mov", ".mp4", ".m4v"} and _unindexed(asked) is not None,
    turn=BY_BYTES,
)
def read_unindexed(asked: Asked) -> V210Clip:
    """Open v210 that lies in a MOV without a description, where the user describes it.

    Sound between the frames would shift them; it sets bits that v210 leaves clear.
    """
    lacking = f"{asked.path} was never finished: it lacks the index (moov) to its pictures"
    if any(name not in asked.geometry for name in ("width", "height", "rate")):
        raise ClipError(
            f"{lacking}. Record it again; or, if it holds v210 and no sound, state width, height "
            "and rate."
        )
    format_ = described(asked, "v210", "422", 10)
    clip = bare_v210(asked, format_, signal_of(asked, format_), _unindexed(asked) or 0)
    last = clip.frame_count - 1 if asked.good_part else max(clip.frame_count - 2, 0)
    if any(clip.violations(index)[1] for index in {0, last}):
        raise ClipError(
            f"{lacking}, and what it holds is no v210 of {format_.width}x{format_.height} pixels, "
            "or has sound between its frames: record it again."
        )
    clip.notes += ("The file lacks its index and is read as v210 frames alone, as stated.",)
    return clip


@READERS.register(
    "v210",
    label="v210 in a container, unpacked by tonelab itself",
    source="the v210 layout, see `tonelab.media.v210`",
    takes=lambda asked: asked.stream[1].codec_context.name == "v210",
    turn=BY_CODEC,
)
def read_v210(asked: Asked) -> V210Clip:
    """Open v210 in a container."""
    container, stream = asked.stream
    format_ = ClipFormat(
        container=container_name(asked.path, container),
        codec="v210",
        width=stream.codec_context.width,
        height=stream.codec_context.height,
        rate=frame_rate(asked.path, stream),
        subsampling="422",
        bits=10,
        interlaced=is_interlaced(stream),
    )
    signal = declared_signal(read_tags(stream.codec_context), 10, "422")
    signal = state_signal(signal, asked.stated, asked.path)
    shown = presented(asked.path, container, stream)
    offsets, size = locate(asked.path, container, stream, shown)
    stated = asked.geometry.get("stride")
    stride = v210.recognise_stride(size, format_.width, format_.height, stated, asked.path.name)
    count, good_part = max(shown.frames, len(offsets)), asked.good_part
    notes = notes_of(shown, offsets)
    return V210Clip(asked.path, format_, count, signal, offsets, stride, notes, good_part=good_part)


def described(asked: Asked, codec: str, subsampling: str, bits: int) -> ClipFormat:
    """Format of a file without a container, as the user states it."""
    missing = [name for name in ("width", "height", "rate") if name not in asked.geometry]
    if missing:
        raise ClipError(
            f"{asked.path} carries no description of its pictures: state {', '.join(missing)}."
        )
    if subsampling not in CHROMA_FACTORS:
        raise ClipError(f"The subsampling {subsampling} is unknown: state 420, 422 or 444.")
    if not 8 <= bits <= 16:
        raise SignalError(f"A bit depth of {bits} is not supported: state 8 to 16 bits.")
    return ClipFormat(
        container="none",
        codec=codec,
        width=asked.whole("width"),
        height=asked.whole("height"),
        rate=parse_rate(asked.geometry["rate"]),
        subsampling=cast("Any", subsampling),
        bits=bits,
    )


def signal_of(asked: Asked, format_: ClipFormat) -> Signal:
    """Signal of a file without a container, as the user states it."""
    rgb = asked.stated.get("matrix") == "rgb"
    signal = declared_signal({}, format_.bits, format_.subsampling, rgb=rgb)
    return state_signal(signal, asked.stated, asked.path)


def _unindexed(asked: Asked) -> int | None:
    """Where the data of a MOV begins that has no index; None for any other file."""
    check_file(asked.path)
    size, start, data = asked.path.stat().st_size, 0, None
    with asked.path.open("rb") as file:
        while start + 8 <= size:
            file.seek(start)
            length, name = struct.unpack(">I4s", file.read(8))
            head = 8
            if length == 1:
                length, head = int.from_bytes(file.read(8), "big"), 16
            if name in {b"moov", b"moof"} or not name.isalnum():
                return None
            if name == b"mdat" and data is None:
                data = start + head
            # One whose length was never written reaches to the end of the file.
            start += length if length >= head else size
    return data


def locate(
    path: Path, container: InputContainer, stream: VideoStream, shown: Presented
) -> tuple[Offsets, int]:
    """Byte positions of the frames, and the bytes stored for each.

    They come from the container's index when it is whole and its first entry leads to the first
    frame, else from reading the container through once.
    """
    packets = (packet for packet in container.demux(stream) if not packet.is_discard)
    first = next((packet for packet in packets if packet.size), None)
    if first is None:
        raise cut_short(path, 0, shown.frames)
    indexed = from_index(path, stream, shown, first)
    if indexed is not None:
        return indexed, first.size
    if first.pos is None:
        raise _scattered(path)
    with path.open("rb") as file:
        file.seek(first.pos)
        if file.read(first.size) != bytes(first):
            raise _scattered(path)
    found, times = [first.pos], [first.pts or 0]
    for packet in packets:
        if packet.size not in {0, first.size} or packet.pos is None or packet.pts is None:
            break
        found.append(packet.pos if packet.size else found[-1])
        times.append(packet.pts)
    return _with_repeats(np.array(found, np.int64), times, shown), first.size


def from_index(
    path: Path, stream: VideoStream, shown: Presented, first: Packet[VideoStream]
) -> Offsets | None:
    """Byte positions of the frames by the container's index.

    None where it is not whole, or does not lead to the ``first`` packet that is shown, or packets
    are not all of one size.
    """
    entries = [entry for entry in stream.index_entries if not entry.is_discard]
    if not len(entries) + shown.repeats >= shown.frames > 0:
        return None
    if {entry.size for entry in entries} != {first.size}:
        return None
    positions = np.array([entry.pos for entry in entries], np.int64)
    with path.open("rb") as file:
        for header in _CHUNK_HEADERS:
            file.seek(int(positions[0]) + header)
            if file.read(first.size) == bytes(first):
                times = [entry.timestamp for entry in entries]
                return _with_repeats(positions + header, times, shown)
    return None


def notes_of(shown: Presented, offsets: Offsets) -> tuple[str, ...]:
    """Sentences on frames that are not shown as they are stored; repeats lie where others do."""
    return replace(shown, repeats=len(offsets) - len(np.unique(offsets))).notes


def _with_repeats(positions: Offsets, times: Sequence[int], shown: Presented) -> Offsets:
    """Give positions again where times count frames and some are missing between."""
    if not shown.numbered:
        return positions
    counts = np.diff([*times, shown.end or times[-1] + 1])
    return np.repeat(positions, np.maximum(counts, 0))


def _scattered(path: Path) -> ClipError:
    return ClipError(
        f"{path} stores v210 in a way that is not supported: rewrap it as MOV or AVI without "
        "re-encoding."
    )


def one_after_another(path: Path, size: int, start: int = 0) -> tuple[Offsets, tuple[str, ...]]:
    """Positions of frames that follow each other to the end of the file; the last may be cut."""
    count, rest = divmod(path.stat().st_size - start, size)
    offsets = start + np.arange(count + bool(rest), dtype=np.int64) * size
    if not rest:
        return offsets, ()
    return offsets, (
        f"The last {rest} bytes are no whole frame: the file is cut short or misdescribed.",
    )


def _fill(file: FileIO, buffer: Bytes) -> bool:
    """Read until the buffer is full; False when the file ends before."""
    view = buffer.data
    while view:
        count = file.readinto(view)
        if not count:
            return False
        view = view[count:]
    return True
