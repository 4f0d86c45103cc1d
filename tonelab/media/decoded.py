"""Clips that need a decoder, through PyAV; native planes only."""

from __future__ import annotations

import math
import re
from contextlib import closing, suppress
from fractions import Fraction
from typing import TYPE_CHECKING, cast

import av
import numpy as np
from av.sidedata.sidedata import Type as SideDataType

from tonelab.errors import ClipError
from tonelab.media.clip import (
    Clip,
    ClipFormat,
    Frame,
    cut_short,
    read_only,
    state_signal,
)
from tonelab.media.container import (
    announced_frames,
    container_name,
    frame_rate,
    is_interlaced,
    open_stream,
)
from tonelab.media.pixels import native_planes, pixel_format
from tonelab.media.readers import LAST, READERS
from tonelab.media.tags import declared_signal, read_static_metadata, read_tags

if TYPE_CHECKING:
    from collections.abc import Generator, Iterator, Mapping
    from pathlib import Path
    from typing import Any

    from av.container import InputContainer
    from av.sidedata.sidedata import SideData
    from av.video.stream import VideoStream

    from tonelab.media.clip import StaticMetadata
    from tonelab.media.readers import Asked
    from tonelab.signal.arrays import IntArray

# Metadata that changes from frame to frame, by the document that describes it.
_DYNAMIC = {
    SideDataType.DYNAMIC_HDR_PLUS: "SMPTE ST 2094-40",
    SideDataType.DOVI_METADATA: "ETSI TS 103 572",
    SideDataType.DOVI_RPU_BUFFER: "ETSI TS 103 572",
    SideDataType.DYNAMIC_HDR_VIVID: "T/UWA 005.1",
}


class DecodedClip(Clip):
    """A clip whose frames come from a decoder; every reading opens the file anew."""

    def __init__(
        self, path: Path, container: InputContainer, stream: VideoStream, stated: Mapping[str, Any]
    ) -> None:
        self._announced = announced_frames(container, stream)
        self._end = _announced_end(stream)
        rate = frame_rate(path, stream)
        count = self._announced or _estimated_frames(container, stream, rate)
        first = _first_frame(path, container, stream)
        pixels = pixel_format(first.format.name)
        if pixels is None:
            raise ClipError(
                f"{path} holds pictures of the format {first.format.name}, which has no native "
                "planes of 8 to 16 bits: convert it to planar Y'CbCr or RGB without loss."
            )
        format_ = ClipFormat(
            container=container_name(path, container),
            codec=stream.codec_context.codec.canonical_name,
            width=first.width,
            height=first.height,
            rate=rate,
            subsampling=pixels.subsampling,
            bits=pixels.bits,
            interlaced=first.interlaced_frame or is_interlaced(stream),
        )
        declared = read_tags(stream.codec_context) | read_tags(first)
        if pixels.full:
            declared["range"] = "full"
        signal = declared_signal(declared, pixels.bits, pixels.subsampling, rgb=pixels.rgb)
        signal = state_signal(signal, stated, path)
        super().__init__(path, format_, count, signal, _static_metadata(first))
        self.dynamic_metadata = _dynamic_metadata(first)
        self._pixels = pixels
        self._times: tuple[IntArray, IntArray] | None = None

    def frames(self, start: int = 0, stop: int | None = None) -> Iterator[Frame]:
        """Yield the frames `start` to `stop`, see `Clip.frames`."""
        start = max(start, 0)
        if stop is not None and stop <= start:
            return
        good, shown = start, float(start / self.rate)
        with closing(self._decoded_from(start)) as decoded:
            try:
                for index, picture in enumerate(decoded, start):
                    self._check_format(index, picture)
                    yield Frame(index, read_only(native_planes(picture, self._pixels)))
                    good, shown = index + 1, picture.time or 0.0
                    if good == stop:
                        return
            except _Damage:
                raise cut_short(self.path, good, self.frame_count) from None
        too_early = self._end is not None and shown + 1.5 / self.rate < self._end
        if good < self._announced or too_early:
            raise cut_short(self.path, good, self.frame_count)

    def entries(self) -> IntArray:
        """Return the indices (N,) of the key pictures, ascending."""
        times, keys = self._presentation_times()
        return np.sort(np.searchsorted(times, keys))

    def _check_format(self, index: int, picture: av.VideoFrame) -> None:
        size = picture.width, picture.height
        pixels = pixel_format(picture.format.name)
        if size != (self.width, self.height) or pixels != self._pixels:
            raise ClipError(
                f"{self.path} changes its picture format at frame {index}: cut it there."
            )

    def _decoded_from(self, start: int) -> Generator[av.VideoFrame]:
        """Yield the pictures from index `start` on, sought by time where that is exact."""
        if start:
            sought = yield from self._sought(start)
            if sought:
                return
        with open_stream(self.path) as (container, stream):
            for index, picture in enumerate(_decode(container, stream)):
                if index >= start:
                    yield picture

    def _sought(self, start: int) -> Generator[av.VideoFrame, None, bool]:
        """Yield pictures from `start` on, or none at all and return False.

        Decoding begins at the last key picture shown at or before the wanted one, so pictures
        that precede their key picture in time are never asked for without their references.
        """
        times, keys = self._presentation_times()
        if start >= len(times) or not (keys <= times[start]).any():
            return False
        wanted = int(times[start])
        with open_stream(self.path) as (container, stream):
            pictures = _decode(container, stream)
            try:
                container.seek(int(keys[keys <= wanted].max()), stream=stream)
                picture = next(p for p in pictures if p.pts is None or p.pts >= wanted)
            except (_Damage, StopIteration, av.error.FFmpegError):
                return False
            if picture.pts != wanted:
                return False
            yield picture
            yield from pictures
        return True

    def _presentation_times(self) -> tuple[IntArray, IntArray]:
        """Return the times of all pictures in the order shown, and of the key pictures."""
        if self._times is None:
            times, keys = [], []
            with open_stream(self.path) as (container, stream), suppress(_Damage):
                for packet in _demux(container, stream):
                    if packet.pts is None or packet.is_discard:
                        continue
                    times.append(packet.pts)
                    if packet.is_keyframe:
                        keys.append(packet.pts)
            self._times = np.sort(np.array(times, np.int64)), np.array(keys, np.int64)
        return self._times


