"""Pictures that lie in a file as they are, plane after plane, read straight from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tonelab.media.clip import chroma_size
from tonelab.media.container import open_stream, presented
from tonelab.media.decoded import DecodedClip
from tonelab.media.pixels import (
    Component,
    PixelFormat,
    fill_samples,
    low_byte_first,
    native_planes,
    pixel_format,
    row_bytes,
    turned,
)
from tonelab.media.readers import BY_CODEC, BY_NAME, READERS, check_file
from tonelab.media.stored import (
    ALL,
    StoredClip,
    described,
    from_index,
    notes_of,
    one_after_another,
    signal_of,
)

if TYPE_CHECKING:
    from pathlib import Path

    import av
    from av import Packet
    from av.video.stream import VideoStream

    from tonelab.media.clip import Clip, ClipFormat
    from tonelab.media.readers import Asked
    from tonelab.media.stored import Bytes, Offsets, Read
    from tonelab.signal.arrays import Planes
    from tonelab.signal.description import Signal

PLANAR_SUFFIXES = (".yuv", ".raw")


@dataclass(frozen=True, slots=True)
class RawLayout:
    """How the planes of a picture lie in a file.

    Attributes
    ----------
    pixels
        Where components lie in the planes.
    offsets
        Bytes from the start of a frame to the first row of each plane.
    lines
        Bytes of a row of each plane.
    rows
        Of each plane.
    upward
        The last row is stored first.
    """

    pixels: PixelFormat
    offsets: tuple[int, ...]
    lines: tuple[int, ...]
    rows: tuple[int, ...]
    upward: bool = False

    @property
    def size(self) -> int:
        """Bytes of a frame."""
        return max(
            offset + line * rows
            for offset, line, rows in zip(self.offsets, self.lines, self.rows, strict=True)
        )


class RawClip(StoredClip):
    """A clip of pictures that are stored as they are."""

    def __init__(
        self,
        path: Path,
        format_: ClipFormat,
        frame_count: int,
        signal: Signal,
        offsets: Offsets,
        layout: RawLayout,
        notes: tuple[str, ...] = (),
        *,
        good_part: bool = False,
    ) -> None:
        super().__init__(
            path, format_, frame_count, signal, offsets, layout.size, max(layout.lines), notes,
            good_part=good_part,
        )  # fmt: skip
        self._layout = layout

    def _fill(
        self,
        index: int,
        tops: tuple[int, int, int],
        planes: Planes,
        read: Read,
        stored: Bytes,
        channels: frozenset[int] = ALL,
    ) -> None:
        layout = self._layout
        parts = list(zip(layout.pixels.components, tops, planes, strict=True))
        for plane, (offset, line) in enumerate(zip(layout.offsets, layout.lines, strict=True)):
            wanted = [part for at, part in enumerate(parts) if at in channels]
            wanted = [part for part in wanted if part[0].plane == plane and len(part[2])]
            if not wanted:
                continue
            count, first = len(wanted[0][2]), wanted[0][1]
            if layout.upward:
                first = layout.rows[plane] - first - count
            part = stored[: count * line]
            read(index, offset + first * line, part)
            rows = low_byte_first(part.reshape(count, line), layout.pixels)
            for component, _, out in wanted:
                fill_samples(rows, component, layout.pixels, out[:: -1 if layout.upward else 1])


@READERS.register(
    "planar",
    label="nothing but raw planes (.yuv, .raw)",
    source="customary: planes one after the other, low byte first",
    takes=lambda asked: asked.suffix in PLANAR_SUFFIXES,
    turn=BY_NAME,
)
def read_planar(asked: Asked) -> RawClip:
    """Open a file that is nothing but raw planes, described by the user."""
    check_file(asked.path)
    subsampling = str(asked.geometry.get("subsampling", "420"))
    format_ = described(asked, "raw", subsampling, int(asked.stated.get("bits", 10)))
    step = 1 if format_.bits == 8 else 2
    first, second, third = (Component(plane, step, 0) for plane in range(3))
    pixels = PixelFormat(format_.subsampling, format_.bits, (first, second, third))
    small = chroma_size(format_.width, format_.height, format_.subsampling)[0]
    rows = format_.height, small, small
    lines = row_bytes(pixels, format_.width)
    ends = np.cumsum([line * count for line, count in zip(lines, rows, strict=True)]).tolist()
    layout = RawLayout(pixels, (0, *ends[:2]), lines, rows)
    offsets, notes = one_after_another(asked.path, layout.size)
    signal, good_part = signal_of(asked, format_), asked.good_part
    return RawClip(
        asked.path, format_, len(offsets), signal, offsets, layout, notes, good_part=good_part
    )


@READERS.register(
    "raw",
    label="uncompressed pictures in AVI or MOV, read straight from the file",
    source="the documents of its container, by way of FFmpeg",
    takes=lambda asked: asked.stream[1].codec_context.name == "rawvideo",
    turn=BY_CODEC,
)
def read_raw(asked: Asked) -> Clip:
    """Open uncompressed pictures; by a decoder where they cannot be told to lie as they are."""
    clip = DecodedClip(asked.path, *asked.stream, asked.stated)
    straight = _straight(clip, good_part=asked.good_part)
    if straight is not None:
        return straight
    if asked.good_part:
        clip.keep_good_part()
    return clip


def _straight(clip: DecodedClip, *, good_part: bool) -> RawClip | None:
    """Give a clip as one that is read from the file; None without an index to all its frames.

    The layout is the one that the decoder sees in the first packet, where it hands out the very
    bytes of the packet, and leaves them as they are in the file; it is tried on that frame.
    """
    with open_stream(clip.path) as (container, stream):
        shown = presented(clip.path, container, stream)
        packets = (packet for packet in container.demux(stream) if not packet.is_discard)
        packet = next(packet for packet in packets if packet.size)
        frame = next(iter(stream.decode(packet)), None)
        layout = None if frame is None else _layout_of(frame, packet)
        found = from_index(clip.path, stream, shown, packet)
        if frame is None or layout is None or found is None:
            return None
        straight = RawClip(
            clip.path, clip.format, max(shown.frames, len(found)), clip.signal, found, layout,
            notes_of(shown, found), good_part=good_part,
        )  # fmt: skip
        planes = next(straight.frames()).planes
        same = all(map(np.array_equal, planes, native_planes(frame, layout.pixels)))
    return straight if same else None


def _layout_of(frame: av.VideoFrame, packet: Packet[VideoStream]) -> RawLayout | None:
    """How the planes of a decoded frame lie in its packet; None where they are a copy of it."""
    pixels = pixel_format(frame.format.name)
    upward = frame.planes[0].line_size < 0
    planes = (turned(frame) if upward else frame).planes
    rows = tuple(plane.buffer_size // plane.line_size for plane in planes)
    lines = tuple(plane.line_size for plane in planes)
    offsets = tuple(plane.buffer_ptr - packet.buffer_ptr for plane in planes)
    end = 0
    for offset, line, count in sorted(zip(offsets, lines, rows, strict=True)):
        if offset != end:
            return None
        end = offset + line * count
    if pixels is None or end != packet.size:
        return None
    return RawLayout(pixels, offsets, lines, rows, upward)
