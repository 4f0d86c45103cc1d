"""Pictures in files of their own: PNG, TIFF, DPX and OpenEXR, one or a sequence.

FFmpeg's decoders of these formats hand out the stored codes. An alpha channel is left out, and a
grey picture counts as R = G = B.

OpenEXR holds light and no codes. What its value 1 stands for must be stated (``peak``, cd/m2), and
so must the transfer function and the primaries: the light is then coded by that function in full
range at 16 bits, where rounding is a sixty-fourth of what it is at 10 bits. Light below 0, and
beyond what the transfer function can hold, is cut there.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any, cast

import av
import numpy as np

from tonelab.errors import ClipError, SignalError
from tonelab.media.clip import (
    Clip,
    ClipFormat,
    Frame,
    good_part_note,
    read_only,
    state_signal,
    unreadable,
)
from tonelab.media.container import DECODER_OPTIONS, SIZE_BOUND, check_header
from tonelab.media.readers import BY_NAME, READERS, check_file, parse_rate
from tonelab.media.tags import declared_signal, read_tags
from tonelab.signal.quantisation import quantise, rgb_to_codes
from tonelab.signal.transfer import (
    eotf_inverse_bt1886,
    eotf_inverse_hlg,
    eotf_inverse_pq,
    eotf_inverse_srgb,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path
    from threading import Event

    from numpy.typing import NDArray

    from tonelab.media.readers import Asked
    from tonelab.signal.arrays import FloatArray, Plane, Planes
    from tonelab.signal.description import Signal

_KINDS = {".png": "png", ".tif": "tiff", ".tiff": "tiff", ".dpx": "dpx", ".exr": "exr"}
# Without these a name may be taken for a pattern.
_READER_OPTIONS = {"protocol_whitelist": "file", "pattern_type": "none"} | SIZE_BOUND
# To "explode", this decoder takes every tag that it does not know for damage; it does refuse files
# that are cut short.
_TIFF_OPTIONS = {"err_detect": "crccheck+bitstream+buffer"} | SIZE_BOUND
_NUMBERS = re.compile(r"%0?\d*d|#+|\*")
_LAYOUT = re.compile(r"(?P<model>rgba?|gbra?p|gray|ya)(?P<float>f)?(?P<bits>\d+)?(?P<order>le|be)?")
_CHANNELS = {"rgb": 3, "rgba": 4, "gray": 1, "ya": 2}
PICTURE_RATE = Fraction(24)
_LIGHT_BITS = 16  # to which light is coded
_NEEDED = ("transfer", "primaries", "peak")  # to give a meaning to light without units


@dataclass(frozen=True, slots=True)
class _Layout:
    """How a decoded picture stores its samples; ``bits`` of a component, ``kind`` in memory."""

    model: str
    bits: int
    light: bool
    kind: np.dtype[Any]


def picture_files(path: Path) -> list[Path]:
    """Files of a picture or a sequence in the order of their numbers; none for anything else.

    Parameters
    ----------
    path
        A picture; a folder of pictures; or a pattern whose last part holds ``%04d``, ``####`` or
        ``*`` in place of the numbers.

    Raises
    ------
    ClipError
        When a folder or pattern leads to no pictures, or to pictures of several formats.
    """
    suffix = path.suffix.lower()
    if path.is_dir():
        found = [file for file in path.iterdir() if file.suffix.lower() in _KINDS]
    elif suffix in _KINDS and _NUMBERS.search(path.name) and not path.exists():
        name = re.compile(_wildcard(path.name), re.IGNORECASE)
        folder = path.parent
        found = [f for f in folder.iterdir() if name.fullmatch(f.name)] if folder.is_dir() else []
    else:
        return [path] if suffix in _KINDS else []
    # Names that begin with a dot are what some systems leave beside the real files.
    found = [file for file in found if file.is_file() and not file.name.startswith(".")]
    if not found:
        raise ClipError(f"{path} leads to no PNG, TIFF, DPX or OpenEXR pictures: check the name.")
    if len({_KINDS[file.suffix.lower()] for file in found}) > 1:
        raise ClipError(f"{path} mixes picture formats: name one by a pattern such as *.png.")
    return sorted(found, key=_by_number)


def _wildcard(name: str) -> str:
    parts = _NUMBERS.split(name)
    between = [".*" if mark == "*" else r"\d+" for mark in _NUMBERS.findall(name)]
    return "".join(re.escape(p) + b for p, b in zip(parts, [*between, ""], strict=True))


def _by_number(file: Path) -> list[tuple[bool, int, str]]:
    parts = re.split(r"(\d+)", file.name)
    return [(n % 2 == 1, int(part) if n % 2 else 0, part) for n, part in enumerate(parts)]


class StillClip(Clip):
    """Pictures in files of their own; each is a frame.

    Parameters
    ----------
    path
        What was asked for: a file, a folder or a pattern.
    files
        The pictures, at least one, in order.
    rate
        Frames per second; a single picture has none, and any will do.
    stated
        What the user says of the signal.
    notes
        See `Clip`.
    """

    def __init__(
        self,
        path: Path,
        files: Sequence[Path],
        rate: Fraction,
        stated: Mapping[str, Any],
        notes: tuple[str, ...] = (),
    ) -> None:
        picture, codec = _decode(files[0])
        self._layout = _layout(files[0], picture)
        self._files = list(files)
        bits = _LIGHT_BITS if self._layout.light else self._layout.bits
        tags = {k: v for k, v in read_tags(picture).items() if k != "matrix"}
        if self._layout.light:
            _check_light(files[0], stated)
            tags = {}
        signal = declared_signal(tags, bits, "444", rgb=True)
        signal = state_signal(signal, stated, path)
        format_ = ClipFormat("pictures", codec, picture.width, picture.height, rate, "444", bits)
        super().__init__(path, format_, len(files), signal, notes=notes)

    def frames(self, start: int = 0, stop: int | None = None) -> Iterator[Frame]:
        """Yield the frames `start` to `stop`, see `Clip.frames`."""
        last = len(self._files) if stop is None else min(stop, len(self._files))
        for index in range(max(start, 0), last):
            file = self._files[index]
            try:
                picture, _ = _decode(file)
            except ClipError as error:
                if index == 0:
                    raise
                mend = "or take the pictures before with --use-good-part"
                raise ClipError(f"{str(error).removesuffix('.')}, {mend}.") from error
            if (picture.width, picture.height) != (self.width, self.height) or (
                _layout(file, picture) != self._layout
            ):
                raise ClipError(
                    f"{file} has another size or format than {self._files[0].name}: give pictures "
                    "that are alike."
                )
            planes = _components(picture, self._layout)
            if self._layout.light:
                planes = _as_codes(file, planes, self.signal)
            yield Frame(index, read_only(cast("Planes", planes)))

    def sha256(self, stop: Event | None = None) -> str:
        """SHA-256 of the file; of a sequence, that of the SHA-256 of its files in order."""
        digests = []
        for file in self._files:
            if stop is not None and stop.is_set():
                return ""
            digests.append(_file_digest(file))
        if len(digests) == 1:
            return digests[0].hex()
        return hashlib.sha256(b"".join(digests)).hexdigest()


@READERS.register(
    "pictures",
    label="PNG, TIFF, DPX or OpenEXR pictures, one, a folder or a pattern",
    source="ISO/IEC 15948; TIFF 6.0; SMPTE ST 268-1; the OpenEXR file layout",
    takes=lambda asked: bool(picture_files(asked.path)),
    turn=BY_NAME,
)
def read_pictures(asked: Asked) -> StillClip:
    """Open pictures as the frames of a clip."""
    files = picture_files(asked.path)
    check_file(files[0])
    rate = parse_rate(asked.geometry.get("rate", PICTURE_RATE))
    notes = []
    if "rate" not in asked.geometry and len(files) > 1:
        notes.append(f"Pictures have no frame rate: read at {rate} a second unless you state one.")
    good = _good_files(files) if asked.good_part else len(files)
    if 0 < good < len(files):
        notes.append(good_part_note(good, len(files)))
    # Where the first is damaged, opening it says so.
    return StillClip(asked.path, files[: max(good, 1)], rate, asked.stated, tuple(notes))


def _good_files(files: Sequence[Path]) -> int:
    """How many pictures there are before the first that cannot be decoded."""
    for index, file in enumerate(files):
        try:
            _decode(file)
        except ClipError:
            return index
    return len(files)


def _file_digest(file: Path) -> bytes:
    try:
        with file.open("rb") as opened:
            return hashlib.file_digest(opened, "sha256").digest()
    except OSError as error:
        raise unreadable(file, error) from error


def _decode(file: Path) -> tuple[av.VideoFrame, str]:
    """Return the picture in a file and the name of its coding."""
    kind = _KINDS[file.suffix.lower()]
    try:
        check_header(file, kind)
        with av.open(f"file:{file}", format="image2", options=_READER_OPTIONS) as container:
            stream = container.streams.video[0]
            stream.thread_type = "NONE"
            stream.codec_context.options = _TIFF_OPTIONS if kind == "tiff" else DECODER_OPTIONS
            name = stream.codec_context.name
            picture = next(container.decode(stream))
    except FileNotFoundError:
        raise ClipError(f"{file} does not exist: check the name.") from None
    except ClipError:
        raise
    except (av.error.FFmpegError, OSError, StopIteration, IndexError, ValueError) as error:
        raise ClipError(f"{file} is damaged or no picture of its kind: copy it again.") from error
    if picture.is_corrupt:
        raise ClipError(f"{file} is cut short or damaged: copy it again.")
    return picture, name


def _layout(file: Path, picture: av.VideoFrame) -> _Layout:
    name = picture.format.name
    match = _LAYOUT.fullmatch(name)
    if match is None:
        raise ClipError(
            f"{file} holds a picture of the kind {name}, which is not read: save it as RGB with 8 "
            "to 16 bits for each component, or as OpenEXR in RGB."
        )
    bits = int(match["bits"] or 8)
    packed = match["model"] in {"rgb", "rgba"} and match["bits"] is not None
    if packed:
        bits //= _CHANNELS[match["model"]]
    light = match["float"] is not None
    width = bits if light else (8 if bits <= 8 else 16)
    order = ">" if match["order"] == "be" else "<"
    return _Layout(
        match["model"], bits, light, np.dtype(f"{order}{'f' if light else 'u'}{width // 8}")
    )


def _components(picture: av.VideoFrame, layout: _Layout) -> tuple[NDArray[Any], ...]:
    """R, G, B as they are stored."""
    if layout.model.startswith("gb"):
        green, blue, red = (_rows(picture, plane, layout)[:, : picture.width] for plane in range(3))
        return _native(red), _native(green), _native(blue)
    channels = _CHANNELS[layout.model]
    rows = _rows(picture, 0, layout)[:, : channels * picture.width]
    if channels < 3:
        grey = _native(rows[:, ::channels])
        return grey, grey, grey
    red, green, blue = (_native(rows[:, channel::channels]) for channel in range(3))
    return red, green, blue


def _rows(picture: av.VideoFrame, plane: int, layout: _Layout) -> NDArray[Any]:
    stored = picture.planes[plane]
    samples = np.frombuffer(cast("memoryview", stored), layout.kind)
    return samples.reshape(-1, stored.line_size // layout.kind.itemsize)[: picture.height]


def _native(samples: NDArray[Any]) -> NDArray[Any]:
    return samples.astype(np.float64 if samples.dtype.kind == "f" else np.uint16)


def _check_light(file: Path, stated: Mapping[str, Any]) -> None:
    missing = [name for name in _NEEDED if name not in stated]
    if missing:
        raise SignalError(
            f"{file.name} holds linear light without a unit: state {', '.join(missing)}, such as "
            "transfer=pq,primaries=bt2020,peak=100 where the value 1 stands for 100 cd/m2."
        )


def _as_codes(file: Path, light: Sequence[FloatArray], signal: Signal) -> tuple[Plane, ...]:
    """Code light, 1 being ``signal.peak``, by the transfer function of a signal."""
    values = np.stack(light, axis=-1)
    if np.isnan(values).any():
        raise ClipError(f"{file} holds values that are no numbers: render it again.")
    limit = 10000 / signal.peak if signal.transfer == "pq" else 1.0
    lit = signal.peak * np.clip(values, 0.0, limit)
    match signal.transfer:
        case "pq":
            coded = eotf_inverse_pq(lit)
        case "hlg":
            coded = eotf_inverse_hlg(lit, signal.peak)
        case "bt1886":
            coded = eotf_inverse_bt1886(lit, signal.peak, signal.black)
        case "srgb":
            coded = eotf_inverse_srgb(lit / signal.peak)
        case "gamma22":
            coded = (lit / signal.peak) ** (1 / 2.2)
    codes = quantise(rgb_to_codes(coded, _LIGHT_BITS, signal.range), _LIGHT_BITS)
    red, green, blue = np.moveaxis(codes, -1, 0)
    return red, green, blue
