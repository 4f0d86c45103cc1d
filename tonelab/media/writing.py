"""Writing clips: whole or not at all, tags included."""

from __future__ import annotations

from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, TypeAlias, cast

import av
import numpy as np

from tonelab.errors import ClipError
from tonelab.media import v210
from tonelab.media.clip import CHROMA_FACTORS, ClipFormat, chroma_size
from tonelab.media.raw import PLANAR_SUFFIXES
from tonelab.media.stored import V210_SUFFIX
from tonelab.media.tags import (
    MATRIX_TAG,
    PRIMARIES_TAG,
    RANGE_TAG,
    TRANSFER_TAG,
    x264_tags,
    x265_tags,
)
from tonelab.outputs import check_output, whole_file

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from contextlib import AbstractContextManager

    from av.container import OutputContainer
    from av.video.codeccontext import VideoCodecContext
    from av.video.stream import VideoStream

    from tonelab.media.clip import Clip, StaticMetadata, Subsampling
    from tonelab.signal.arrays import Plane, Planes
    from tonelab.signal.description import Signal

    Put: TypeAlias = Callable[[Planes], None]

Codec: TypeAlias = Literal["h264", "hevc", "ffv1", "v210", "prores", "raw"]

# Containers by suffix, and which of them each codec is written to.
_MUXERS = {".mp4": "mp4", ".mov": "mov", ".mkv": "matroska", ".avi": "avi"}
_SUFFIXES: dict[str, tuple[str, ...]] = {
    "h264": (".mp4", ".mov", ".mkv"),
    "hevc": (".mp4", ".mov", ".mkv"),
    "ffv1": (".mkv", ".avi"),
    "v210": (".mov", ".avi", V210_SUFFIX),
    "prores": (".mov", ".mkv"),
    "raw": PLANAR_SUFFIXES,
}
_BITS = {
    "h264": (8, 10),
    "hevc": (8, 10, 12),
    "ffv1": (8, 10, 12, 16),
    "v210": (10,),
    "prores": (10,),
    "raw": tuple(range(8, 17)),
}

# Codecs that hold one sampling alone.
_SAMPLINGS = {"v210": ("422",), "prores": ("422", "444")}

# Names by which FFmpeg knows the positions of chroma.
_SITING = {"left": "left", "centre": "center", "topleft": "topleft"}

# Stills are R'G'B' without loss.
PICTURE_SUFFIXES = (".png", ".tif", ".tiff")

# Every picture stands alone and carries checksums.
_FFV1_OPTIONS = {"level": "3", "slicecrc": "1", "g": "1", "coder": "range_def", "context": "0"}

# Of HEVC, when nothing is asked: flat patches of 24x24 pixels then keep their codes within 1.
DEFAULT_QUALITY = 0

# Spend bits evenly and bend nothing. Without the skip heuristics a held picture is corrected
# until it is right; transforms of 8x8 keep the ripple of one patch out of its neighbours. On 3600
# random patches at 1080p, inside a margin of a quarter, quantiser 0 is up to 10 codes off with
# skips and transforms of 32x32, and 1 code with these.
_X265_FLAT = {
    "aq-mode": "0",
    "cutree": "0",
    "psy-rd": "0",
    "psy-rdoq": "0",
    "rdoq-level": "0",
    "rskip": "0",
    "sao": "0",
    "deblock": "0",
    "ipratio": "1",
    "pbratio": "1",
    "bframes": "0",
    "weightp": "0",
    "ctu": "16",
    "max-tu-size": "8",
}
# The same of H.264: its finest quantiser that is not without loss, which most players refuse, no
# filter across blocks, nothing spent by what an eye would miss. Transforms of 8x8 at most.
_X264_FLAT = {
    "aq-mode": "0",
    "mbtree": "0",
    "psy": "0",
    "trellis": "0",
    "deadzone-inter": "0",
    "deadzone-intra": "0",
    "no-fast-pskip": "1",
    "no-dct-decimate": "1",
    "no-deblock": "1",
    "ipratio": "1",
    "pbratio": "1",
    "bframes": "0",
    "weightp": "0",
    "chroma-qp-offset": "0",
}
_H264_FINEST = 1
# Luma samples of a picture of level 4.1; the levels above forbid coding tree blocks of 16x16
# (ITU-T H.265, A.4.1).
_LARGEST_SMALL_BLOCKS = 2_228_224