@READERS.register(
    "decoded",
    label="any other video, by a decoder",
    source="the documents of its codec, by way of FFmpeg",
    takes=lambda _: True,
    turn=LAST,
)
def read_decoded(asked: Asked) -> DecodedClip:
    """Open the first video stream of a container."""
    return DecodedClip(asked.path, *asked.stream, asked.stated)


class _Damage(Exception):  # noqa: N818 - never leaves this module
    """Decoding met a damaged or missing picture."""


def _demux(container: InputContainer, stream: VideoStream) -> Iterator[av.Packet[VideoStream]]:
    try:
        yield from container.demux(stream)
    except av.error.FFmpegError as error:
        raise _Damage from error


def _decode(container: InputContainer, stream: VideoStream) -> Iterator[av.VideoFrame]:
    """Yield whole pictures in the order shown, up to the first damaged one."""
    rate = stream.average_rate
    longest = 1.5 / float(rate) if rate and stream.codec_context.has_b_frames else math.inf
    last: float | None = None
    for packet in _demux(container, stream):
        cut = packet.is_corrupt
        try:
            pictures = stream.decode(None if cut else packet)
        except av.error.FFmpegError as error:
            raise _Damage from error
        for picture in pictures:
            # Where pictures are coded in another order than shown, the end of a file that was
            # cut short holds pictures without their predecessors; a gap in time betrays them.
            at_end = cut or not packet.size
            time = picture.time
            if at_end and last is not None and time is not None and time - last > longest:
                raise _Damage
            if picture.is_corrupt:
                raise _Damage
            last = time
            yield picture
        if cut:
            raise _Damage


def _first_frame(path: Path, container: InputContainer, stream: VideoStream) -> av.VideoFrame:
    try:
        picture = next(_decode(container, stream), None)
    except _Damage:
        picture = None
    if picture is None:
        raise cut_short(path, 0, stream.frames)
    return picture


def _static_metadata(picture: av.VideoFrame) -> StaticMetadata | None:
    # Iterating gives data in PyAV 18 and keys in 19; looking up works in both.
    side_data = cast("Mapping[SideDataType, SideData]", picture.side_data)
    mastering = side_data.get(SideDataType.MASTERING_DISPLAY_METADATA)
    light_level = side_data.get(SideDataType.CONTENT_LIGHT_LEVEL)
    return read_static_metadata(
        None if mastering is None else bytes(mastering),
        None if light_level is None else bytes(light_level),
    )


def _dynamic_metadata(picture: av.VideoFrame) -> tuple[str, ...]:
    side_data = cast("Mapping[SideDataType, SideData]", picture.side_data)
    found = (name for kind, name in _DYNAMIC.items() if side_data.get(kind) is not None)
    return tuple(dict.fromkeys(found))


def _announced_end(stream: VideoStream) -> float | None:
    """When the last picture ends, in seconds, where Matroska's statistics say it."""
    match = re.fullmatch(r"(\d+):(\d+):(\d+(?:\.\d+)?)", stream.metadata.get("DURATION", ""))
    return 3600 * int(match[1]) + 60 * int(match[2]) + float(match[3]) if match else None


def _estimated_frames(container: InputContainer, stream: VideoStream, rate: Fraction) -> int:
    if stream.duration is not None and stream.time_base:
        base = stream.time_base
        seconds = Fraction(stream.duration * base.numerator, base.denominator)
    else:
        seconds = Fraction(container.duration or 0, av.time_base)
    return round(seconds * rate)
