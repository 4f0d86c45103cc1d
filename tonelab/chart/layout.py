"""The layout of a chart: its size, its pages, and the number from which it can be rebuilt.

Chart coordinates. The picture is a grid of 80 x 45 cells, square but in standard definition, where
rows of the picture above and below it are left black. Coordinates are continuous: the upper left
corner of the grid is (0, 0); in pixels of the picture, the one with index i has its centre at
i + 0.5.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from tonelab.chart.colours import Coding
from tonelab.chart.patches import (
    COLUMNS,
    RECIPES,
    ROWS,
    ChartKind,
    Group,
    Surround,
    assemble,
    mixed_sets,
    on_page,
    refined_count,
    refined_sets,
    with_colours,
)
from tonelab.errors import ChartError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tonelab.chart.patches import Patches
    from tonelab.signal.arrays import CodeArray, FloatArray
    from tonelab.signal.colorimetry import Matrix

ChartTransfer: TypeAlias = Literal["pq", "hlg", "bt1886"]
PageKind: TypeAlias = Literal["gradients", "mixed", "surround", "detail"]

LAYOUT_VERSION = 1
SDR_VERSION = 2
REFINED_VERSION = 3
MOST_REFINED_PAGES = 15
KINDS: tuple[ChartKind, ...] = ("full", "quick")
TRANSFERS: tuple[ChartTransfer, ...] = ("pq", "hlg")
SDR_BITS = (8, 10)
SDR_MATRICES: tuple[Matrix, ...] = ("bt709", "bt601")
SDR_PEAK = 100  # cd/m2, of the reference display of BT.1886 on which light is named
PEAK_RANGE = (100, 10000)
LEAST_HEIGHT = 540  # below it a patch has no middle that its neighbours leave alone
HOLD_RANGE = (4, 4095)

# Standard definition: columns and rows of the picture (BT.601-7), and rows of a cell. Cells of nine
# columns keep the whole width; patches of two by two cells have even sides, and a middle that the
# filters of 4:2:0 chroma leave alone.
SD_SIZES = {(720, 576): 12, (720, 480): 10}
_SD_TOP, _SD_SIDE = 16, 2  # rows above the grid, a multiple of four for fields of 4:2:0; cells

# Fields of the descriptor from its least significant bit; the version comes first for ever. Of SDR,
# ``pages`` and ``scan`` are 0 for the pages of this version, shown frame by frame.
_VERSION_BITS = 6
_FIELDS = {
    LAYOUT_VERSION: (("kind", 2), ("transfer", 2), ("peak", 14), ("hold", 12)),
    SDR_VERSION: (
        ("kind", 2),
        ("bits", 2),
        ("matrix", 2),
        ("pages", 4),
        ("scan", 2),
        ("hold", 12),
    ),
    REFINED_VERSION: (("pages", 4), ("transfer", 2), ("peak", 14), ("hold", 12), ("mark", 10)),
}
DESCRIPTOR_BITS = 48


@dataclass(frozen=True, slots=True)
class Page:
    """What one page shows; ``surround`` is `Surround.MIXED` where there is no single fill."""

    kind: PageKind
    surround: Surround = Surround.MIXED


@dataclass(frozen=True, slots=True)
class Refinement:
    """What makes a second chart, for one device, another than the first.

    Attributes
    ----------
    pages
        Mixed pages, 1 to 15.
    mark
        0 to 1023: of the curve file for which it was made.
    codes
        Its own colours as little-endian 16-bit codes, three a colour, in the order of the patches;
        empty until they are read from the pictures, which alone carry them.
    """

    pages: int
    mark: int
    codes: bytes = b""


@dataclass(frozen=True)
class Layout:
    """A chart, complete: the same fields always give the same pictures.

    Make one with `Layout.create`, or from a clip with `read_layout`.

    Attributes
    ----------
    kind
        ``"full"`` (33^3 lattice), ``"quick"`` (17^3), or ``"refined"``, a second chart.
    width, height
        Luma pixels, 16:9 with a height that is a multiple of 180; of SDR also 720x576 and 720x480.
    transfer
        ``"pq"`` or ``"hlg"``, or ``"bt1886"`` of an SDR chart.
    peak
        Light of the brightest lattice colours, cd/m2 (for HLG and SDR, the nominal display peak).
    hold
        Frames for which each page stands.
    bits, matrix
        How its codes are coded: 10 bits and ``"bt2020"`` of an HDR chart.
    refinement
        Of a refined chart.
    """

    kind: ChartKind
    width: int
    height: int
    transfer: ChartTransfer
    peak: int
    hold: int
    bits: int = 10
    matrix: Matrix = "bt2020"
    refinement: Refinement | None = None

    @classmethod
    def create_refined(cls, first: Layout, colours: CodeArray, mark: int, hold: int = 24) -> Layout:
        """Return the layout of a second chart for a device that a first chart has measured.

        Parameters
        ----------
        first
            The first chart, whose size, transfer and peak it shares.
        colours
            (N, 3): 10-bit codes of its own colours; as many as `refined_count` says for its pages.
        mark
            See `Refinement`.
        hold
            Frames for which each page stands.

        Raises
        ------
        ChartError
            When the first chart is SDR, or the hold or the number of colours is impossible.
        """
        if not first.is_hdr:
            raise ChartError("An SDR chart has no second chart: make one of HDR.")
        _check_hold(hold)
        counts = [refined_count(n + 1) for n in range(MOST_REFINED_PAGES)]
        if len(colours) not in counts:
            raise ChartError(
                f"{len(colours)} colours fill no whole pages: give {counts[0]} for one page and "
                f"{counts[1] - counts[0]} more for each other one, up to {MOST_REFINED_PAGES}."
            )
        blank = cls._refined(first, Refinement(counts.index(len(colours)) + 1, mark), hold)
        return blank.with_colours(colours)

    @classmethod
    def _refined(cls, first: Layout, refinement: Refinement, hold: int) -> Layout:
        return cls(
            "refined", first.width, first.height, first.transfer, first.peak, hold,
            refinement=refinement,
        )  # fmt: skip

    def with_colours(self, codes: CodeArray) -> Layout:
        """Return a refined chart with its own colours, codes (N, 3) in the order of its patches."""
        assert self.refinement is not None
        held = np.asarray(codes, "<i2").tobytes()
        return replace(self, refinement=replace(self.refinement, codes=held))

    @classmethod
    def create_sdr(
        cls,
        kind: ChartKind = "full",
        width: int = 1920,
        height: int = 1080,
        bits: int = 8,
        matrix: Matrix | None = None,
        hold: int = 24,
    ) -> Layout:
        """Check the wishes and return the layout of an SDR chart.

        Without ``matrix`` the size decides: BT.601 in standard definition, BT.709 above.

        Raises
        ------
        ChartError
            When a field is out of its range; the sentence says which and what is possible.
        """
        standard = (width, height) in SD_SIZES
        chosen = matrix or ("bt601" if standard else "bt709")
        _check_kind(kind)
        if bits not in SDR_BITS:
            raise ChartError(f"An SDR chart of {bits} bits is not possible: state 8 or 10.")
        if chosen not in SDR_MATRICES:
            raise ChartError(f"The matrix {chosen!r} of an SDR chart is unknown: bt601 or bt709.")
        if not standard:
            _check_size(width, height, "720x576, 720x480, ")
        _check_hold(hold)
        return cls(kind, width, height, "bt1886", SDR_PEAK, hold, bits, chosen)

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
        _check_kind(kind)
        if transfer not in TRANSFERS:
            raise ChartError(f"The chart transfer {transfer!r} is unknown: state pq or hlg.")
        _check_size(width, height)
        if peak != int(peak) or not PEAK_RANGE[0] <= peak <= PEAK_RANGE[1]:
            raise ChartError(
                f"A chart peak of {peak} cd/m2 is not possible: state a whole number from "
                f"{PEAK_RANGE[0]} to {PEAK_RANGE[1]}."
            )
        _check_hold(hold)
        return cls(kind, width, height, transfer, int(peak), hold)

    @classmethod
    def from_descriptor(cls, descriptor: int, width: int, height: int) -> Layout:
        """Rebuild a layout from the number that its marks carry.

        Raises
        ------
        ChartError
            When the layout version is not known here, or the number or the size is impossible.
        """
        version, rest = descriptor & ((1 << _VERSION_BITS) - 1), descriptor >> _VERSION_BITS
        if version not in _FIELDS:
            raise ChartError(
                f"The chart has layout version {version} and this tonelab reads versions "
                f"{LAYOUT_VERSION} to {REFINED_VERSION}: update tonelab or make the chart again."
            )
        fields: dict[str, int] = {}
        for name, bits in _FIELDS[version]:
            fields[name], rest = rest & ((1 << bits) - 1), rest >> bits
        impossible = ChartError(
            f"The chart descriptor {descriptor} is impossible: make the chart again."
        )
        if version == REFINED_VERSION:
            if rest or fields["transfer"] >= len(TRANSFERS) or not fields["pages"]:
                raise impossible
            transfer = TRANSFERS[fields["transfer"]]
            first = cls.create("quick", width, height, transfer, fields["peak"], fields["hold"])
            refinement = Refinement(fields["pages"], fields["mark"])
            return cls._refined(first, refinement, fields["hold"])
        if rest or fields["kind"] >= len(KINDS):
            raise impossible
        kind = KINDS[fields["kind"]]
        if version == SDR_VERSION:
            if fields["bits"] >= len(SDR_BITS) or fields["matrix"] >= len(SDR_MATRICES):
                raise impossible
            if fields["pages"] or fields["scan"]:
                raise ChartError(
                    "The SDR chart has pages that this tonelab does not know: update tonelab or "
                    "make the chart again."
                )
            bits, matrix = SDR_BITS[fields["bits"]], SDR_MATRICES[fields["matrix"]]
            return cls.create_sdr(kind, width, height, bits, matrix, fields["hold"])
        if fields["transfer"] >= len(TRANSFERS):
            raise impossible
        transfer = TRANSFERS[fields["transfer"]]
        return cls.create(kind, width, height, transfer, fields["peak"], fields["hold"])

    @property
    def descriptor(self) -> int:
        """The number from which `from_descriptor` rebuilds the layout, below 2^48."""
        values = {"hold": self.hold}
        if self.is_hdr:
            values |= {"transfer": TRANSFERS.index(self.transfer), "peak": self.peak}
        if self.refinement is not None:
            version = REFINED_VERSION
            values |= {"pages": self.refinement.pages, "mark": self.refinement.mark}
        else:
            version = LAYOUT_VERSION if self.is_hdr else SDR_VERSION
            values["kind"] = KINDS.index(self.kind)
        if version == SDR_VERSION:
            values |= {"bits": SDR_BITS.index(self.bits), "pages": 0, "scan": 0}
            values["matrix"] = SDR_MATRICES.index(self.matrix)
        number, shift = version, _VERSION_BITS
        for name, bits in _FIELDS[version]:
            number |= values[name] << shift
            shift += bits
        return number

    @property
    def is_hdr(self) -> bool:
        """Whether the chart is HDR."""
        return self.transfer in TRANSFERS

    @property
    def coding(self) -> Coding:
        """How its codes are coded."""
        return Coding(self.bits, self.matrix)

    @property
    def cell(self) -> int:
        """Height of a grid cell in luma pixels; its width, too, but in standard definition."""
        return SD_SIZES.get((self.width, self.height), self.height // ROWS)

    @property
    def cell_width(self) -> int:
        """Width of a grid cell in luma pixels."""
        return self.width // COLUMNS

    @property
    def top(self) -> int:
        """Rows of the picture above the grid."""
        return _SD_TOP if (self.width, self.height) in SD_SIZES else 0

    @property
    def side(self) -> int:
        """Side of a patch of a mixed page in cells."""
        return _SD_SIDE if (self.width, self.height) in SD_SIZES else 1

    def in_cells(self, x: CodeArray, y: CodeArray) -> tuple[FloatArray, FloatArray]:
        """Chart coordinates in cells of places of the picture in pixels, any shape."""
        return x / self.cell_width, (y - self.top) / self.cell

    @cached_property
    def pages(self) -> tuple[Page, ...]:
        """The pages in the order in which they are shown.

        Gradients come first because players draw their menus over the first seconds, and nothing
        that a curve rests on should stand there.
        """
        mixed = sum(len(codes) for _, codes in self._mixed_sets) // on_page(self.side)
        if self.refinement is not None:
            return (Page("gradients"), *[Page("mixed")] * mixed)
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
        cell = self.cell_width, self.cell
        if self.refinement is not None:
            blank = assemble(self._mixed_sets, (), 1, cell)
            codes = np.frombuffer(self.refinement.codes, "<i2").reshape(-1, 3)
            return with_colours(blank, codes) if len(codes) else blank
        surrounds = RECIPES[self.kind].surrounds
        return assemble(self._mixed_sets, surrounds, 1, cell, self.side, self.top)

    @cached_property
    def _mixed_sets(self) -> list[tuple[Group, CodeArray]]:
        if self.refinement is not None:
            return refined_sets(self.transfer, self.peak, self.refinement.pages)
        return mixed_sets(self.kind, self.transfer, self.peak, self.coding, self.side)

    @cached_property
    def free(self) -> NDArray[np.intp]:
        """Rows of `patches` that show a refined chart's own colours; none of another chart."""
        return np.flatnonzero(self.patches.group == Group.REFINED)


def _check_kind(kind: str) -> None:
    if kind not in KINDS:
        raise ChartError(f"The chart kind {kind!r} is unknown: state full or quick.")


def _check_size(width: int, height: int, others: str = "") -> None:
    if height < LEAST_HEIGHT or height % (4 * ROWS) or width * ROWS != height * COLUMNS:
        raise ChartError(
            f"A chart of {width}x{height} is not possible: state a 16:9 size whose height is "
            f"a multiple of 180 from {LEAST_HEIGHT} on, such as {others}1280x720, 1920x1080 or "
            "3840x2160."
        )


def _check_hold(hold: int) -> None:
    if not HOLD_RANGE[0] <= hold <= HOLD_RANGE[1]:
        raise ChartError(
            f"A page cannot stand for {hold} frames: state {HOLD_RANGE[0]} to {HOLD_RANGE[1]}."
        )
