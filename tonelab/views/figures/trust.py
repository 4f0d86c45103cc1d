"""Where a correction can be trusted: planes through its lattice."""

from __future__ import annotations

from textwrap import fill
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.colors import ListedColormap
from matplotlib.patches import Patch

from tonelab.views.figures.drawing import WIDTH, drawing, note, title

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from tonelab.correction import Correction

_PLANES = 6
_TITLE = 84  # characters of a line


def trust_figure(correction: Correction, *, dark: bool = False) -> Figure:
    """Draw six planes of equal blue through the lattice, coloured by the gravest doubt."""
    with drawing((WIDTH, 5.6), dark) as (figure, style):
        size, names = correction.table.size, list(correction.masks)
        state = np.zeros(size**3, np.int64)
        for index in range(len(names), 0, -1):
            state[correction.masks[names[index - 1]]] = index
        colours = [style.grid, *style.series[: len(names)]]
        palette = ListedColormap(colours)
        low, high = correction.table.low, correction.table.high
        panels = figure.subplots(2, _PLANES // 2, sharex=True, sharey=True).ravel()
        for axes, plane in zip(
            panels, np.linspace(0, size - 1, _PLANES).round().astype(int), strict=True
        ):
            axes.imshow(
                state.reshape(size, size, size)[:, :, plane].T, origin="lower", cmap=palette,
                vmin=-0.5, vmax=len(names) + 0.5, extent=(low, high, low, high),
                interpolation="nearest", aspect="equal",
            )  # fmt: skip
            axes.set_title(f"blue {low + (high - low) * plane / (size - 1):.2f}")
            axes.grid(visible=False)
        for axes in panels[-(_PLANES // 2) :]:
            axes.set_xlabel("red")
        for axes in panels[:: _PLANES // 2]:
            axes.set_ylabel("green")
        labels = ["sound", *names]
        counts = [int((state == 0).sum()), *(int(m.sum()) for m in correction.masks.values())]
        handles = [
            Patch(facecolor=colour, label=f"{label}: {count}")
            for colour, label, count in zip(colours, labels, counts, strict=True)
        ]
        figure.legend(handles=handles, ncols=2, loc="outside lower right")
        title(figure, fill(f"Where to trust {correction.name}", _TITLE))
        note(figure, f"nodes of {size}^3; axes: numbers of the file", style)
    return figure
