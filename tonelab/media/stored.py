"""Clips whose frames lie uncompressed in the file: v210 in MOV and AVI, bare v210, raw planar."""

from __future__ import annotations

from abc import abstractmethod
from contextlib import contextmanager
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
    read_only,
    state_signal,
    strip_rows,
    unreadable,
)
from tonelab.media.container import announced_frames, container_name, frame_rate, is_interlaced
from tonelab.media.readers import BY_CODEC, BY_NAME, READERS, check_file, parse_rate
from tonelab.media.tags import declared_signal, read_tags

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from io import FileIO
    from pathlib import Path
    from typing import Any, TypeAlias

    from av.container import InputContainer
    from av.video.stream import VideoStream
    from numpy.typing import NDArray

    from tonelab.media.readers import Asked
    from tonelab.media.v210 import RowStride
    from tonelab.signal.arrays import IntArray, Plane, Planes
    from tonelab.signal.description import Signal

    Bytes: TypeAlias = NDArray[np.uint8]
    Offsets: TypeAlias = IntArray
    Read: TypeAlias = Callable[[int, int, Bytes], None]

V210_SUFFIX = ".v210"
PLANAR_SUFFIXES = (".yuv", ".raw")

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
    """

    def __init__(
        self,
        path: Path,
        format_: ClipFormat,
        frame_count: int,
        signal: Signal,
        offsets: Offsets,
        size: int,
        notes: tuple[str, ...] = (),
    ) -> None:
        whole = int(np.count_nonzero(offsets + size <= path.stat().st_size))
        if whole == 0:
            raise cut_short(path, 0, frame_count)
        if whole < frame_count:
            notes = (*notes, f"Only the first {whole} of {frame_count} frames are whole.")
        super().__init__(path, format_, frame_count, signal, notes=notes)
        self._offsets = offsets
        self._size = size

    def frames(self, start: int = 0, stop: int | None = None) -> Iterator[Frame]:
        """Yield the frames `start` to `stop`, see `Clip.frames`."""
        last = self.frame_count if stop is None else min(stop, self.frame_count)
        yield from self.pick(range(max(start, 0), last))

    def pick(self, indices: Sequence[int] | Offsets) -> Iterator[Frame]:
        """Yield the frames with the given ascending indices."""
        with self._reading() as read:
            for index in map(int, indices):
                yield Frame(index, read_only(self._planes(index, read)))

    @abstractmethod
    def _planes(self, index: int, read: Read) -> Planes:
        """Fresh planes of a frame."""

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
    ) -> None:
        notes = (stride.note,) if stride.note else ()
        size = stride.size * format_.height
        super().__init__(path, format_, frame_count, signal, offsets, size, notes)
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

    def strips(self, indices: Sequence[int] | Offsets) -> Iterator[tuple[int, Iterator[Strip]]]:
        """Yield frames as strips, see `Clip.strips`; a strip is read when it is asked for."""
        rows = strip_rows(self.stride.size)
        planes, stored = self._empty(rows), self._stored(rows)
        with self._reading() as read:
            for index in map(int, indices):
                yield index, self._strips(index, read, planes, stored)

    def rows(self, rows: IntArray, channel: int, start: int = 0) -> Iterator[tuple[int, Plane]]:
        """Yield some rows of one plane of each frame, see `Clip.rows`; nothing else is read."""
        planes, stored = self._empty(len(rows)), self._stored(len(rows))
        edges = [0, *(np.flatnonzero(np.diff(rows) != 1) + 1), len(rows)]
        with self._reading() as read:
            for index in range(start, self.frame_count):
                for low, high in pairwise(edges):
                    part = _part(planes, low, high)
                    self._unpack(index, int(rows[low]), part, read, stored)
                yield index, planes[channel].copy()

    def _planes(self, index: int, read: Read) -> Planes:
        planes = self._empty(self.height)
        rows = strip_rows(self.stride.size)
        stored = self._stored(rows)
        for top in range(0, self.height, rows):
            self._unpack(index, top, _part(planes, top, top + rows), read, stored)
        return planes

    def _strips(self, index: int, read: Read, planes: Planes, stored: Bytes) -> Iterator[Strip]:
        """Yield the strips of a frame, each unpacked into ``planes``."""
        rows = len(planes[0])
        for top in range(0, self.height, rows):
            part = _part(planes, 0, min(rows, self.height - top))
            self._unpack(index, top, part, read, stored)
            yield Strip((top, top, top), part)

    def _unpack(self, index: int, top: int, planes: Planes, read: Read, stored: Bytes) -> None:
        """Read and unpack the rows of a frame from ``top`` on, as many as ``planes`` have.

        They pass through ``stored``: new memory for each strip costs more than unpacking it.
        """
        count, size = len(planes[0]), self.stride.size
        stored = stored[: count * size]
        read(index, top * size, stored)
        v210.unpack(v210.words_of(stored, count, size), *planes)

    def _stored(self, rows: int) -> Bytes:
        return np.empty(rows * self.stride.size, np.uint8)

    def _empty(self, rows: int) -> Planes:
        luma = np.empty((rows, self.width), np.uint16)
        cb, cr = np.empty((2, rows, self.width // 2), np.uint16)
        return luma, cb, cr


class PlanarClip(StoredClip):
    """Raw planes one after the other: bytes at 8 bits, 16-bit little-endian words above."""

    def __init__(self, path: Path, format_: ClipFormat, signal: Signal) -> None:
        size = planar_size(format_)
        count, notes = _whole_frames(path, size)
        offsets = np.arange(count, dtype=np.int64) * size
        super().__init__(path, format_, count, signal, offsets, size, notes)

    def _planes(self, index: int, read: Read) -> Planes:
        stored = np.empty(self._size, np.uint8)
        read(index, 0, stored)
        samples = stored if self.bits == 8 else stored.view("<u2")
        small = chroma_size(self.width, self.height, self.subsampling)
        luma, chroma = self.width * self.height, small[0] * small[1]
        y, cb, cr = np.split(samples[: luma + 2 * chroma].astype(np.uint16), [luma, luma + chroma])
        return y.reshape(self.height, self.width), cb.reshape(small), cr.reshape(small)


def _part(planes: Planes, low: int, high: int) -> Planes:
    luma, cb, cr = planes
    return luma[low:high], cb[low:high], cr[low:high]


def planar_size(format_: ClipFormat) -> int:
    """Bytes of a frame stored as raw planes."""
    height, width = chroma_size(format_.width, format_.height, format_.subsampling)
    samples = format_.width * format_.height + 2 * width * height
    return samples if format_.bits == 8 else 2 * samples


def bare_v210(path: Path, format_: ClipFormat, signal: Signal, stated: int | None) -> V210Clip:
    """Open a file that is nothing but v210 frames; `stated` is a row stride in bytes.

    Without a statement the 48-pixel rule holds, unless the file divides into whole frames only by
    one of the shorter strides.
    """
    total = path.stat().st_size
    sizes = [v210.stride_of(format_.width, block) * format_.height for block in v210.BLOCKS]
    size = next((size for size in sizes if total >= size and total % size == 0), sizes[0])
    if stated is not None:
        size = stated * format_.height
    if total < size:
        raise cut_short(path, 0, 1)
    stride = v210.recognise_stride(size, format_.width, format_.height, stated, path.name)
    count, notes = _whole_frames(path, size)
    offsets = np.arange(count, dtype=np.int64) * size
    clip = V210Clip(path, format_, count, signal, offsets, stride)
    clip.notes += notes
    return clip


def contained_v210(
    path: Path,
    container: InputContainer,
    stream: VideoStream,
    format_: ClipFormat,
    signal: Signal,
    stated: int | None,
) -> V210Clip:
    """Open v210 in a container that stores each frame in one piece."""
    offsets, size = _locate(path, container, stream)
    stride = v210.recognise_stride(size, format_.width, format_.height, stated, path.name)
    count = max(announced_frames(container, stream), len(offsets))
    return V210Clip(path, format_, count, signal, offsets, stride)


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
    format_ = _described(asked, "v210", "422", 10)
    return bare_v210(asked.path, format_, _signal_of(asked, format_), asked.geometry.get("stride"))


@READERS.register(
    "planar",
    label="nothing but raw planes (.yuv, .raw)",
    source="customary: planes one after the other, low byte first",
    takes=lambda asked: asked.suffix in PLANAR_SUFFIXES,
    turn=BY_NAME,
)
def read_planar(asked: Asked) -> PlanarClip:
    """Open a file that is nothing but raw planes, described by the user."""
    check_file(asked.path)
    subsampling = str(asked.geometry.get("subsampling", "420"))
    format_ = _described(asked, "raw", subsampling, int(asked.stated.get("bits", 10)))
    return PlanarClip(asked.path, format_, _signal_of(asked, format_))


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
    stride = asked.geometry.get("stride")
    return contained_v210(asked.path, container, stream, format_, signal, stride)


def _described(asked: Asked, codec: str, subsampling: str, bits: int) -> ClipFormat:
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


def _signal_of(asked: Asked, format_: ClipFormat) -> Signal:
    rgb = asked.stated.get("matrix") == "rgb"
    signal = declared_signal({}, format_.bits, format_.subsampling, rgb=rgb)
    return state_signal(signal, asked.stated, asked.path)


def _locate(path: Path, container: InputContainer, stream: VideoStream) -> tuple[Offsets, int]:
    """Byte positions of the frames, and the bytes stored for each.

    They come from the container's index when it is whole and its first entry leads to the first
    frame, else from reading the container through once.
    """
    announced = announced_frames(container, stream)
    entries = [entry for entry in stream.index_entries if not entry.is_discard]
    positions = np.array([entry.pos for entry in entries], np.int64)
    sizes = {entry.size for entry in entries}
    packets = container.demux(stream)
    first = next((packet for packet in packets if packet.size), None)
    if first is None:
        raise cut_short(path, 0, announced)
    with path.open("rb") as file:
        indexed = len(positions) >= announced > 0 and sizes == {first.size}
        for header in _CHUNK_HEADERS if indexed else ():
            file.seek(int(positions[0]) + header)
            if file.read(first.size) == bytes(first):
                return positions + header, first.size
        if first.pos is None:
            raise _scattered(path)
        file.seek(first.pos)
        if file.read(first.size) != bytes(first):
            raise _scattered(path)
    found = [first.pos]
    for packet in packets:
        if packet.size == first.size and packet.pos is not None:
            found.append(packet.pos)
        elif packet.size:
            break
    return np.array(found, np.int64), first.size


def _scattered(path: Path) -> ClipError:
    return ClipError(
        f"{path} stores v210 in a way that is not supported: rewrap it as MOV or AVI without "
        "re-encoding."
    )


def _whole_frames(path: Path, size: int) -> tuple[int, tuple[str, ...]]:
    count, rest = divmod(path.stat().st_size, size)
    if not rest:
        return count, ()
    return count, (
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
