"""A curve in the characters of a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tonelab.signal.arrays import FloatArray

_BLANK = 0x2800
# Dots of a braille character by row and column (Unicode 2800..28FF).
_DOTS = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]])


def braille(
    x: FloatArray,
    y: FloatArray,
    *,
    size: tuple[int, int],
    x_range: tuple[float, float],
    y_range: tuple[float, float],
) -> list[str]:
    """Draw a polyline.

    Parameters
    ----------
    x, y
        Shape (N,), sorted by x.
    size
        Columns and rows of characters; each holds 2 x 4 dots.
    x_range, y_range
        What the edges stand for.

    Returns
    -------
    list of str
        One per row, top first.
    """
    columns, rows = size
    at = np.linspace(*x_range, 2 * columns)
    inside = (at >= x[0]) & (at <= x[-1])
    height = (np.interp(at, x, y) - y_range[0]) / (y_range[1] - y_range[0])
    dot = np.clip(np.round((1 - height) * (4 * rows - 1)), 0, 4 * rows - 1).astype(int)
    grid = np.zeros((rows, columns), int)
    previous: int | None = None
    for column in np.flatnonzero(inside):
        here = int(dot[column])
        # Join steep steps, so that the line has no holes.
        step = 1 if previous is None or here >= previous else -1
        start = here if previous is None or previous == here else previous + step
        for row in range(start, here + step, step):
            grid[row // 4, column // 2] |= _DOTS[row % 4, column % 2]
        previous = here
    return ["".join(chr(_BLANK + cell) for cell in line) for line in grid]


def axis(ticks: Mapping[str, float], columns: int) -> str:
    """One line of tick labels, each centred on its position 0..1; crowded ones are left out."""
    line = [" "] * columns
    free = 0
    for label, position in ticks.items():
        start = round(position * (columns - 1)) - len(label) // 2
        start = min(max(start, 0), columns - len(label))
        if start >= free and 0 <= position <= 1:
            line[start : start + len(label)] = label
            free = start + len(label) + 1
    return "".join(line)
