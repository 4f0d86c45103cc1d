"""The mergeable tallies."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.described import Description, described, result

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tonelab.signal.arrays import IntArray

NO_CHART = 0
TONE_BITS = 10  # of a neutral source code that name its row; sources have at least as many
SCENES = 64  # shots that are told apart; further ones share the tables of the first
LEVEL_BITS = 7  # of a luma code that name a level of a scene
CELL_BITS = 6  # of each source component that name a cell of its colour lattice
CELLS = 2 ** (3 * CELL_BITS)


_PATCH = ("patch", "plane")
_CODE = ("code", "plane")
_CELL = ("cell", "plane")
_SHOT = ("shot", "level")

# Every table that tonelab makes, by name. Samples and codes are of all frames used.
TABLES: dict[str, Description] = {
    "source_histogram": Description("Samples per source code", "1", ("plane", "code")),
    "capture_histogram": Description("Samples per capture code", "1", ("plane", "code")),
    "frame_digest_source": Description(
        "frame digest source",
        "1",
        ("axis 0",),
        note="SHA-256 of each source frame used, taken as four integers and summed modulo 2^64.",
    ),
    "frame_digest_capture": Description(
        "frame digest capture",
        "1",
        ("axis 0",),
        note="SHA-256 of each capture frame used, taken as four integers and summed modulo 2^64.",
    ),
    "patch_frames": Description("Capture frames in which each patch was read", "1", ("patch",)),
    "patch_count_source": Description("Source samples summed", "1", _PATCH),
    "patch_count_capture": Description("Capture samples summed", "1", _PATCH),
    "patch_sum_source": Description("Sum of source codes", "code", _PATCH),
    "patch_sum_capture": Description("Sum of capture codes", "code", _PATCH),
    "patch_square_source": Description("Sum of squared source codes", "code^2", _PATCH),
    "patch_square_capture": Description("Sum of squared capture codes", "code^2", _PATCH),
    "patch_frame_square_capture": Description(
        "Sum over frames of the squared frame sum",
        "code^2",
        _PATCH,
        note="For the variance between frames.",
    ),
    "tone_count": Description(
        "Flat, nearly neutral places per source luma code",
        "1",
        ("code",),
        note="1024 rows, by the upper ten bits of source luma (red of R'G'B').",
    ),
    "tone_sum_source": Description("Sum of their source codes", "code", _CODE),
    "tone_sum_capture": Description("Sum of their capture codes", "code", _CODE),
    "tone_square_capture": Description("Sum of squared capture codes", "code^2", _CODE),
    "scene_light": Description(
        "Source luma samples of each shot",
        "1",
        _SHOT,
        note="Every sixteenth sample, by the upper seven bits of its code.",
    ),
    "scene_count": Description(
        "Neutral samples of each shot", "1", _SHOT, note="Those of ``tone_count``."
    ),
    "scene_sum_source": Description(
        "Sum of their source codes", "code", _SHOT, note="Of the first component."
    ),
    "scene_sum_capture": Description(
        "Sum of their capture codes", "code", _SHOT, note="Of the first component."
    ),
    "cell_count": Description(
        "Flat places per cell of the source colour lattice",
        "1",
        ("cell",),
        note="2 * 64^3 rows, by the upper six bits of the three source components; separately for "
        "the even and the odd blocks of 48 source frames, so that one can be held out.",
    ),
    "cell_sum_source": Description("Sum of their source codes", "code", _CELL),
    "cell_sum_capture": Description("Sum of their capture codes", "code", _CELL),
    "cell_square_capture": Description("Sum of squared capture codes", "code^2", _CELL),
}


def _listed(tables: Mapping[str, Description]) -> str:
    """Tables as an indented list, for documentation."""
    return "\n\n" + "\n".join(
        f"- ``{name}`` (by {', '.join(one.dims)}, {one.unit_words}): {one.sentence('')}"
        for name, one in tables.items()
    )


@result(eq=False)
class Tallies:
    """Named tables of 64-bit integers that add.

    Sums of integers do not depend on order, so any split of the frames over any number of
    workers merges to the same bytes.
    """

    layout: int = described(
        "Descriptor of the chart layout: the meaning of the patch rows",
        "",
        note="0 for content without a chart.",
    )
    tables: Mapping[str, IntArray] = described(
        "Read-only int64 arrays by name",
        "",
        dims=("table",),
        note="Without a chart those of patches are replaced by those of tones, scenes and cells."
        + _listed(TABLES),
    )

    @classmethod
    def empty(cls, layout: int, patches: int, codes: tuple[int, int]) -> Tallies:
        """Return tallies of nothing for a chart.

        Parameters
        ----------
        layout
            Descriptor of the chart layout.
        patches
            Number of its patches, the rows of the patch tables.
        codes
            Numbers of codes, 2^bits, of source and capture.
        """
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
        """Return tallies of nothing for content without a chart.

        Parameters
        ----------
        codes
            Numbers of codes, 2^bits, of source and capture.
        """
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
        """Merge the tallies of two disjoint sets of frames of one layout.

        Raises
        ------
        ValueError
            When their layouts or their tables differ.
        """
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
