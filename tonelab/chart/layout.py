"""The layout of a chart: its size, its pages, and the number from which it can be rebuilt.

Chart coordinates. The picture is a grid of 80 x 45 square cells. Coordinates are continuous: the
upper left corner of the picture is (0, 0), and the pixel with index i has its centre at i + 0.5.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Literal, TypeAlias

from tonelab.chart.patches import (
    BODY_CELLS,
    COLUMNS,
    RECIPES,
    ROWS,
    ChartKind,
    Surround,
    assemble,
    mixed_sets,
)
from tonelab.errors import ChartError

if TYPE_CHECKING:
    from tonelab.chart.patches import Group, Patches
    from tonelab.signal.arrays import CodeArray

ChartTransfer: TypeAlias = Literal["pq", "hlg"]
PageKind: TypeAlias = Literal["gradients", "mixed", "surround", "detail"]

LAYOUT_VERSION = 1
KINDS: tuple[ChartKind, ...] = ("full", "quick")
TRANSFERS: tuple[ChartTransfer, ...] = ("pq", "hlg")
PEAK_RANGE = (100, 10000)
LEAST_HEIGHT = 540  # below it a patch has no middle that its neighbours leave alone
HOLD_RANGE = (4, 4095)

# Fields of the descriptor from its least significant bit; the version comes first for ever.
_FIELDS = (("version", 6), ("kind", 2), ("transfer", 2), ("peak", 14), ("hold", 12))
DESCRIPTOR_BITS = 48


@dataclass(frozen=True, slots=True)
class Page:
    """What one page shows; ``surround`` is `Surround.MIXED` where there is no single fill."""

    kind: PageKind
    surround: Surround = Surround.MIXED


@dataclass(frozen=True)
class Layout:
    """A chart, complete: the same fields always give the same pictures.

    Make one with `Layout.create`, or from a clip with `read_layout`.

    Attributes
    ----------
    kind
        ``"full"`` (33^3 lattice) or ``"quick"`` (17^3).
    width, height
        Luma pixels, 16:9 with a height that is a multiple of 180.
    transfer
        ``"pq"`` or ``"hlg"``.
    peak
        Light of the brightest lattice colours, cd/m2 (for HLG, the nominal display peak).
    hold
        Frames for which each page stands.
    """

    kind: ChartKind
    width: int
    height: int
    transfer: ChartTransfer
    peak: int
    hold: int

    @classmethod
    def create(
        cls,
        kind: ChartKind = "full",
        width: int = 1920,
        height: int = 1080,
        transfer: ChartTransfer = "pq",
        peak: int = 1000,
        hold: int = 24,
    ) -> Layout:
        """Check the wishes and return the layout.

        Raises
        ------
        ChartError
            When a field is out of its range; the sentence says which and what is possible.
        """
        if kind not in KINDS:
            raise ChartError(f"The chart kind {kind!r} is unknown: state full or quick.")
        if transfer not in TRANSFERS:
            raise ChartError(f"The chart transfer {transfer!r} is unknown: state pq or hlg.")
        if height < LEAST_HEIGHT or height % (4 * ROWS) or width * ROWS != height * COLUMNS:
            raise ChartError(
                f"A chart of {width}x{height} is not possible: state a 16:9 size whose height is "
                f"a multiple of 180 from {LEAST_HEIGHT} on, such as 1280x720, 1920x1080 or "
                "3840x2160."
            )
        if peak != int(peak) or not PEAK_RANGE[0] <= peak <= PEAK_RANGE[1]:
            raise ChartError(
                f"A chart peak of {peak} cd/m2 is not possible: state a whole number from "
                f"{PEAK_RANGE[0]} to {PEAK_RANGE[1]}."
            )
        if not HOLD_RANGE[0] <= hold <= HOLD_RANGE[1]:
            raise ChartError(
                f"A page cannot stand for {hold} frames: state {HOLD_RANGE[0]} to {HOLD_RANGE[1]}."
            )
        return cls(kind, width, height, transfer, int(peak), hold)

    @classmethod
    def from_descriptor(cls, descriptor: int, width: int, height: int) -> Layout:
        """Rebuild a layout from the number that its marks carry.

        Raises
        ------
        ChartError
            When the layout version is not known here, or the number or the size is impossible.
        """
        fields, rest = {}, descriptor
        for name, bits in _FIELDS:
            fields[name], rest = rest & ((1 << bits) - 1), rest >> bits
        if fields["version"] != LAYOUT_VERSION:
            raise ChartError(
                f"The chart has layout version {fields['version']} and this tonelab reads version "
                f"{LAYOUT_VERSION}: update tonelab or make the chart again."
            )
        if rest or fields["kind"] >= len(KINDS) or fields["transfer"] >= len(TRANSFERS):
            raise ChartError(
                f"The chart descriptor {descriptor} is impossible: make the chart again."
            )
        kind, transfer = KINDS[fields["kind"]], TRANSFERS[fields["transfer"]]
        return cls.create(kind, width, height, transfer, fields["peak"], fields["hold"])

    @property
    def descriptor(self) -> int:
        """The number from which `from_descriptor` rebuilds the layout, below 2^48."""
        values = {
            "version": LAYOUT_VERSION,
            "kind": KINDS.index(self.kind),
            "transfer": TRANSFERS.index(self.transfer),
            "peak": self.peak,
            "hold": self.hold,
        }
        number, shift = 0, 0
        for name, bits in _FIELDS:
            number |= values[name] << shift
            shift += bits
        return number

    @property
    def cell(self) -> int:
        """Side of a grid cell in luma pixels."""
        return self.height // ROWS

    @cached_property
    def pages(self) -> tuple[Page, ...]:
        """The pages in the order in which they are shown.

        Gradients come first because players draw their menus over the first seconds, and nothing
        that a curve rests on should stand there.
        """
        mixed = sum(len(codes) for _, codes in self._mixed_sets) // BODY_CELLS
        surrounds = [Page("surround", surround) for surround in RECIPES[self.kind].surrounds]
        return (Page("gradients"), *[Page("mixed")] * mixed, *surrounds, Page("detail"))

    @property
    def frame_count(self) -> int:
        """Frames of the whole chart."""
        return len(self.pages) * self.hold

    def page_of(self, frame: int) -> int:
        """Page shown by a frame.

        Raises
        ------
        ChartError
            When the chart has no such frame.
        """
        if not 0 <= frame < self.frame_count:
            raise ChartError(
                f"The chart has no frame {frame}: its frames are 0 to {self.frame_count - 1}."
            )
        return frame // self.hold

    @cached_property
    def patches(self) -> Patches:
        """All flat patches, see `Patches`."""
        surrounds = RECIPES[self.kind].surrounds
        return assemble(self._mixed_sets, surrounds, first_page=1, cell=self.cell)

    @cached_property
    def _mixed_sets(self) -> list[tuple[Group, CodeArray]]:
        return mixed_sets(self.kind, self.transfer, self.peak)
