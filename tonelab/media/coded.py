"""R'G'B' clips seen as Y'CbCr, so that what is asked of luma and chroma can be asked of them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.media.clip import Clip, Frame, read_only
from tonelab.signal.colorimetry import matrix_rgb_to_ycbcr
from tonelab.signal.quantisation import chroma_scale, luma_scale, quantise

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from threading import Event

    from tonelab.results import ClipFacts
    from tonelab.signal.arrays import IntArray
    from tonelab.signal.description import Signal


_ROWS = 64  # at a time, as their signals take four times the room of codes


class CodedClip(Clip):
    """An R'G'B' clip as Y'CbCr of its own depth: narrow range, 4:4:4, rounded.

    Luma of Y'CbCr that was sent as R'G'B' of full range and of the same depth comes back to the
    code: what R'G'B' rounds weighs less than half a code of luma.

    Parameters
    ----------
    clip
        The R'G'B' clip.
    read
        How it is read; its matrix is ``rgb``.
    """

    def __init__(self, clip: Clip, read: Signal) -> None:
        signal = read.with_fields("inferred", matrix=read.coding_matrix)
        signal = signal.with_fields(read.origins.get("range", "assumed"), range="narrow")
        super().__init__(
            clip.path, clip.format, clip.frame_count, signal, clip.metadata, clip.notes
        )
        self.dynamic_metadata = clip.dynamic_metadata
        self._clip, self._range = clip, read.range
        self._matrix = matrix_rgb_to_ycbcr(read.coding_matrix)

    def frames(self, start: int = 0, stop: int | None = None) -> Iterator[Frame]:
        """Yield the frames `start` to `stop`, coded."""
        for frame in self._clip.frames(start, stop):
            yield self._coded(frame)

    def pick(self, indices: Sequence[int] | IntArray) -> Iterator[Frame]:
        """Yield the frames with the given ascending indices, coded."""
        for frame in self._clip.pick(indices):
            yield self._coded(frame)

    def entries(self) -> IntArray | None:
        """Return where reading of the clip starts at no extra cost, see `Clip.entries`."""
        return self._clip.entries()

    def sha256(self, stop: Event | None = None) -> str:
        """SHA-256 of the clip's file."""
        return self._clip.sha256(stop)

    def facts(self) -> ClipFacts:
        """Return what a measurement records of the clip itself."""
        return self._clip.facts()

    def _coded(self, frame: Frame) -> Frame:
        black, span = luma_scale(self.bits, self._range)
        scales = luma_scale(self.bits, "narrow"), *[chroma_scale(self.bits, "narrow")] * 2
        y, cb, cr = (np.empty(plane.shape, np.uint16) for plane in frame.planes)
        for top in range(0, self.height, _ROWS):
            rows = slice(top, top + _ROWS)
            red, green, blue = ((plane[rows] - black) / span for plane in frame.planes)
            for plane, (a, b, c), (origin, codes) in zip(
                (y, cb, cr), self._matrix, scales, strict=True
            ):
                signal = a * red + b * green + c * blue
                plane[rows] = quantise(signal * codes + origin, self.bits)
        return Frame(frame.index, read_only((y, cb, cr)))
