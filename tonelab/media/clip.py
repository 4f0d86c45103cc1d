"""What a clip is: native planes of its frames, and what is known of it."""

from __future__ import annotations

import hashlib
from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, Self, TypeAlias

import numpy as np

from tonelab.errors import ClipError, SignalError
from tonelab.results import ClipFacts

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from fractions import Fraction
    from pathlib import Path
    from threading import Event

    from tonelab.signal.arrays import IntArray, Plane, Planes
    from tonelab.signal.description import Signal

Subsampling: TypeAlias = Literal["420", "422", "444"]

# Factors (horizontal, vertical) by which chroma planes are smaller than luma.
CHROMA_FACTORS: dict[str, tuple[int, int]] = {"420": (2, 2), "422": (2, 1), "444": (1, 1)}

STRIP_BYTES = 1 << 19  # read and worked on at a time, so that a strip stays in a core's cache


@dataclass(frozen=True, slots=True)
class StaticMetadata:
    """HDR static metadata (SMPTE ST 2086, CTA-861.3); None where the clip says nothing.

    Attributes
    ----------
    mastering_primaries
        Chromaticities (x, y) of red, green, blue of the mastering display.
    mastering_white
        Chromaticity of its white.
    mastering_peak, mastering_black
        Its luminance range, cd/m2.
    max_cll, max_fall
        Maximum content light level and maximum frame-average light level, cd/m2.
    """

    mastering_primaries: tuple[tuple[float, float], ...] | None = None
    mastering_white: tuple[float, float] | None = None
    mastering_peak: float | None = None
    mastering_black: float | None = None
    max_cll: int | None = None
    max_fall: int | None = None


@dataclass(frozen=True, slots=True)
class ClipFormat:
    """How a clip stores its pictures.

    ``rate`` is in frames per second, ``subsampling`` one of 420, 422, 444, ``bits`` the depth of
    the codes.
    """

    container: str
    codec: str
    width: int
    height: int
    rate: Fraction
    subsampling: Subsampling
    bits: int
    interlaced: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """One picture as native planes.

    Attributes
    ----------
    index
        Position in the clip, from 0.
    planes
        Y', Cb, Cr (R, G, B when the signal's matrix is ``rgb``), uint16, code values at the
        clip's bit depth, chroma at its own subsampling; never converted, scaled or clipped.
        Read-only; a frame stays valid after the next one was read.
    """

    index: int
    planes: Planes


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """Some rows of a frame; its planes are overwritten when the next strip is asked for.

    Attributes
    ----------
    tops
        First row of each plane within the frame.
    planes
        As those of a `Frame`, but only these rows; contiguous.
    """

    tops: tuple[int, int, int]
    planes: Planes


