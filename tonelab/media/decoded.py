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
    good_part_note,
    read_only,
    state_signal,
)
from tonelab.media.container import (
    Presented,
    container_name,
    frame_rate,
    is_interlaced,
    open_stream,
    presented,
    repeats_note,
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
        self,
        path: Path,
        container: InputContainer,
        stream: VideoStream,
        stated: Mapping[str, Any],
    ) -> None:
        self._presented = presented(path, container, stream)
        self._end = _announced_end(stream)
        rate = frame_rate(path, stream)
        count = self._presented.frames or _estimated_frames(container, stream, rate)
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
        notes = self._presented.notes
        super().__init__(path, format_, count, signal, _static_metadata(first), notes)
        self.dynamic_metadata = _dynamic_metadata(first)
        self._pixels = pixels
        self._times: tuple[IntArray, IntArray] | None = None
        self._good: int | None = None

    def frames(self, start: int = 0, stop: int | None = None) -> Iterator[Frame]:
        """Yield the frames `start` to `stop`, see `Clip.frames`."""
        start = max(start, 0)
        bounds = [bound for bound in (stop, self._good) if bound is not None]
        last = min(bounds, default=None)
        if last is not None and last <= start:
            return
        good = start
        with closing(self._pictures(start)) as pictures:
            try:
                for index, picture in enumerate(pictures, start):
                    yield Frame(index, read_only(native_planes(picture, self._pixels)))
                    good = index + 1
                    if good == last:
                        return
            except _Damage:
                raise cut_short(self.path, good, self.frame_count) from None

    def _pictures(self, start: int) -> Generator[av.VideoFrame]:
        """Yield the pictures from index `start` on, all of one format and as many as promised."""
        good, shown = start, float(start / self.rate)
        with closing(self._decoded_from(start)) as decoded:
            for index, picture in enumerate(decoded, start):
                self._check_format(index, picture)
                yield picture
                good, shown = index + 1, picture.time or 0.0
        too_early = self._end is not None and shown + 1.5 / self.rate < self._end
        if good < self._presented.frames or too_early:
            raise _Damage

    def keep_good_part(self) -> None:
        """Decode all once, and promise no more than the frames before the first damaged one."""
        good, promised = 0, self.frame_count
        try:
            with closing(self._pictures(0)) as pictures:
                for _ in pictures:
                    good += 1
        except _Damage:
            self.notes += (good_part_note(good, promised),)
        self.frame_count = self._good = good

    def entries(self) -> IntArray:
        """Return the indices (N,) of the key pictures, ascending."""
        times, keys = self._presentation_times()
        found = np.sort(np.searchsorted(times, keys))
        return found if self._good is None else found[found < self._good]

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
            for index, (_, picture) in enumerate(_shown(container, stream, self._presented)):
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
            pictures = _shown(container, stream, self._presented)
            try:
                container.seek(int(keys[keys <= wanted].max()), stream=stream)
                time, picture = next(p for p in pictures if p[0] is None or p[0] >= wanted)
            except (_Damage, StopIteration, av.error.FFmpegError):
                return False
            if time != wanted:
                return False
            yield picture
            for _, picture in pictures:
                yield picture
        return True

    def _presentation_times(self) -> tuple[IntArray, IntArray]:
        """Return the times of all frames in the order shown, and of the key pictures."""
        if self._times is None:
            times: list[int] = []
            keys: list[int] = []
            repeats = 0
            with open_stream(self.path) as (container, stream), suppress(_Damage):
                for packet in _demux(container, stream):
                    # There is nothing that an empty packet could repeat before the first picture.
                    if packet.pts is None or packet.is_discard or not (packet.size or times):
                        continue
                    times.append(packet.pts)
                    repeats += not packet.size
                    if packet.size and packet.is_keyframe:
                        keys.append(packet.pts)
            if self._presented.numbered and times:
                stored = len(times)
                times = list(range(times[0], self._presented.end or times[-1] + 1))
                repeats = len(times) - stored - self._presented.repeats
            if repeats:
                self.notes += (repeats_note(repeats),)
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
    clip = DecodedClip(asked.path, *asked.stream, asked.stated)
    if asked.good_part:
        clip.keep_good_part()
    return clip


class _Damage(Exception):  # noqa: N818 - never leaves this module
    """Decoding met a damaged or missing picture."""


def _demux(container: InputContainer, stream: VideoStream) -> Iterator[av.Packet[VideoStream]]:
    try:
        yield from container.demux(stream)
    except av.error.FFmpegError as error:
        raise _Damage from error


def _shown(
    container: InputContainer, stream: VideoStream, how: Presented
) -> Iterator[tuple[int | None, av.VideoFrame]]:
    """Yield the time and picture of each frame; what an empty packet repeats comes again."""
    empty: list[int] = []
    last: tuple[int, av.VideoFrame] | None = None
    for picture in _decode(container, stream, how, empty):
        time = picture.pts
        if time is not None:
            before, empty[:] = [at for at in empty if at < time], [at for at in empty if at > time]
            if last is not None:
                yield from (
                    (at, last[1]) for at in (range(last[0] + 1, time) if how.numbered else before)
                )
            last = time, picture
        yield time, picture
    if last is not None:
        remaining = range(last[0] + 1, how.end or 0) if how.numbered else empty
        yield from ((at, last[1]) for at in remaining)


def _decode(
    container: InputContainer, stream: VideoStream, how: Presented, empty: list[int]
) -> Iterator[av.VideoFrame]:
    """Yield whole pictures in the order shown, up to the first damaged one.

    The times of packets that hold nothing are added to ``empty``.
    """
    rate = stream.average_rate
    longest = 1.5 / float(rate) if rate and stream.codec_context.has_b_frames else math.inf
    last: float | None = None
    whole = False
    for packet in _demux(container, stream):
        if packet.pts is not None and not packet.size:
            empty.append(packet.pts)
            continue
        cut = packet.is_corrupt
        whole = whole or (not cut and how.last is not None and packet.pos == how.last)
        try:
            pictures = stream.decode(None if cut else packet)
        except av.error.FFmpegError as error:
            raise _Damage from error
        for picture in pictures:
            # Where pictures are coded in another order than shown, the end of a file that was
            # cut short holds pictures without their predecessors; a gap in time betrays them.
            at_end = not whole and (cut or not packet.size)
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
    coding = stream.codec_context
    try:
        coding.open(strict=False)
    except av.error.FFmpegError as error:
        raise ClipError(
            f"{path} holds {coding.codec.canonical_name} of a layout that is not known, or is "
            "damaged at its head: write it anew, or in another codec or container without loss."
        ) from error
    try:
        picture = next(_decode(container, stream, Presented(0), []), None)
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
