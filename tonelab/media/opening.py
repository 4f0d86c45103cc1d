"""Opening a clip, whatever holds it."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from tonelab.errors import ClipError, SignalError
from tonelab.media.clip import CHROMA_FACTORS, Clip, ClipFormat, state_signal
from tonelab.media.decoded import (
    DecodedClip,
    container_name,
    frame_rate,
    is_interlaced,
    open_stream,
)
from tonelab.media.stills import StillClip, picture_files
from tonelab.media.stored import PlanarClip, bare_v210, contained_v210
from tonelab.media.tags import declared_signal, read_tags
from tonelab.signal.description import parse_signal

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from av.container import InputContainer
    from av.video.stream import VideoStream

V210_SUFFIX = ".v210"
PLANAR_SUFFIXES = (".yuv", ".raw")
PICTURE_RATE = Fraction(24)
_GEOMETRY = ("width", "height", "rate", "stride", "subsampling")


def open_clip(path: str | Path, *, stated: Mapping[str, Any] | None = None) -> Clip:
    """Open a clip.

    Parameters
    ----------
    path
        A video file; ``.v210`` is read as bare v210 frames, ``.yuv`` and ``.raw`` as raw planes.
        Or a PNG, TIFF, DPX or OpenEXR picture, a folder of them, or a pattern such as
        ``shot.%04d.dpx``, ``shot.####.dpx`` or ``shot.*.dpx``.
    stated
        What the user knows: fields of `Signal`, which win over the container; ``width``,
        ``height`` and ``rate`` (and for raw planes ``subsampling`` and ``bits``) of files
        without a container; the ``rate`` of pictures; ``stride``, the bytes of a v210 row, where
        it follows no rule.

    Raises
    ------
    ClipError
        When the file is missing, is no video, is cut short, or a statement it needs is missing.
    SignalError
        When a statement contradicts the planes.
    """
    path = Path(path)
    known = dict(stated or {})
    geometry = {field: known.pop(field) for field in _GEOMETRY if field in known}
    if "stride" in geometry:
        geometry["stride"] = _whole(geometry, "stride")
    if files := picture_files(path):
        _check_file(files[0])
        return _open_pictures(path, files, geometry.get("rate"), known)
    _check_file(path)
    suffix = path.suffix.lower()
    if suffix == V210_SUFFIX or suffix in PLANAR_SUFFIXES:
        return _open_bare(path, geometry, known)
    with open_stream(path) as (container, stream):
        if stream.codec_context.name == "v210":
            return _open_v210(path, container, stream, geometry.get("stride"), known)
        return DecodedClip(path, container, stream, known)


def parse_statement(text: str) -> dict[str, Any]:
    """Parse what the user states of a clip: fields of its signal, and of files without a container.

    Returns
    -------
    dict
        Ready for `open_clip`: what `parse_signal` reads, and ``width``, ``height``, ``rate``,
        ``stride`` and ``subsampling`` as they stand.

    Raises
    ------
    SignalError
        When a field or a value is unknown.
    """
    items = [item.strip() for item in text.split(",")]
    storage, signal = {}, []
    for item in items:
        field, separator, value = (part.strip() for part in item.partition("="))
        if separator and field in _GEOMETRY:
            storage[field] = value
        else:
            signal.append(item)
    return storage | parse_signal(",".join(signal))


def parse_rate(value: object) -> Fraction:
    """Frames per second as an exact ratio; 23.976 and its like mean 24000/1001.

    Raises
    ------
    ClipError
        When the value is not a positive number.
    """
    try:
        rate = Fraction(str(value))
    except (ValueError, ZeroDivisionError):
        rate = Fraction(0)
    if rate <= 0:
        raise ClipError(f"The rate {value} is not a positive number: state it like 24000/1001.")
    nearest = Fraction(round(rate * Fraction(1001, 1000)) * 1000, 1001)
    return nearest if 0 < abs(rate - nearest) < Fraction(1, 1000) else rate


def _check_file(path: Path) -> None:
    try:
        with path.open("rb") as file:
            empty = not file.read(1)
    except FileNotFoundError:
        raise ClipError(f"{path} does not exist: check the name.") from None
    except OSError as error:
        raise ClipError(
            f"{path} cannot be read ({error.strerror}): check its permissions."
        ) from error
    if empty:
        raise ClipError(f"{path} is empty: copy or record it again.")


def _open_pictures(
    path: Path, files: Sequence[Path], rate: object, stated: Mapping[str, Any]
) -> Clip:
    if rate is None:
        note = f"Pictures have no frame rate: read at {PICTURE_RATE} a second unless you state one."
        notes = (note,) if len(files) > 1 else ()
        return StillClip(path, files, PICTURE_RATE, stated, notes)
    return StillClip(path, files, parse_rate(rate), stated)


def _open_v210(
    path: Path,
    container: InputContainer,
    stream: VideoStream,
    stride: int | None,
    stated: Mapping[str, Any],
) -> Clip:
    format_ = ClipFormat(
        container=container_name(path, container),
        codec="v210",
        width=stream.codec_context.width,
        height=stream.codec_context.height,
        rate=frame_rate(path, stream),
        subsampling="422",
        bits=10,
        interlaced=is_interlaced(stream),
    )
    signal = declared_signal(read_tags(stream.codec_context), 10, "422")
    return contained_v210(
        path, container, stream, format_, state_signal(signal, stated, path), stride
    )


def _open_bare(path: Path, geometry: Mapping[str, Any], stated: Mapping[str, Any]) -> Clip:
    missing = [field for field in ("width", "height", "rate") if field not in geometry]
    if missing:
        raise ClipError(
            f"{path} carries no description of its pictures: state {', '.join(missing)}."
        )
    v210 = path.suffix.lower() == V210_SUFFIX
    subsampling = "422" if v210 else str(geometry.get("subsampling", "420"))
    if subsampling not in CHROMA_FACTORS:
        raise ClipError(f"The subsampling {subsampling} is unknown: state 420, 422 or 444.")
    bits = 10 if v210 else int(stated.get("bits", 10))
    if not 8 <= bits <= 16:
        raise SignalError(f"A bit depth of {bits} is not supported: state 8 to 16 bits.")
    format_ = ClipFormat(
        container="none",
        codec="v210" if v210 else "raw",
        width=_whole(geometry, "width"),
        height=_whole(geometry, "height"),
        rate=parse_rate(geometry["rate"]),
        subsampling=cast("Any", subsampling),
        bits=bits,
    )
    rgb = stated.get("matrix") == "rgb"
    signal = declared_signal({}, bits, format_.subsampling, rgb=rgb)
    signal = state_signal(signal, stated, path)
    if v210:
        return bare_v210(path, format_, signal, geometry.get("stride"))
    return PlanarClip(path, format_, signal)


def _whole(geometry: Mapping[str, Any], field: str) -> int:
    try:
        number = int(geometry[field])
    except ValueError:
        number = 0
    if number <= 0:
        raise ClipError(f"The {field} {geometry[field]} is not a positive whole number.")
    return number