def write_clip(
    path: str | Path,
    frames: Iterable[Planes],
    *,
    width: int,
    height: int,
    rate: Fraction,
    subsampling: Subsampling,
    bits: int,
    codec: Codec,
    signal: Signal,
    metadata: StaticMetadata | None = None,
    quality: int | None = None,
    lossless: bool = False,
    overwrite: bool = False,
    progress: Callable[[int], None] | None = None,
) -> None:
    """Write a clip under a temporary name beside `path`, and give it its name when it is whole.

    Parameters
    ----------
    path
        ``.mp4``, ``.mov``, ``.mkv`` for HEVC and H.264; ``.mkv``, ``.avi`` for FFV1; ``.mov``,
        ``.avi``, ``.v210`` for v210; ``.mov``, ``.mkv`` for ProRes; ``.yuv``, ``.raw`` for raw
        planes.
    frames
        Y', Cb, Cr (R, G, B when the signal's matrix is ``rgb``), native codes, uint16.
    width, height, rate, subsampling, bits, codec
        The format of the clip.
    signal
        Written as colour tags wherever the container keeps them: HEVC, H.264 and FFV1 keep all,
        v210 in MOV all but the range, AVI and bare files none.
    metadata
        HDR static metadata; kept by HEVC.
    quality
        Quantiser of HEVC and H.264, 0 (finest) to 51; by default `DEFAULT_QUALITY`. H.264 takes 1
        for 0, where it would be without loss.
    lossless
        HEVC only: keep every code, in a stream that Main 10 decoders must play; larger, and
        faster to write.
    overwrite
        Replace an existing file.
    progress
        Called with the number of frames written.

    Raises
    ------
    ClipError
        When the format cannot be written, a frame does not fit it, or the file cannot be written;
        no file is left then.
    """
    path = Path(path)
    format_ = ClipFormat(path.suffix.lower(), codec, width, height, rate, subsampling, bits)
    _check_format(path, format_, signal)
    if lossless and codec == "h264":
        raise ClipError(
            "H.264 without loss is of a profile that players refuse: use HEVC or FFV1, or leave "
            "the loss, which is within a code."
        )
    count = 0
    with (
        _whole_clip(path, overwrite=overwrite) as temporary,
        _sink(temporary, format_, signal, metadata, quality, lossless=lossless) as put,
    ):
        for planes in frames:
            _check_planes(path, count, planes, format_)
            put(planes)
            count += 1
            if progress is not None:
                progress(count)
        if not count:
            raise ClipError(f"{path} would hold no frame: give at least one.")


def check_clip(
    path: Path, like: Clip, *, codec: str, subsampling: Subsampling, bits: int, signal: Signal
) -> None:
    """Refuse what `write_clip` cannot write of the size and rate of another clip.

    Raises
    ------
    ClipError
        As `write_clip`.
    """
    format_ = ClipFormat(
        path.suffix.lower(), codec, like.width, like.height, like.rate, subsampling, bits
    )
    _check_format(path, format_, signal)


def write_picture(
    path: str | Path, planes: Planes, *, bits: int, signal: Signal, overwrite: bool = False
) -> None:
    """Write a still without loss, whole or not at all.

    Parameters
    ----------
    path
        ``.png``, ``.tif`` or ``.tiff``.
    planes
        R, G, B (height, width), native codes, uint16.
    bits
        Depth of the codes, 8 or 16.
    signal
        Written as colour tags, which PNG keeps as its chunk cICP and TIFF does not.
    overwrite
        Replace an existing file.

    Raises
    ------
    ClipError
        When the format is unknown, or the file cannot be written.
    """
    path = Path(path)
    if path.suffix.lower() not in PICTURE_SUFFIXES or bits not in {8, 16}:
        raise ClipError(
            f"{path} cannot hold a picture of {bits} bits: use 8 or 16 and {PICTURE_SUFFIXES}."
        )
    png = path.suffix.lower() == ".png"
    layout = "rgb24" if bits == 8 else "rgb48be" if png else "rgb48le"
    kind = np.dtype("u1" if bits == 8 else ">u2" if png else "<u2")
    height, width = planes[0].shape
    with _whole_clip(path, overwrite=overwrite) as temporary:
        codec = av.CodecContext.create("png" if png else "tiff", "w")
        codec.width, codec.height, codec.pix_fmt = width, height, layout
        codec.time_base = Fraction(1)
        _declare(codec, signal)
        picture = av.VideoFrame(width, height, layout)
        _fill(picture, (np.stack(planes, axis=-1).reshape(height, -1),), kind)
        picture.pts, picture.time_base = 0, Fraction(1)
        _declare(picture, signal)
        packets = [*codec.encode(picture), *codec.encode(None)]
        temporary.write_bytes(b"".join(bytes(packet) for packet in packets))


