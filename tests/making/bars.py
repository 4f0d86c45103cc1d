"""The colour bars of BT.2111-2, PQ in narrow range, from its printed codes."""

from __future__ import annotations

import numpy as np

YELLOW, CYAN, GREEN = (568, 571, 381), (484, 566, 571), (474, 564, 368)
MAGENTA, RED, BLUE = (536, 361, 564), (530, 350, 256), (317, 236, 562)
STAIRS = (4, 64, 152, 239, 327, 414, 502, 590, 677, 765, 852, 940, 1019)
ORDER = ((1, 1, 1), (1, 1, 0), (0, 1, 1), (0, 1, 0), (1, 0, 1), (1, 0, 0), (0, 0, 1))
SIDE, MAIN, FULL, BLACK = 414, 572, 940, 64


def row(*runs):
    return np.concatenate([np.tile(np.broadcast_to(code, 3), (width, 1)) for width, code in runs])


def colour_bars():
    """R'G'B' codes, (1080, 1920, 3)."""
    widths = (206, 206, 206, 204, 206, 206, 206)

    def bars(high):
        colours = [np.where(bar, high, BLACK) for bar in map(np.array, ORDER)]
        return row((240, SIDE), *zip(widths, colours, strict=True), (240, SIDE))

    steps = (206, 103, 103, 103, 103, 102, 102, 103, 103, 103, 103, 103, 103)
    stairs = row((240, MAIN), *zip(steps, STAIRS, strict=True), (240, MAIN))
    ramp = row((240, MAIN), (559, 4), *((1, code) for code in range(5, 1019)), (107, 1019))
    foot = row(
        (80, YELLOW), (80, CYAN), (80, GREEN), (136, BLACK), (70, 48), (68, 64), (70, 80),
        (68, 64), (70, 99), (238, BLACK), (438, FULL), (282, BLACK), (80, MAGENTA), (80, RED),
        (80, BLUE),
    )  # fmt: skip
    parts = (90, bars(FULL)), (540, bars(MAIN)), (90, stairs), (90, ramp), (270, foot)
    return np.concatenate([np.broadcast_to(line, (rows, 1920, 3)) for rows, line in parts])
