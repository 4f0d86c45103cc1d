"""Planes of a picture through a lattice: chroma interpolated, converted, filtered and rounded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np

from tonelab.correction.kernels import render_planes
from tonelab.media.clip import CHROMA_FACTORS, chroma_size
from tonelab.signal.colorimetry import rgb_to_ycbcr
from tonelab.signal.quantisation import quantise, rgb_to_codes, ycbcr_to_codes

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from tonelab.media.clip import Subsampling
    from tonelab.signal.arrays import FloatArray, Plane, Planes
    from tonelab.signal.description import Signal

CHROMA_IN = "linear interpolation at the clip's siting"
CHROMA_OUT = "1-2-1 at every other column, rows in pairs averaged for 4:2:0, sited left"
_TILE = 128
_BLOCK = 2**18  # colours that an exact formula takes at a time
_EDGE = 1e-3  # of the signal, by which codes round beyond what was measured


@dataclass(frozen=True, slots=True, eq=False)
class Raster:
    """A lattice over source codes.

    Attributes
    ----------
    values
        (n^3, 4), float32: codes of the output at the nodes, blue fastest, and a fill.
    place
        (3, 4), float32: turns source codes and 1 into places among the nodes.
    edge
        Place beyond which no colour was measured.
    source, target
        How both sides are coded.
    """

    values: NDArray[np.float32]
    place: NDArray[np.float32]
    edge: float
    source: Signal
    target: Signal

    @classmethod
    def of(
        cls,
        shown: FloatArray,
        ends: tuple[float, float],
        top: float,
        source: Signal,
        target: Signal,
    ) -> Raster:
        """Lay output signals (n^3, 3) of an even cube of source signals on a lattice."""
        size = round(len(shown) ** (1 / 3))
        values = np.zeros((len(shown), 4), np.float32)
        values[:, :3] = codes_of(shown, target)
        share = (size - 1) / (ends[1] - ends[0])
        origin = source.decode_rgb(np.zeros((1, 3)))[0]
        turned = source.decode_rgb(np.eye(3)) - origin
        place = np.column_stack([turned.T, origin - ends[0]]) * share
        edge = (top + _EDGE - ends[0]) * share
        return cls(values, place.astype(np.float32), edge, source, target)

    def planes(
        self,
        planes: Planes,
        sampling: tuple[Subsampling, Subsampling],
        noise: NDArray[np.float32],
        shift: tuple[int, int] = (0, 0),
    ) -> tuple[Planes, int]:
        """Render the planes of a picture, uint16, and count samples beyond what was measured.

        Parameters
        ----------
        planes
            Native planes of the source.
        sampling
            Of the source and of the result.
        noise, shift
            (n, n) codes added before rounding, as `noise_tile` makes them, moved by rows and
            columns.
        """
        height, width = planes[0].shape
        small = chroma_size(width, height, sampling[1])
        results = tuple(np.empty(shape, np.uint16) for shape in ((height, width), small, small))
        across, down = CHROMA_FACTORS[sampling[1]]
        beyond = render_planes(
            planes, chroma_place(self.source, sampling[0]), self.values, self.place, self.edge,
            noise, shift, code_limits(self.target), cast("Planes", results), (down, across),
        )  # fmt: skip
        return cast("Planes", results), int(beyond)


def noise_tile(*, dither: bool) -> NDArray[np.float32]:
    """Noise (128, 128) of triangular density over -1..1 code, float32; zeros without dither."""
    if not dither:
        return np.zeros((_TILE, _TILE), np.float32)
    random = np.random.default_rng(1127)
    return random.triangular(-1.0, 0.0, 1.0, (_TILE, _TILE)).astype(np.float32)


def codes_of(signal: FloatArray, target: Signal) -> FloatArray:
    """Real-valued codes (..., 3) of R'G'B' signals (..., 3), as a signal codes them."""
    if target.matrix == "rgb":
        return rgb_to_codes(signal, target.bits, target.range)
    return ycbcr_to_codes(rgb_to_ycbcr(signal, target.matrix), target.bits, target.range)


