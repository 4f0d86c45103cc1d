"""The flat patches of a chart: which colour stands where on which page."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import IntEnum
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from tonelab.chart import colours

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from tonelab.signal.arrays import CodeArray


ChartKind: TypeAlias = Literal["full", "quick", "refined"]

COLUMNS, ROWS = 80, 45
STRIP = 3  # rows of cells above and below the body that carry the marks
BODY_ROWS = ROWS - 2 * STRIP
BODY_CELLS = COLUMNS * BODY_ROWS


class Group(IntEnum):
    """Why a patch is on the chart."""

    NEUTRAL = 0
    LATTICE = 1
    NEUTRAL_NEAR = 2
    KNEE = 3
    SWEEP = 4
    CLIP_WINDOW = 5
    REPEAT = 6
    REFINED = 7


# The groups from which a conversion is identified, beside the neutrals.
COLOURED = (Group.LATTICE, Group.NEUTRAL_NEAR, Group.KNEE, Group.SWEEP, Group.REFINED)
UNREAD = -1  # code of a patch whose colour only the pictures of the chart tell


class Surround(IntEnum):
    """What stands around a patch: other patches, or one fill."""

    MIXED = 0
    DARK = 1
    MID = 2
    BRIGHT = 3
    RED = 4
    GREEN = 5
    BLUE = 6


@dataclass(frozen=True, slots=True)
class Recipe:
    """How much of each colour set one kind of chart shows."""

    lattice_nodes: int
    near_levels: int
    near_radii: tuple[int, ...]
    knee_levels: int
    knee_saturations: tuple[float, ...]
    sweep_levels: int
    sweep_chroma: tuple[float, ...]
    surrounds: tuple[Surround, ...]


RECIPES: dict[ChartKind, Recipe] = {
    "full": Recipe(
        lattice_nodes=33,
        near_levels=64,
        near_radii=(5, 12, 28),
        knee_levels=20,
        knee_saturations=(0.25, 0.5, 0.75, 1.0),
        sweep_levels=10,
        sweep_chroma=(0.2, 0.4, 0.6, 0.8, 1.0),
        surrounds=tuple(Surround)[1:],
    ),
    "quick": Recipe(
        lattice_nodes=17,
        near_levels=24,
        near_radii=(6, 20),
        knee_levels=8,
        knee_saturations=(0.3, 0.6, 1.0),
        sweep_levels=6,
        sweep_chroma=(0.33, 0.67, 1.0),
        surrounds=(Surround.DARK, Surround.MID, Surround.BRIGHT, Surround.RED),
    ),
}

# Light of the largest of R, G, B in cd/m2, saturation of the signal, hue of 24.
_FILLS = {
    Surround.DARK: (0.1, 0.0, 0),
    Surround.MID: (26.0, 0.0, 0),
    Surround.BRIGHT: (400.0, 0.0, 0),
    Surround.RED: (100.0, 0.6, 0),
    Surround.GREEN: (100.0, 0.6, 8),
    Surround.BLUE: (100.0, 0.6, 16),
}

# Greys of a refined chart, over all its pages: with the repeated colours they show whether it was
# the same device at the same setting.
REFINED_NEUTRALS = 256

# On a page with one fill, each repeated colour stands twice in a square of 3 x 3 cells.
_SPOT, _PITCH = 3, 5
_SPOT_COLUMNS, _SPOT_ROWS = COLUMNS // _PITCH, BODY_ROWS // _PITCH
_SPOT_TOP = STRIP + (BODY_ROWS - _SPOT_ROWS * _PITCH) // 2


@dataclass(frozen=True, slots=True, eq=False)
class Patches:
    """Flat patches in the order of pages; all arrays have P rows.

    Attributes
    ----------
    page
        Page that shows the patch.
    x, y, width, height
        Flat area in luma pixels of the chart at its own size, without inset.
    code
        Shape (P, 3), intended narrow Y'CbCr codes of the layout's bits and matrix; `UNREAD` of the
        colours of a refined chart that were not read from its pictures.
    group, surround
        Values of `Group` and `Surround`.
    repeat_of
        Row of the first patch of the same colour, or -1 for that first patch.
    """

    page: CodeArray
    x: CodeArray
    y: CodeArray
    width: CodeArray
    height: CodeArray
    code: CodeArray
    group: CodeArray
    surround: CodeArray
    repeat_of: CodeArray

    def __len__(self) -> int:
        """Return the number of patches."""
        return len(self.page)


def shuffled(count: int, seed: int) -> NDArray[np.intp]:
    """Return a fixed permutation of 0..count-1, shape (count,).

    Sorting by a hash (the finaliser of SplitMix64) and not by a library's generator: a chart must
    be rebuilt from its descriptor years later, whatever the library does by then.
    """
    return np.argsort(hashed(count, seed), kind="stable")


def hashed(count: int, seed: int) -> NDArray[np.uint64]:
    """Return well mixed 64-bit numbers (count,)."""
    z = np.arange(1, count + 1, dtype=np.uint64) + np.uint64(seed << 32)
    z *= np.uint64(0x9E3779B97F4A7C15)
    z = (z ^ (z >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    z = (z ^ (z >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return z ^ (z >> np.uint64(31))


def fill_codes(
    surround: Surround, transfer: str, peak: float, coding: colours.Coding = colours.HDR
) -> CodeArray:
    """Codes (3,) of the fill of a page with one surround; mixed pages leave none of it to see."""
    light, saturation, hue = _FILLS.get(surround, _FILLS[Surround.MID])
    level = colours.signal_of_light([min(light, peak)], transfer, peak)
    codes: CodeArray = colours.hue_circle(level, (saturation,), coding)[hue]
    return codes


def on_page(side: int) -> int:
    """Return how many patches of so many cells a side a mixed page holds."""
    return (COLUMNS // side) * (BODY_ROWS // side)


def mixed_sets(
    kind: ChartKind,
    transfer: str,
    peak: float,
    coding: colours.Coding = colours.HDR,
    side: int = 1,
) -> list[tuple[Group, CodeArray]]:
    """Return the colours (N, 3) of the mixed pages, padded with neutrals to the peak, cd/m2.

    ``side`` is that of a patch, in cells.
    """
    recipe = RECIPES[kind]
    top = 1.0 if transfer == "hlg" else float(colours.signal_of_light(peak, transfer, peak))
    low, high = colours.signal_of_light((50.0, min(400.0, peak)), transfer, peak)
    knee = np.linspace(low, high, recipe.knee_levels)
    neutrals = colours.legal_neutrals(coding)
    sets = [
        # Dealt one after the other in the same order, the two copies fall on different pages.
        (Group.NEUTRAL, neutrals),
        (Group.NEUTRAL, neutrals),
        (Group.LATTICE, colours.lattice(recipe.lattice_nodes, top, coding)),
        (
            Group.NEUTRAL_NEAR,
            colours.near_neutrals(recipe.near_levels, recipe.near_radii, top, coding),
        ),
        (Group.KNEE, colours.hue_circle(knee, recipe.knee_saturations, coding)),
        (Group.SWEEP, colours.sweeps(recipe.sweep_levels, recipe.sweep_chroma, top, coding)),
        (Group.CLIP_WINDOW, colours.clip_windows(coding)),
        (Group.REPEAT, colours.repeated_colours(transfer, peak, coding)),
    ]
    missing = -sum(len(codes) for _, codes in sets) % on_page(side)
    black, end = coding.luma((0.0, top)).tolist()
    spread = np.linspace(black, end, missing).round()
    return [*sets, (Group.NEUTRAL, colours.neutral_codes(spread, coding))]


def refined_count(pages: int) -> int:
    """Return how many colours of its own a refined chart of so many mixed pages shows."""
    repeated = len(colours.repeated_colours("pq", 1000.0))
    return pages * on_page(1) - REFINED_NEUTRALS - repeated


def refined_sets(transfer: str, peak: float, pages: int) -> list[tuple[Group, CodeArray]]:
    """Return the colours (N, 3) of a refined chart, its own `UNREAD`, of a peak in cd/m2."""
    low, high = colours.HDR.legal
    neutrals = colours.neutral_codes(np.linspace(low, high, REFINED_NEUTRALS).round())
    return [
        (Group.NEUTRAL, neutrals),
        (Group.REPEAT, colours.repeated_colours(transfer, peak)),
        (Group.REFINED, np.full((refined_count(pages), 3), UNREAD, np.int32)),
    ]


def assemble(
    sets: Sequence[tuple[Group, CodeArray]],
    surrounds: Sequence[Surround],
    first_page: int,
    cell: tuple[int, int],
    side: int = 1,
    top: int = 0,
) -> Patches:
    """Place the mixed pages, then one page for each surround.

    Parameters
    ----------
    sets
        Colours (N, 3) by group, 10-bit codes, that fill whole pages as those of `mixed_sets` do;
        one set is of `Group.REPEAT`, which the pages of the surrounds show.
    surrounds
        Of the pages that follow the mixed ones.
    first_page
        Number of the first mixed page.
    cell
        Width and height of a cell, pixels.
    side
        Of a patch of a mixed page, in cells.
    top
        Rows of the picture above the grid of cells.
    """
    group = np.concatenate([np.full(len(codes), group) for group, codes in sets])
    code = np.concatenate([codes[shuffled(len(codes), 1)] for _, codes in sets])
    # Dealt like cards, so that every page carries its share of every group.
    many, columns = on_page(side), COLUMNS // side
    pages = len(code) // many
    dealt = np.argsort(np.arange(len(code)) % pages, kind="stable").reshape(pages, many)
    order = np.concatenate([hand[shuffled(many, 2 + n)] for n, hand in enumerate(dealt)])
    place = np.tile(np.arange(many), pages)
    rows = [
        np.repeat(np.arange(pages), many) + first_page,
        place % columns * side,
        place // columns * side + STRIP,
        np.full_like(place, side),
        group[order],
        np.full_like(place, Surround.MIXED),
    ]
    repeated = next(codes for group, codes in sets if group is Group.REPEAT)
    blocks, block_codes = [np.stack(rows)], [code[order]]
    for n, surround in enumerate(surrounds):
        spots = _SPOT_COLUMNS * _SPOT_ROWS
        spot = shuffled(spots, 100 + n)
        constant = [np.full(spots, v) for v in (_SPOT, Group.REPEAT, surround)]
        page = np.full(spots, first_page + pages + n)
        x = spot % _SPOT_COLUMNS * _PITCH + 1
        y = spot // _SPOT_COLUMNS * _PITCH + _SPOT_TOP + 1
        blocks.append(np.stack([page, x, y, *constant]))
        block_codes.append(np.resize(repeated, (spots, 3)))
    page, x, y, sides, group, surround_ids = np.concatenate(blocks, axis=1).astype(np.int32)
    codes = np.concatenate(block_codes).astype(np.int32)
    width, height = cell
    return Patches(
        page,
        x * width,
        y * height + top,
        sides * width,
        sides * height,
        codes,
        group,
        surround_ids,
        _first_of_colour(codes),
    )


def with_colours(patches: Patches, codes: CodeArray) -> Patches:
    """Return the patches with the codes (N, 3) of those of `Group.REFINED`, in their order."""
    code = patches.code.copy()
    code[patches.group == Group.REFINED] = codes
    return replace(patches, code=code, repeat_of=_first_of_colour(code))


def _first_of_colour(codes: CodeArray) -> CodeArray:
    key = codes @ np.array([1 << 20, 1 << 10, 1], np.int32)
    _, first, inverse = np.unique(key, return_index=True, return_inverse=True)
    original = first[inverse]
    alone = (original == np.arange(len(codes))) | (codes[:, 0] == UNREAD)
    return np.where(alone, -1, original).astype(np.int32)