class Clip(ABC):
    """A clip that was opened; frames are read when asked for and never kept.

    Attributes
    ----------
    path
        The file.
    format
        Container, codec, size, rate, subsampling, bits and scan; also as attributes of the clip.
    frame_count
        Exact for v210 and raw clips; otherwise what the container announces.
    signal
        How to read the codes, each field with its origin.
    metadata
        HDR static metadata, or None.
    notes
        Sentences about oddities of the storage.
    dynamic_metadata
        Kinds of HDR metadata in the first picture that change from frame to frame.
    """

    dynamic_metadata: tuple[str, ...] = ()

    def __init__(
        self,
        path: Path,
        format_: ClipFormat,
        frame_count: int,
        signal: Signal,
        metadata: StaticMetadata | None = None,
        notes: tuple[str, ...] = (),
    ) -> None:
        self.path = path
        self.format = format_
        self.frame_count = frame_count
        self.signal = signal
        self.metadata = metadata
        self.notes = notes
        self.container = format_.container
        self.codec = format_.codec
        self.width = format_.width
        self.height = format_.height
        self.rate = format_.rate
        self.subsampling = format_.subsampling
        self.bits = format_.bits
        self.interlaced = format_.interlaced

    @abstractmethod
    def frames(self, start: int = 0, stop: int | None = None) -> Iterator[Frame]:
        """Yield the frames `start` to `stop` (exclusive; None reads to the end), by exact index.

        Raises
        ------
        ClipError
            When the file is cut short or damaged; the sentence names the last good frame.
        """

    def pick(self, indices: Sequence[int] | IntArray) -> Iterator[Frame]:
        """Yield the frames with the given ascending indices (N,); raises as `frames` does."""
        remaining = iter(map(int, indices))
        target = next(remaining, None)
        if target is None:
            return
        for frame in self.frames(target, int(indices[-1]) + 1):
            if frame.index == target:
                yield frame
                target = next(remaining, None)

    def strips(self, indices: Sequence[int] | IntArray) -> Iterator[tuple[int, Iterator[Strip]]]:
        """Yield the frames with ascending indices (N,), each as strips from its top."""
        for frame in self.pick(indices):
            yield frame.index, self._cut(frame)

    def rows(self, rows: IntArray, channel: int) -> Iterator[tuple[int, Plane]]:
        """Yield the index and some rows of one plane of each frame.

        Parameters
        ----------
        rows
            Shape (N,), ascending.
        channel
            Which plane.
        """
        for frame in self.frames():
            yield frame.index, frame.planes[channel][rows]

    def entries(self) -> IntArray | None:
        """Return the ascending indices (N,) where reading starts at no extra cost; None for all."""
        return None

    def _cut(self, frame: Frame) -> Iterator[Strip]:
        factor = CHROMA_FACTORS[self.subsampling][1]
        height = strip_rows(2 * self.width)
        for top in range(0, self.height, height):
            tops = top, top // factor, top // factor
            ends = top + height, (top + height) // factor, (top + height) // factor
            luma, cb, cr = (
                np.ascontiguousarray(plane[low:high])
                for plane, low, high in zip(frame.planes, tops, ends, strict=True)
            )
            yield Strip(tops, (luma, cb, cr))

    def close(self) -> None:  # noqa: B027 - reading opens the file anew, so nothing is held
        """Let the clip go; a clip that is not being read holds no file open."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __repr__(self) -> str:
        size = f"{self.width}x{self.height} at {float(self.rate):.3f} frames/s"
        return f"<Clip {self.path.name}: {self.codec}, {size}, {self.signal.describe()}>"

    def sha256(self, stop: Event | None = None) -> str:
        """SHA-256 of the file, hexadecimal, read in blocks; empty when ``stop`` was set."""
        digest = hashlib.sha256()
        block = bytearray(STRIP_BYTES)
        try:
            with self.path.open("rb", buffering=0) as file:
                while count := file.readinto(block):
                    if stop is not None and stop.is_set():
                        return ""
                    digest.update(memoryview(block)[:count])
        except OSError as error:
            raise unreadable(self.path, error) from error
        return digest.hexdigest()

    def facts(self) -> ClipFacts:
        """Return what a measurement records of the clip; ``sha256`` is left empty."""
        metadata = self.metadata or StaticMetadata()
        return ClipFacts(
            name=self.path.name,
            container=self.container,
            codec=self.codec,
            width=self.width,
            height=self.height,
            rate=str(self.rate),
            frames=self.frame_count,
            subsampling=self.subsampling,
            signal=self.signal,
            mastering_peak=metadata.mastering_peak,
            mastering_black=metadata.mastering_black,
            max_cll=metadata.max_cll,
            max_fall=metadata.max_fall,
        )


def strip_rows(row_bytes: int) -> int:
    """Rows of a strip, an even number."""
    return max(2, STRIP_BYTES // row_bytes // 2 * 2)


def chroma_size(width: int, height: int, subsampling: Subsampling) -> tuple[int, int]:
    """(height, width) of the chroma planes."""
    horizontal, vertical = CHROMA_FACTORS[subsampling]
    return -(-height // vertical), -(-width // horizontal)


def state_signal(declared: Signal, stated: Mapping[str, Any], path: Path) -> Signal:
    """Let the user's statements about the signal win over what the container declares.

    Raises
    ------
    SignalError
        When a statement contradicts the planes themselves.
    """
    bits = stated.get("bits", declared.bits)
    if bits != declared.bits:
        raise SignalError(
            f"{path.name} holds {declared.bits}-bit codes, not {bits} as stated: "
            "leave bits out of the statement."
        )
    matrix = stated.get("matrix", declared.matrix)
    if (matrix == "rgb") != (declared.matrix == "rgb"):
        raise SignalError(
            f"{path.name} holds {'R, G, B' if declared.matrix == 'rgb' else 'luma and chroma'} "
            f"planes, which contradicts the stated matrix {matrix}."
        )
    return declared.with_fields("stated", **stated)


def read_only(planes: Planes) -> Planes:
    """Close the three planes (height, width) against writing."""
    for plane in planes:
        plane.flags.writeable = False
    return planes


def unreadable(path: Path, error: OSError) -> ClipError:
    """Return the error of a file that was there and can no longer be read."""
    return ClipError(
        f"{path} cannot be read any more ({error.strerror}): check that it, and its disk, are "
        "still there."
    )


def cut_short(path: Path, good: int, announced: int) -> ClipError:
    """Return the error for a file that ends after `good` of `announced` frames."""
    if not good:
        return ClipError(
            f"{path} is cut short or damaged: no frame is whole; copy or record it again."
        )
    return ClipError(
        f"{path} is cut short or damaged: frame {good - 1} is the last good one of {announced}; "
        "copy or record it again, or take the frames before with --use-good-part."
    )


def good_part_note(good: int, announced: int) -> str:
    """Say which frames of a file that is cut short or damaged are used."""
    which = f"Frames 0 to {good - 1}" if good > 1 else "Frame 0"
    are = "are" if good > 1 else "is"
    return f"{which} of {announced} {are} used; the rest is cut off or damaged."
