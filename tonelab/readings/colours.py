"""The colours of a measured pair: tallies brought down to one row per distinct colour."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING

import numpy as np

from tonelab.signal.colorimetry import matrix_rgb_to_rgb, rgb_to_ycbcr
from tonelab.signal.quantisation import ycbcr_to_codes

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tonelab.chart import Layout
    from tonelab.results import Tallies
    from tonelab.signal.arrays import FloatArray, IntArray, Mask
    from tonelab.signal.description import Signal

# Fewer flat places of a code or a cell are taken for chance.
LEAST_TONE = 30
LEAST_CELL = 16
NEUTRAL_MEAN = 0.3  # 10-bit codes from neutral that the mean chroma of a neutral code may have
CELL_SIDE = 64  # cells of the source colour lattice along each component
_POOLED = ("count_source", "count_capture", "sum_source", "sum_capture", "square_capture")
STATIC_LIMIT = 1.0  # codes by which a repeated colour may differ before it is called varying


@dataclass(frozen=True, slots=True)
class Colours:
    """Means per colour, shape (N, ...), in native codes of source and capture.

    Attributes
    ----------
    source, capture
        (N, 3): mean Y', Cb, Cr codes (R'G'B' for RGB clips).
    variance
        (N, 3): variance of single capture samples about their mean.
    count
        (N, 3): capture samples.
    page
        (N,): page of the first occurrence, the unit that is held out; without a chart a half of
        the clip, see `gather_cells`.
    patch
        (N,): row of the first occurrence in the layout; without a chart the row of the table.
    """

    source: FloatArray
    capture: FloatArray
    variance: FloatArray
    count: IntArray
    page: IntArray
    patch: IntArray

    def __len__(self) -> int:
        return len(self.source)

    def __getitem__(self, rows: Mask | IntArray | slice) -> Colours:
        """Return the chosen rows."""
        return Colours(
            self.source[rows],
            self.capture[rows],
            self.variance[rows],
            self.count[rows],
            self.page[rows],
            self.patch[rows],
        )


def joined(first: Colours, second: Colours) -> Colours:
    """Return the rows of both, in this order."""
    return Colours(
        *(
            np.concatenate([getattr(first, one.name), getattr(second, one.name)])
            for one in fields(Colours)
        )
    )


def coded_signal(signal: Signal) -> Signal:
    """Return how curves of a capture are coded: its own signal, or Y'CbCr for R'G'B' captures."""
    if signal.matrix != "rgb":
        return signal
    return signal.with_fields("inferred", matrix=signal.coding_matrix, range="narrow")


def coded_source(signal: Signal) -> Signal:
    """Return how the colours of a source are coded: itself, or Y'CbCr for an R'G'B' source.

    The range stays, so that a grey has the same code in both.
    """
    if signal.matrix != "rgb":
        return signal
    return signal.with_fields("inferred", matrix=signal.coding_matrix)


def shown_light(codes: FloatArray, signal: Signal) -> FloatArray:
    """Light in cd/m2, linear BT.2020, that the assumed display makes of codes (N, 3).

    A display cannot show less than no light, so excursions below black end at zero.
    """
    # A display clips each of its own primaries before they are seen in others.
    light = np.maximum(signal.decode_light(codes), 0.0)
    if signal.primaries == "bt2020":
        return light
    return np.maximum(light @ matrix_rgb_to_rgb(signal.primaries, "bt2020").T, 0.0)


def source_as_ycbcr(colours: Colours, signal: Signal) -> Colours:
    """Turn R'G'B' sources (N, 3) into codes of `coded_source`; others are returned as they are."""
    if signal.matrix != "rgb":
        return colours
    ycbcr = rgb_to_ycbcr(signal.decode_rgb(colours.source), signal.coding_matrix)
    return replace(colours, source=ycbcr_to_codes(ycbcr, signal.bits, signal.range))


def as_ycbcr(colours: Colours, signal: Signal) -> Colours:
    """Turn R'G'B' captures (N, 3) into codes of `coded_signal`; others are returned as they are.

    Means are linear in the codes, so this is exact; it lets everything downstream speak of luma
    and chroma.
    """
    if signal.matrix != "rgb":
        return colours

    def codes(rgb: FloatArray) -> FloatArray:
        return ycbcr_to_codes(rgb_to_ycbcr(rgb, signal.coding_matrix), signal.bits, "narrow")

    moved = codes(signal.decode_rgb(colours.capture))
    linear = codes(signal.decode_rgb(np.eye(3))) - codes(signal.decode_rgb(np.zeros(3)))
    return replace(colours, capture=moved, variance=colours.variance @ linear**2)