@contextmanager
def _whole_clip(path: Path, *, overwrite: bool) -> Iterator[Path]:
    """As `whole_file`, for what libavformat writes."""
    check_output(path, overwrite=overwrite, error=ClipError)
    with whole_file(path, overwrite=overwrite, error=ClipError) as temporary:
        try:
            yield temporary
        except av.error.FFmpegError as fault:
            raise ClipError(
                f"{path} cannot be written: {fault.strerror}; check free space and permissions."
            ) from fault


def _check_format(path: Path, format_: ClipFormat, signal: Signal) -> None:
    suffixes, depths = _SUFFIXES.get(format_.codec), _BITS.get(format_.codec)
    if suffixes is None or depths is None:
        raise ClipError(f"The codec {format_.codec} is unknown: use one of {', '.join(_BITS)}.")
    if format_.container not in suffixes:
        raise ClipError(
            f"{path} cannot hold {format_.codec}: let the name end in {' or '.join(suffixes)}."
        )
    samplings = _SAMPLINGS.get(format_.codec, tuple(CHROMA_FACTORS))
    if format_.subsampling not in samplings:
        raise ClipError(
            f"{format_.codec} cannot hold {format_.subsampling} sampling: use "
            f"{' or '.join(samplings)}."
        )
    if format_.bits not in depths:
        raise ClipError(
            f"{format_.codec} cannot hold {format_.bits} bits: use {', '.join(map(str, depths))}."
        )
    horizontal, vertical = CHROMA_FACTORS[format_.subsampling]
    if format_.width % horizontal or format_.height % vertical or format_.width < 1:
        raise ClipError(
            f"A size of {format_.width}x{format_.height} does not divide into "
            f"{format_.subsampling} samples: use even numbers."
        )
    if signal.matrix == "rgb" and format_.subsampling != "444":
        raise ClipError("Planes of R, G and B have full size: use 444 sampling.")


def _check_planes(path: Path, index: int, planes: Planes, format_: ClipFormat) -> None:
    small = chroma_size(format_.width, format_.height, format_.subsampling)
    shapes = ((format_.height, format_.width), small, small)
    for name, plane, shape in zip(("first", "second", "third"), planes, shapes, strict=True):
        if plane.shape != shape or plane.dtype != np.uint16:
            raise ClipError(
                f"The {name} plane of frame {index} for {path.name} is {plane.dtype} of shape "
                f"{plane.shape}: give uint16 of shape {shape}."
            )
        if plane.max() >> format_.bits:
            raise ClipError(
                f"The {name} plane of frame {index} for {path.name} holds the code {plane.max()}, "
                f"beyond {format_.bits} bits."
            )


def _sink(
    path: Path,
    format_: ClipFormat,
    signal: Signal,
    metadata: StaticMetadata | None,
    quality: int | None,
    *,
    lossless: bool,
) -> AbstractContextManager[Put]:
    """Open what takes the frames of the codec."""
    if format_.codec == "v210":
        return (
            _bare(path, _v210_bytes)
            if format_.container == V210_SUFFIX
            else _v210(path, format_, signal)
        )
    if format_.codec == "raw":
        return _bare(path, _planar_bytes_8 if format_.bits == 8 else _planar_bytes)
    if format_.codec == "ffv1":
        return _encoded(path, format_, signal, "ffv1", _FFV1_OPTIONS)
    if format_.codec == "prores":
        return _encoded(path, format_, signal, "prores_ks", {"profile": "hq"})
    if format_.codec == "h264":
        parameters = {"keyint": str(round(format_.rate)), "open-gop": "0", **_X264_FLAT}
        parameters["qp"] = str(max(_quality(quality), _H264_FINEST))
        joined = ":".join(f"{k}={v}" for k, v in (parameters | x264_tags(signal)).items())
        return _encoded(path, format_, signal, "libx264", {"x264-params": joined, "preset": "fast"})
    parameters = {"log-level": "none", "repeat-headers": "1", "open-gop": "0"}
    parameters["keyint"] = str(round(format_.rate))
    parameters |= {"lossless": "1"} if lossless else {"qp": str(_quality(quality)), **_X265_FLAT}
    if format_.width * format_.height > _LARGEST_SMALL_BLOCKS:
        parameters["ctu"] = "32"
    parameters |= x265_tags(signal, metadata)
    joined = ":".join(f"{key}={value}" for key, value in parameters.items())
    preset = "superfast" if lossless else "fast"
    return _encoded(path, format_, signal, "libx265", {"x265-params": joined, "preset": preset})


