"""The register of pixel tables, and the object that a pair's tables make.

A table is summed burst by burst (`tonelab.pixels.bursts.Burst`), in integers alone, so that the
bursts may be split over any number of workers and merged in any order to the same bytes. An entry
of `PIXEL_TABLES` is one decorated function from a burst to what it adds to one table, or to a few
that are worked out together, with all that is to be known of them::

    @PIXEL_TABLES.register(
        "luma-sum",
        label="luma of both sides",
        tables=(Table("luma_sum", (2,), "sums of luma codes of source and capture"),),
        when="Wherever pixels are co-registered.",
        cost=1.5,
    )
    def luma_sum(burst: Burst) -> Added:
        view = burst.co_registered
        if view is None:
            return {}
        return {"luma_sum": np.array([plane[0].sum() for plane in view.pairs[-1]], np.int64)}

A check reads it as an attribute of `PixelTables`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from tonelab.errors import UsageError
from tonelab.pixels.co_registration import co_register
from tonelab.pixels.picking import merge_rows
from tonelab.registry import Registry

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from tonelab.pairing import Pair
    from tonelab.signal.arrays import IntArray, Mask

    Added: TypeAlias = Mapping[str, IntArray]

ROWS, PATCHES = "rows", "patches"
CONTENT = "content"  # the page kind of what has no pages


@dataclass(frozen=True, slots=True)
class Table:
    """What is summed under one name; int64.

    Attributes
    ----------
    name
        Attribute of `PixelTables`.
    shape
        Numbers; `PATCHES` stands for as many as the chart's layout has patches, none without a
        chart, and `ROWS` for as many as the frames give.
    text
        What is in it, with its units.
    keys
        Columns that name a row of a table of `ROWS`; the others are summed. Its rows stand in the
        order of these columns, the first one first. Without keys whole tables are summed.
    """

    name: str
    shape: tuple[int | str, ...]
    text: str
    keys: tuple[int, ...] = ()

    def zeros(self, patches: int) -> IntArray:
        """Return the table of no burst."""
        sizes = {ROWS: 0, PATCHES: patches}
        return np.zeros([sizes[n] if isinstance(n, str) else n for n in self.shape], np.int64)

    def check(self, part: IntArray) -> None:
        """Check that an entry adds what it declares.

        Raises
        ------
        ValueError
            When it does not.
        """
        sizes = zip(part.shape, self.shape, strict=False)
        same = part.ndim == len(self.shape) and all(isinstance(b, str) or a == b for a, b in sizes)
        if not same or part.dtype != np.int64:
            raise ValueError(
                f"The pixel table {self.name!r} is declared as int64 of shape {self.shape}, and "
                f"its entry adds {part.dtype} of shape {part.shape}."
            )

    def merge(self, one: IntArray, other: IntArray, out: IntArray | None = None) -> IntArray:
        """Add the tables of disjoint sets of bursts; the same bytes in any order.

        Both have `shape`; rows with the same ``keys`` are added, see
        `tonelab.pixels.picking.merge_rows`. A table without keys is written to ``out``, if given.

        Raises
        ------
        ValueError
            When tables without keys differ in shape.
        """
        if self.keys:
            return merge_rows(np.concatenate([one, other]), self.keys)
        if one.shape != other.shape:
            raise ValueError(f"The pixel tables {self.name!r} are not those of one chart.")
        total: IntArray = np.add(one, other, out=out)
        return total


@dataclass(frozen=True, slots=True)
class PixelTable:
    """An entry: one table, or a few that are worked out together.

    Attributes
    ----------
    name
        Of the entry.
    function
        What a burst adds to the tables, by name; those that it adds nothing to may be left out.
    label
        What it sums, in a few words.
    tables
        What it sums.
    when
        Of which pairs and bursts, for readers.
    cost
        Processor milliseconds a burst of two frames and million captured luma pixels, by itself,
        as ``tests/benchmarks/pixel_tables.py`` measured it; of pictures in place or of halved ones,
        whichever cost more. Finding the scaler is counted with ``resampling``.
    pages
        Kinds of chart pages, or `CONTENT`, whose bursts are handed to the function; all if empty.
    """

    name: str
    function: Callable[[Any], Added]
    label: str
    tables: tuple[Table, ...]
    when: str
    cost: float
    pages: frozenset[str] = frozenset()

    def added(self, burst: Any) -> Added:
        """Return what a burst adds to the tables.

        Raises
        ------
        ValueError
            When it is not what is declared.
        """
        parts, declared = self.function(burst), {table.name: table for table in self.tables}
        for name, part in parts.items():
            if name not in declared:
                raise ValueError(
                    f"The entry {self.name!r} adds to {name!r}, which it declares not."
                )
            declared[name].check(part)
        return parts


PIXEL_TABLES = Registry("pixel table", "tonelab.pixel_tables", PixelTable)


def declared_tables() -> dict[str, Table]:
    """Return every table that is registered, by name.

    Raises
    ------
    UsageError
        When a name is taken twice, or by a field of `PixelTables`.
    """
    found: dict[str, Table] = {}
    for entry in PIXEL_TABLES.values():
        for table in entry.tables:
            if table.name in found or hasattr(PixelTables, table.name):
                raise UsageError(f"There are two pixel tables named {table.name!r}: rename one.")
            found[table.name] = table
    return found


@dataclass(frozen=True, slots=True, eq=False)
class PixelTables:
    """Integer tables of co-registered pixels that merge.

    Every table is an attribute, too: ``tables.joint``. `PIXEL_TABLES` says what is in each. All
    codes are 10-bit codes.

    Attributes
    ----------
    frames
        Captured frames that were read.
    co_registered
        Whether pixels of both sides are co-registered, if not to the fraction of a pixel.
    every_sample
        (3,): whether ``joint`` holds every sample of the plane.
    chroma_phases
        Parities (rows, columns) that differ: (2, 1) for 4:2:0 shown as 4:2:2.
    tables
        The tables by name; read-only.
    """

    frames: int
    co_registered: bool
    every_sample: Mask
    chroma_phases: tuple[int, int]
    tables: Mapping[str, IntArray]

    @classmethod
    def empty(cls, pair: Pair) -> PixelTables:
        """Return the tables of no burst of a pair."""
        patches = 0 if pair.layout is None else len(pair.layout.patches.page)
        how = co_register(pair)
        luma = how.shift is not None and (pair.layout is not None or how.in_place)
        chroma = luma and how.repeat == (1, 1)
        return cls(
            frames=0,
            co_registered=how.shift is not None,
            every_sample=np.array([luma, chroma, chroma]),
            chroma_phases=how.repeat or (1, 1),
            tables={name: table.zeros(patches) for name, table in declared_tables().items()},
        )

    def of_burst(self, frames: int, added: Added) -> PixelTables:
        """Return the tables of one burst of so many frames in place of none."""
        return replace(self, frames=frames, tables={**self.tables, **added})

    def with_tables(self, **tables: IntArray) -> PixelTables:
        """Return the same with other tables in place of some.

        Raises
        ------
        UsageError
            When there is no table of a name.
        """
        unknown = sorted(tables.keys() - self.tables.keys())
        if unknown:
            raise UsageError(f"There is no pixel table {unknown[0]!r}.")
        return replace(self, tables={**self.tables, **tables})

    def __add__(self, other: PixelTables) -> PixelTables:
        """Merge the tables of disjoint sets of bursts of one pair."""
        return self._merged(other, in_place=False)

    def with_more(self, other: PixelTables) -> PixelTables:
        """Merge likewise, but into the arrays of this one, which nobody else may hold."""
        return self._merged(other, in_place=True)

    def _merged(self, other: PixelTables, *, in_place: bool) -> PixelTables:
        if self._of_pair() != other._of_pair() or self.tables.keys() != other.tables.keys():
            raise ValueError("Only pixel tables of one pair can be merged.")
        declared = declared_tables()
        sums = {
            name: declared[name].merge(one, other.tables[name], one if in_place else None)
            for name, one in self.tables.items()
        }
        return replace(self, frames=self.frames + other.frames, tables=sums)

    def __eq__(self, other: object) -> bool:
        """Whether every table is the same."""
        return (
            isinstance(other, PixelTables)
            and self.frames == other.frames
            and self._of_pair() == other._of_pair()
            and self.tables.keys() == other.tables.keys()
            and all(
                np.array_equal(table, other.tables[name]) for name, table in self.tables.items()
            )
        )

    __hash__ = None  # type: ignore[assignment]

    def __getattr__(self, name: str) -> IntArray:
        """Return a table."""
        # While an object is being unpickled it has no tables yet.
        if name.startswith("__") or name == "tables" or name not in self.tables:
            raise AttributeError(f"There is no pixel table {name!r}.")
        return self.tables[name]

    def _of_pair(self) -> tuple[Any, ...]:
        return self.co_registered, self.every_sample.tolist(), self.chroma_phases
