"""Containers: opened for reading, and what they declare of their first video stream."""

from __future__ import annotations

from contextlib import contextmanager
from fractions import Fraction
from typing import TYPE_CHECKING

import av

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


def announced_frames(container: InputContainer, stream: VideoStream) -> int:
    """Frames the container promises to hold; 0 when it only gives a duration."""
    # The index and not the header knows which pictures an edit list leaves out.
    if "mov" in container.format.name and len(stream.index_entries) >= stream.frames > 0:
        return sum(not entry.is_discard for entry in stream.index_entries)
    return stream.frames
