"""Opening a clip, whatever holds it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

# Imported for the readers that they register.
from tonelab.media import decoded, raw, stills, stored  # noqa: F401
from tonelab.media.raw import PLANAR_SUFFIXES
from tonelab.media.readers import GEOMETRY, Asked, reader_of
from tonelab.media.stored import V210_SUFFIX
from tonelab.signal.description import parse_signal

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tonelab.media.clip import Clip

__all__ = ["PLANAR_SUFFIXES", "V210_SUFFIX", "open_clip", "parse_statement"]


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
        it follows no rule; ``use_good_part``, true to read a file that is cut short
        or damaged up to there, which decodes one that is compressed once more.

    Raises
    ------
    ClipError
        When the file is missing, is no video, is cut short, or a statement it needs is missing.
    SignalError
        When a statement contradicts the planes.
    """
    with Asked(Path(path), stated or {}) as asked:
        return reader_of(asked).function(asked)


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
        if separator and field in GEOMETRY:
            storage[field] = value
        else:
            signal.append(item)
    return storage | parse_signal(",".join(signal))


def decoder_is_deterministic(clip: Clip, frames: int = 4) -> bool:
    """Whether two readings of the first frames give identical planes.

    Threaded decoders were seen to return other samples from one reading to the next.

    Raises
    ------
    ClipError
        When the clip cannot be read.
    """
    first, second = clip.frames(0, frames), clip.frames(0, frames)
    return all(
        np.array_equal(a, b)
        for one, other in zip(first, second, strict=True)
        for a, b in zip(one.planes, other.planes, strict=True)
    )
