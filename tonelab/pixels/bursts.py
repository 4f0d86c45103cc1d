"""The frames of a pair that the checks look at pixel by pixel."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from tonelab.pairing import Pair
    from tonelab.signal.arrays import IntArray

BURST = 9  # frames; shows periods up to eight
BURSTS = 12  # of content without pages, of two frames each
LONG_BURST = 5  # frames of two among them, which show periods up to four
_STEPS, _PARTS = LONG_BURST - 1, (0.25, 0.75)  # within such a burst, and where in the clip


def bursts(pair: Pair) -> list[IntArray]:
    """Choose runs of matches, (n, 2) each: one on every chart page, or spread over the content."""
    matches = pair.matches
    if pair.layout is not None:
        page = matches[:, 1] // pair.layout.hold
        edges = [0, *(np.flatnonzero(np.diff(page)) + 1).tolist(), len(matches)]
        runs = {int(page[a]): matches[a:b] for a, b in reversed([*pairwise(edges)])}
        # The end of a page is the safest: devices settle at its start.
        return [_unbroken(runs[key])[-BURST:] for key in sorted(runs)]
    # Even starts, so that bursts of a short clip do not share frames.
    starts = np.unique(np.linspace(0, max(len(matches) - 2, 0), BURSTS).astype(int) // 2 * 2)
    in_row = np.append(np.diff(matches, axis=0) == 1, [[False, False]], axis=0).all(axis=1)
    whole = [n for n in starts if len(in_row) - n >= LONG_BURST and in_row[n:][:_STEPS].all()]
    places = np.array(whole, np.int64)
    wanted = [part * len(matches) for part in _PARTS if whole]
    long = {int(places[np.abs(places - place).argmin()]) for place in wanted}
    within = {start + n for start in long for n in range(1, LONG_BURST)}
    return [
        _unbroken(matches[start : start + (LONG_BURST if start in long else 2)])
        for start in starts
        if start not in within
    ]


def _unbroken(run: IntArray) -> IntArray:
    """Longest stretch of a run without a missing captured frame."""
    cuts = np.flatnonzero(np.diff(run[:, 0]) != 1) + 1
    return max(np.split(run, cuts), key=len)