def _quality(quality: int | None) -> int:
    if quality is None:
        return DEFAULT_QUALITY
    if not 0 <= quality <= 51:
        raise ClipError(f"A quality of {quality} is out of range: use 0 (finest) to 51.")
    return quality


def _declare(codec: VideoCodecContext | av.VideoFrame, signal: Signal) -> None:
    codec.color_primaries = PRIMARIES_TAG[signal.primaries]
    codec.color_trc = TRANSFER_TAG[signal.transfer]
    codec.colorspace = MATRIX_TAG[signal.matrix]
    codec.color_range = RANGE_TAG[signal.range]


def _siting(format_: ClipFormat, signal: Signal) -> dict[str, str]:
    """Option that has the container say where chroma stands, as far as it has a place for it."""
    if format_.subsampling == "444" or signal.siting not in _SITING:
        return {}
    return {"chroma_sample_location": _SITING[signal.siting]}


def _open_muxer(path: Path, suffix: str) -> OutputContainer:
    return av.open(f"file:{path}", "w", format=_MUXERS[suffix])


@contextmanager
def _encoded(
    path: Path, format_: ClipFormat, signal: Signal, encoder: str, options: dict[str, str]
) -> Iterator[Put]:
    """Through an encoder of FFmpeg."""
    rgb = signal.matrix == "rgb"
    depth = "" if format_.bits == 8 else f"{format_.bits}le"
    name = f"gbrp{depth}" if rgb else f"yuv{format_.subsampling}p{depth}"
    kind = np.dtype(np.uint8 if format_.bits == 8 else "<u2")
    with _open_muxer(path, format_.container) as container:
        stream = cast(
            "VideoStream",
            container.add_stream(
                encoder, rate=format_.rate, options=options | _siting(format_, signal)
            ),
        )
        stream.width, stream.height, stream.pix_fmt = format_.width, format_.height, name
        stream.codec_context.time_base = 1 / format_.rate
        _declare(stream.codec_context, signal)
        if format_.codec == "hevc" and format_.container != ".mkv":
            stream.codec_context.codec_tag = "hvc1"
        count = 0

        def put(planes: Planes) -> None:
            nonlocal count
            picture = av.VideoFrame(format_.width, format_.height, name)
            _fill(picture, (planes[1], planes[2], planes[0]) if rgb else planes, kind)
            _declare(picture, signal)
            picture.pts, picture.time_base = count, 1 / format_.rate
            count += 1
            container.mux(stream.encode(picture))

        yield put
        container.mux(stream.encode(None))


def _fill(picture: av.VideoFrame, planes: Sequence[Plane], kind: np.dtype[Any]) -> None:
    for target, plane in zip(picture.planes, planes, strict=True):
        rows = np.frombuffer(cast("memoryview", target), kind).reshape(
            -1, target.line_size // kind.itemsize
        )
        rows[: plane.shape[0], : plane.shape[1]] = plane


@contextmanager
def _v210(path: Path, format_: ClipFormat, signal: Signal) -> Iterator[Put]:
    """v210 packets of our own: the encoder of FFmpeg would clamp codes to 4..1019."""
    with _open_muxer(path, format_.container) as container:
        stream = container.add_stream("v210", rate=format_.rate)
        stream.width, stream.height, stream.pix_fmt = format_.width, format_.height, "yuv422p10le"
        _declare(stream.codec_context, signal)
        count = 0

        def put(planes: Planes) -> None:
            nonlocal count
            packet = av.Packet(_v210_bytes(planes))
            packet.stream, packet.time_base, packet.is_keyframe = stream, 1 / format_.rate, True
            packet.pts = packet.dts = count
            packet.duration = 1
            count += 1
            container.mux(packet)

        yield put


@contextmanager
def _bare(path: Path, to_bytes: Callable[[Planes], bytes]) -> Iterator[Put]:
    """Frames one after the other and nothing else."""
    with path.open("wb") as file:

        def put(planes: Planes) -> None:
            file.write(to_bytes(planes))

        yield put


def _v210_bytes(planes: Planes) -> bytes:
    height, width = planes[0].shape
    words = np.empty((height, v210.stride_of(width) // 4), "<u4")
    v210.pack(*planes, words)
    return words.tobytes()


def _planar_bytes(planes: Planes) -> bytes:
    return b"".join(plane.astype("<u2", copy=False).tobytes() for plane in planes)


def _planar_bytes_8(planes: Planes) -> bytes:
    return b"".join(plane.astype(np.uint8).tobytes() for plane in planes)