def gather(tallies: Tallies, layout: Layout, *groups: int, merge: bool = True) -> Colours:
    """Collect the colours of some patch groups.

    Parameters
    ----------
    tallies, layout
        A measured chart.
    groups
        Members of ``tonelab.chart.Group``; none means all.
    merge
        Pool patches of equal intended code (their samples are summed exactly); else one row
        per patch.

    Returns
    -------
    Colours
        Sorted by intended code when merged; only patches that were seen on both sides.
    """
    return gather_charts([(tallies, layout)], *groups, merge=merge)


def gather_charts(
    charts: Sequence[tuple[Tallies, Layout]], *groups: int, merge: bool = True
) -> Colours:
    """Do as `gather` with several charts as one; their pages and patches are numbered through."""
    code, page, patch = [], [], []
    parts: dict[str, list[IntArray]] = {name: [] for name in _POOLED}
    pages = patches_before = 0
    for tallies, layout in charts:
        tables, patches = tallies.tables, layout.patches
        counts = tables["patch_count_source"].min(1), tables["patch_count_capture"].min(1)
        seen = np.minimum(*counts) > 0
        if groups:
            seen &= np.isin(patches.group, groups)
        rows = np.flatnonzero(seen)
        code.append(patches.code[rows])
        page.append(patches.page[rows].astype(np.int64) + pages)
        patch.append(rows + patches_before)
        for name, found in parts.items():
            found.append(tables[f"patch_{name}"][rows])
        pages, patches_before = pages + len(layout.pages), patches_before + len(patches)
    numbers = np.concatenate(patch)
    if merge:
        _, first, label = np.unique(
            np.concatenate(code), axis=0, return_index=True, return_inverse=True
        )
        label = label.reshape(-1)
    else:
        first = label = np.arange(len(numbers))
    order = np.argsort(label, kind="stable")
    starts = np.searchsorted(label[order], np.arange(len(first)))

    def pooled(name: str) -> IntArray:
        table = np.concatenate(parts[name])
        return np.add.reduceat(table[order], starts, axis=0, dtype=np.int64)

    count_source, count = pooled("count_source"), pooled("count_capture")
    mean = pooled("sum_capture") / count
    return Colours(
        source=pooled("sum_source") / count_source,
        capture=mean,
        variance=np.maximum(pooled("square_capture") / count - mean**2, 0.0),
        count=count,
        page=np.concatenate(page)[first],
        patch=numbers[first],
    )


def gather_tones(tallies: Tallies, *, rgb: bool = False) -> Colours:
    """Collect the nearly neutral places of content without a chart, one row per source code.

    Only source codes seen at least `LEAST_TONE` times, whose mean chroma lies within `NEUTRAL_MEAN`
    of neutral. ``rgb`` says that the source is R'G'B'.
    """
    count, total = tallies.tables["tone_count"], tallies.tables["tone_sum_source"]
    codes = tallies.tables["source_histogram"].shape[1]
    mean = total / np.maximum(count, 1)[:, None]
    off = np.abs(mean[:, 1:] - (mean[:, :1] if rgb else codes // 2)).max(axis=1)
    # A cast of a few codes is enough for drives to part.
    rows = np.flatnonzero((count >= LEAST_TONE) & (off <= NEUTRAL_MEAN * codes / 1024))
    return _content_rows(tallies, "tone", rows, np.zeros_like(rows))


def gather_cells(tallies: Tallies) -> Colours:
    """Collect the flat places of content without a chart, a row per cell of source colour.

    Each half of the clip, blocks of frames taken in turn, has its own rows and is its ``page``.
    Where one half saw next to nothing, cells are dealt over two pages like the fields of a
    chessboard.
    """
    rows = np.flatnonzero(tallies.tables["cell_count"] >= LEAST_CELL)
    half, cell = np.divmod(rows, CELL_SIDE**3)
    seen = np.bincount(half, minlength=2)
    if seen.min() < seen.max() / 10:
        half = np.stack(np.unravel_index(cell, (CELL_SIDE,) * 3)).sum(axis=0) % 2
    return _content_rows(tallies, "cell", rows, half)


def _content_rows(tallies: Tallies, name: str, rows: IntArray, page: IntArray) -> Colours:
    tables = tallies.tables
    count = tables[f"{name}_count"][rows][:, None]
    mean = tables[f"{name}_sum_capture"][rows] / count
    return Colours(
        source=tables[f"{name}_sum_source"][rows] / count,
        capture=mean,
        variance=np.maximum(tables[f"{name}_square_capture"][rows] / count - mean**2, 0.0),
        count=np.repeat(count, 3, axis=1),
        page=page,
        patch=rows,
    )


def code_step(tallies: Tallies, capture: Signal) -> float:
    """Return the step of the capture's luma codes: 4 when 8 bits sit in a 10-bit container."""
    used = np.flatnonzero(tallies.tables["capture_histogram"][0])
    step = int(np.gcd.reduce(used)) if len(used) > 1 else 1
    limit = 2 ** (capture.bits - 8)
    return float(step if step > 1 and limit % step == 0 else 1)