def code_limits(target: Signal) -> tuple[int, int]:
    """Lowest and highest code that a signal may hold (BT.709-6: narrow range keeps its ends)."""
    if target.range == "full":
        return 0, 2**target.bits - 1
    step = 2 ** (target.bits - 8)
    return step, 255 * step - 1


def chroma_place(source: Signal, sampling: Subsampling) -> tuple[int, float, int, float]:
    """Rows and columns of luma between samples of chroma, each before where the first stands."""
    across, down = CHROMA_FACTORS[sampling]
    above = 0.5 if down == 2 and source.siting != "topleft" else 0.0
    aside = 0.5 if across == 2 and source.siting == "centre" else 0.0
    return down, above, across, aside


def exact_planes(
    planes: Planes,
    convert: Callable[[FloatArray], FloatArray],
    source: Signal,
    target: Signal,
    sampling: tuple[Subsampling, Subsampling],
    noise: NDArray[np.float32],
    shift: tuple[int, int] = (0, 0),
) -> Planes:
    """Render planes as `Raster.planes` does, by a function of R'G'B' signals (N, 3)."""
    height, width = planes[0].shape
    down, above, across, aside = chroma_place(source, sampling[0])
    rows = (np.arange(height) - above) / down
    columns = (np.arange(width) - aside) / across
    wide, tall = CHROMA_FACTORS[sampling[1]]
    small = chroma_size(width, height, sampling[1])
    results = [np.empty(shape, np.uint16) for shape in ((height, width), small, small)]
    step = max(_BLOCK // width // 2 * 2, 2)
    for top in range(0, height, step):
        part = rows[top : top + step]
        codes = np.stack(
            [
                planes[0][top : top + step].astype(np.float64),
                _between(planes[1], part, columns),
                _between(planes[2], part, columns),
            ],
            axis=-1,
        )
        shown = codes_of(convert(source.decode_rgb(codes.reshape(-1, 3))), target)
        shown = shown.reshape(codes.shape)
        rounded = [shown[..., 0], *(_smaller(shown[..., n], wide, tall) for n in (1, 2))]
        for plane, (result, values) in enumerate(zip(results, rounded, strict=True)):
            first = top // (tall if plane else 1)
            # A row of smaller chroma takes the noise of the last row of luma it stands for.
            luma = np.arange(first, first + len(values)) * (tall if plane else 1)
            luma += (tall - 1) if plane else 0
            y = (luma + shift[0]) % _TILE
            x = (np.arange(values.shape[1]) + shift[1] + 37 * plane) % _TILE
            low, high = code_limits(target)
            noisy = np.clip(values + noise[np.ix_(y, x)], low, high)
            result[first : first + len(values)] = quantise(noisy, target.bits)
    return cast("Planes", tuple(results))


def _between(plane: Plane, rows: FloatArray, columns: FloatArray) -> FloatArray:
    """Values (rows, columns) between the samples of a plane, linearly."""
    v, u = np.clip(rows, 0, plane.shape[0] - 1), np.clip(columns, 0, plane.shape[1] - 1)
    i, j = v.astype(np.int64), u.astype(np.int64)
    k, m = np.minimum(i + 1, plane.shape[0] - 1), np.minimum(j + 1, plane.shape[1] - 1)
    down, across = (v - i)[:, None], u - j
    lines = plane[i] * (1 - down) + plane[k] * down
    return np.asarray(lines[:, j] * (1 - across) + lines[:, m] * across)


def _smaller(values: FloatArray, across: int, down: int) -> FloatArray:
    """Filter chroma (rows, columns) as `shrink_row` does."""
    if across == 2:
        padded = np.pad(values, ((0, 0), (1, 1)), mode="edge")
        values = (padded[:, :-2] / 4 + values / 2 + padded[:, 2:] / 4)[:, ::2]
    return values if down == 1 else (values[::2] + values[1::2]) / 2
