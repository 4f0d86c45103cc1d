"""The mergeable tallies."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tonelab.signal.arrays import IntArray

NO_CHART = 0
TONE_BITS = 10  # of a neutral source code that name its row; sources have at least as many
SCENES = 64  # shots that are told apart; further ones share the tables of the first
LEVEL_BITS = 7  # of a luma code that name a level of a scene
CELL_BITS = 6  # of each source component that name a cell of its colour lattice
CELLS = 2 ** (3 * CELL_BITS)


@dataclass(frozen=True, slots=True, eq=False)
class Tallies:
    """Named tables of 64-bit integers that add.

    Sums of integers do not depend on order, so any split of the frames over any number of
    workers merges to the same bytes.

    Attributes
    ----------
    layout
        Descriptor of the chart layout, the meaning of the rows of the patch tables; 0 for content
        without a chart.
    tables
        Read-only int64 arrays by name:

        ``source_histogram``, ``capture_histogram``
            (3, 2^bits): samples per code and plane over all frames used.
        ``frame_digest_source``, ``frame_digest_capture``
            (4,): SHA-256 of each frame used, taken as four integers and summed modulo 2^64.
        ``patch_frames``
            (P,): capture frames in which each patch was read.
        ``patch_count_source``, ``patch_count_capture``
            (P, 3): samples summed per patch and plane.
        ``patch_sum_source``, ``patch_sum_capture``
            (P, 3): sums of codes.
        ``patch_square_source``, ``patch_square_capture``
            (P, 3): sums of squared codes.
        ``patch_frame_square_capture``
            (P, 3): sum over frames of the squared frame sum, for variance between frames.

        Without a chart the patch tables are replaced by:

        ``tone_count``, ``tone_sum_source``, ``tone_sum_capture``, ``tone_square_capture``
            (1024,), and (1024, 3) each: samples of flat, nearly neutral places by the upper ten
            bits of source luma (red of R'G'B'), and sums of the codes of all planes.
        ``cell_count``, ``cell_sum_source``, ``cell_sum_capture``, ``cell_square_capture``
            (2 * 64^3,), and (2 * 64^3, 3) each: the same for all flat places by the upper six bits
            of the three source components; separately for the even and the odd blocks of 48 source
            frames, so that one can be held out.
        ``scene_light``
            (64, 128): every sixteenth source luma sample of each shot by the upper seven bits of
            its code.
        ``scene_count``, ``scene_sum_source``, ``scene_sum_capture``
            (64, 128): the samples of ``tone_count`` by shot and level, and sums of their first
            component.
    """

    layout: int
    tables: Mapping[str, IntArray]

    @classmethod
    def empty(cls, layout: int, patches: int, codes: tuple[int, int]) -> Tallies:
        """Return tallies of nothing: ``codes`` are the numbers of codes of source and capture."""
        tables = {"patch_frames": np.zeros(patches, np.int64)}
        for side, size in zip(("source", "capture"), codes, strict=True):
            tables[f"{side}_histogram"] = np.zeros((3, size), np.int64)
            tables[f"frame_digest_{side}"] = np.zeros(4, np.int64)
            for name in ("count", "sum", "square"):
                tables[f"patch_{name}_{side}"] = np.zeros((patches, 3), np.int64)
        tables["patch_frame_square_capture"] = np.zeros((patches, 3), np.int64)
        return cls(layout, tables)

    @classmethod
    def empty_content(cls, codes: tuple[int, int]) -> Tallies:
        """Return tallies of nothing for content without a chart."""
        tables: dict[str, IntArray] = {}
        for side, size in zip(("source", "capture"), codes, strict=True):
            tables[f"{side}_histogram"] = np.zeros((3, size), np.int64)
            tables[f"frame_digest_{side}"] = np.zeros(4, np.int64)
        for name, rows in (("tone", 2**TONE_BITS), ("cell", 2 * CELLS)):
            tables[f"{name}_count"] = np.zeros(rows, np.int64)
            for what in ("sum_source", "sum_capture", "square_capture"):
                tables[f"{name}_{what}"] = np.zeros((rows, 3), np.int64)
        for what in ("light", "count", "sum_source", "sum_capture"):
            tables[f"scene_{what}"] = np.zeros((SCENES, 2**LEVEL_BITS), np.int64)
        return cls(NO_CHART, tables)

    def __add__(self, other: Tallies) -> Tallies:
        """Merge the tallies of two disjoint sets of frames of one layout."""
        if self.layout != other.layout or self.tables.keys() != other.tables.keys():
            raise ValueError("Only tallies of one chart layout can be merged.")
        return Tallies(
            self.layout, {name: table + other.tables[name] for name, table in self.tables.items()}
        )

    def __eq__(self, other: object) -> bool:
        """Whether every count is the same."""
        return (
            isinstance(other, Tallies)
            and self.layout == other.layout
            and self.tables.keys() == other.tables.keys()
            and all(
                np.array_equal(table, other.tables[name]) for name, table in self.tables.items()
            )
        )

    __hash__ = None  # type: ignore[assignment]
