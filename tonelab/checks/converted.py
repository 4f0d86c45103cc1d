"""Clips in other codes: a source after a path's conversion of primaries, and R'G'B' as Y'CbCr.

The converted source is the reference for what else the path did. Luma and chroma are converted
together, pixel by pixel: chroma is interpolated to the places of luma, and the converted taken
where the source has samples.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from tonelab.media.clip import CHROMA_FACTORS, Clip, Frame, read_only
from tonelab.signal.colorimetry import rgb_to_ycbcr
from tonelab.signal.quantisation import ORIGIN, quantise, ycbcr_to_codes

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

    from tonelab.signal.arrays import FloatArray, IntArray, Plane, Planes
    from tonelab.signal.description import Signal


_CODED_BITS, _ROWS = 10, 64
_BITS, _FINER = 20, 2  # of a packed sample, and parts of a code that it keeps


class ConvertedClip(Clip):
    """A clip whose colours went through a map.

    Parameters
    ----------
    clip
        The source.
    convert
        Of centred 10-bit codes, shape (N, 3).
    """

    def __init__(self, clip: Clip, convert: Callable[[FloatArray], FloatArray]) -> None:
        super().__init__(clip.path, clip.format, clip.frame_count, clip.signal, clip.metadata)
        self._clip, self._convert = clip, convert

    def frames(self, start: int = 0, stop: int | None = None) -> Iterator[Frame]:
        """Yield the frames `start` to `stop`, converted."""
        for frame in self._clip.frames(start, stop):
            yield Frame(frame.index, read_only(self._converted(frame.planes)))

    def _converted(self, planes: Planes) -> Planes:
        across, down = CHROMA_FACTORS[self.subsampling]
        # Rows of samples between two of luma are as near to either.
        between = down > 1 and self.signal.siting != "topleft"
        places = [
            (np.arange(length) - offset) / factor
            for length, factor, offset in zip(
                planes[0].shape, (down, across), (0.5 * between, 0.0), strict=True
            )
        ]
        chroma = (_at(plane, places) for plane in planes[1:])
        shown = self._colours(planes[0].astype(np.float64), *chroma)
        if between:
            pairs = shown[: len(shown) // 2 * 2, :, 1:]
            pairs[::2] = (pairs[::2] + pairs[1::2]) / 2
        y, cb, cr = (
            np.clip(np.rint(plane), 0, (1 << self.bits) - 1).astype(np.uint16)
            for plane in (shown[..., 0], *np.moveaxis(shown[::down, ::across, 1:], -1, 0))
        )
        return y, cb, cr

    def _colours(self, *planes: FloatArray) -> FloatArray:
        """Convert planes of one size, each colour once, to parts of a code: (height, width, 3)."""
        packed = np.zeros(planes[0].shape, np.int64)
        for plane in planes:
            packed = packed << _BITS | np.rint(_FINER * plane).astype(np.int64)
        colours, of = np.unique(packed, return_inverse=True)
        shifts = _BITS * np.array([2, 1, 0])
        codes = (colours[:, None] >> shifts & (1 << _BITS) - 1) / _FINER
        unit = 2.0 ** (10 - self.bits)
        shown = (self._convert(codes * unit - ORIGIN) + ORIGIN) / unit
        whole: FloatArray = shown[of.reshape(-1)].reshape(*packed.shape, 3)
        return whole


class CodedClip(Clip):
    """A clip of R'G'B' as Y'CbCr: 4:4:4 of 10 bits, narrow range.

    Parameters
    ----------
    clip
        Its matrix is ``rgb``.
    other
        How a clip is read that is compared with it; of its primaries and matrix where nothing says
        those of ``clip``.
    """

    def __init__(self, clip: Clip, other: Signal) -> None:
        said = clip.signal
        if said.origins.get("primaries", "assumed") == "assumed":
            said = said.with_fields("inferred", primaries=other.primaries)
            matrix = other.coding_matrix
        else:
            matrix = said.coding_matrix
        origin = clip.signal.origins.get("matrix", "assumed")
        signal = said.with_fields(origin, matrix=matrix, range="narrow", bits=_CODED_BITS)
        form = replace(clip.format, bits=_CODED_BITS, subsampling="444")
        super().__init__(clip.path, form, clip.frame_count, signal, clip.metadata, clip.notes)
        self.dynamic_metadata = clip.dynamic_metadata
        self._clip = clip

    def frames(self, start: int = 0, stop: int | None = None) -> Iterator[Frame]:
        """Yield the frames `start` to `stop`, coded."""
        for frame in self._clip.frames(start, stop):
            yield Frame(frame.index, self._coded(frame.planes))

    def pick(self, indices: Sequence[int] | IntArray) -> Iterator[Frame]:
        """Yield the frames with the given ascending indices (N,), coded."""
        for frame in self._clip.pick(indices):
            yield Frame(frame.index, self._coded(frame.planes))

    def rows(self, rows: IntArray, channel: int, start: int = 0) -> Iterator[tuple[int, Plane]]:
        """Yield the index and some rows (N,) of one plane of each frame, coded."""
        for frame in self._clip.frames(start):
            r, g, b = (plane[rows] for plane in frame.planes)
            yield frame.index, self._coded((r, g, b))[channel]

    def entries(self) -> IntArray | None:
        """Return the indices where reading starts at no extra cost, those of the clip."""
        return self._clip.entries()

    def _coded(self, planes: Planes) -> Planes:
        coded = [np.empty(plane.shape, np.uint16) for plane in planes]
        for top in range(0, len(planes[0]), _ROWS):  # few at a time, as they are of wide numbers
            part = slice(top, top + _ROWS)
            rgb = self._clip.signal.decode_rgb(np.stack([p[part] for p in planes], axis=-1))
            codes = ycbcr_to_codes(rgb_to_ycbcr(rgb, self.signal.matrix), self.bits, "narrow")
            for plane, values in zip(
                coded, np.moveaxis(quantise(codes, self.bits), -1, 0), strict=True
            ):
                plane[part] = values
        y, cb, cr = coded
        return read_only((y, cb, cr))


def _at(plane: NDArray[np.uint16], places: list[FloatArray]) -> FloatArray:
    """Interpolate linearly at the rows and columns given."""
    shown = plane.astype(np.float64)
    for axis, wanted in enumerate(places):
        inside = np.clip(wanted, 0, plane.shape[axis] - 1)
        first = np.minimum(inside.astype(np.int64), max(plane.shape[axis] - 2, 0))
        share = np.expand_dims(inside - first, 1 - axis)
        following = np.minimum(first + 1, plane.shape[axis] - 1)
        shown = (1 - share) * shown.take(first, axis) + share * shown.take(following, axis)
    return shown
