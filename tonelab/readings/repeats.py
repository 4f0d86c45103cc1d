"""Whether the same colour lands on the same code wherever and whenever it is shown."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.chart import Surround
from tonelab.readings.colours import STATIC_LIMIT, gather
from tonelab.results import Finding

if TYPE_CHECKING:
    from tonelab.chart import Layout
    from tonelab.results import Tallies
    from tonelab.signal.arrays import FloatArray, IntArray, Mask

_OF_PAGE = 0.2  # share of a move with the page that mixed pages of nearly one average explain
_SCENE_SAMPLES = 200  # of a level in a shot, from which its mean counts
_SCENE_LEVELS = 3  # levels that shots must share to be compared
_SCENES_TO_COMPARE = 5  # shots from which a cause of their movement can be named
_PEAK_SHARE = 0.999  # of the pixels of a shot that lie below its peak
_GOES_WITH, _STANDS_OUT = 0.8, 0.15  # rank correlation that names a cause, and by how much
_SIDES = ("source", "capture")


def repeatability(tallies: Tallies, layout: Layout, step: float) -> tuple[str, tuple[Finding, ...]]:
    """Compare the same colours among other neighbours, under other surrounds and page averages.

    All mixed pages have the same average, so a colour that differs between two of them follows
    its neighbours; one that differs only on a page of another fill follows the page.

    Returns
    -------
    str
        ``static``, ``scene-dependent``, ``local``, or ``unknown``.
    tuple of Finding
        The size of the difference, 95th percentile over colours, with what it rests on.
    """
    moved, noise, among_neighbours = _movements(tallies, layout)
    if not (among_neighbours.any() and (~among_neighbours).any()):
        return "unknown", ()
    limit = max(STATIC_LIMIT * step, 4 * noise)
    by_neighbours = float(np.percentile(moved[among_neighbours], 95))
    by_page = float(np.percentile(moved[~among_neighbours], 95))
    # The average differs a little even between mixed pages.
    if by_neighbours > max(limit, _OF_PAGE * by_page):
        verdict, swing = "local", max(by_neighbours, by_page)
        text = (
            f"The same colours move by {by_neighbours:.1f} codes with their neighbours and "
            f"{by_page:.1f} with the page: the mapping is local, and one curve is an average."
        )
    elif by_page > limit:
        verdict, swing = "scene-dependent", by_page
        text = (
            f"The same colours move by {by_page:.1f} codes with the rest of the page: the mapping "
            "follows the scene, and one curve is an average over the pages of the chart."
        )
    else:
        verdict, swing = "static", max(by_neighbours, by_page)
        text = (
            f"The same colours in {len(moved)} other surroundings move by at most "
            f"{moved.max():.2f} codes."
        )
    static = verdict == "static"
    finding = Finding(
        id="repeated-colours",
        severity="info" if static else "warning",
        text=text,
        value=swing,
        bound=float(2 * noise + step / np.sqrt(12)),
        unit="codes",
        count=len(moved),
        threshold=limit,
        alternatives=() if static else ("a mapping that had not settled when a page was read",),
        decided_by="" if static else "the chart with each page held for several seconds",
    )
    return verdict, (finding,)


def _movements(tallies: Tallies, layout: Layout) -> tuple[FloatArray, float, Mask]:
    """How far each repeated colour is from its first showing.

    Returns
    -------
    moved
        Shape (N,), largest difference over the three components, codes.
    noise
        Largest standard deviation of such a difference that the samples themselves explain.
    among_neighbours
        Shape (N,), whether both showings are on mixed pages.
    """
    patches = layout.patches
    seen = gather(tallies, layout, merge=False)
    row_of = np.full(len(patches.page), -1)
    row_of[seen.patch] = np.arange(len(seen))
    first = patches.repeat_of[seen.patch]
    rows = np.flatnonzero((first >= 0) & (row_of[first] >= 0))
    again, before = seen[rows], seen[row_of[first[rows]]]
    moved = np.abs(again.capture - before.capture - (again.source - before.source))
    noise = np.sqrt(again.variance / again.count + before.variance / before.count)
    mixed = patches.surround == Surround.MIXED
    both = mixed[again.patch] & mixed[before.patch]
    return moved.max(axis=1, initial=0.0), float(noise.max(initial=0.0)), both


def scene_dependence(tallies: Tallies, step: float) -> tuple[str, tuple[Finding, ...]]:
    """Whether the greys of some shots land elsewhere than the same greys of other shots.

    Parameters
    ----------
    tallies
        Without a chart.
    step
        Code step of the capture, see `code_step`.

    Returns
    -------
    str
        ``static``, ``scene-dependent`` or ``unknown``.
    tuple of Finding
        How far they move, and whether with the peak or the average of the shot.
    """
    tables = tallies.tables
    if "scene_count" not in tables:
        return "unknown", ()
    count = tables["scene_count"]
    pooled = count.sum(axis=0)
    known = pooled >= _SCENE_SAMPLES
    seen = (count >= _SCENE_SAMPLES) & np.roll(known, 1) & np.roll(known, -1)
    seen[:, [0, -1]] = False
    seen &= seen.sum(axis=0) >= 2
    if seen.any(axis=1).sum() < 2 or seen.any(axis=0).sum() < _SCENE_LEVELS:
        return "unknown", ()
    safe = np.maximum(count, 1)
    x, y = tables["scene_sum_source"] / safe, tables["scene_sum_capture"] / safe
    # Within a level the shots differ in their mean source code; the slope takes that off.
    at = np.flatnonzero(known)
    middle = [tables[f"scene_sum_{side}"].sum(axis=0)[at] / pooled[at] for side in _SIDES]
    moved = np.where(seen, y - np.interp(x, *middle), np.nan)
    scenes = np.flatnonzero(seen.any(axis=1))
    swing = float(np.nanpercentile(np.abs(moved), 95))
    limit = max(STATIC_LIMIT, step)
    static = swing <= limit
    text = f"The same greys in {len(scenes)} shots land within {swing:.2f} codes of their mean."
    if not static:
        driver = _driver(tables["scene_light"][scenes], moved[scenes])
        text = (
            f"The same greys in {len(scenes)} shots land up to {swing:.1f} codes from their mean: "
            f"the mapping follows the scene{driver}, and one curve is an average."
        )
    finding = Finding(
        "repeated-greys",
        "info" if static else "warning",
        text,
        value=swing,
        bound=float(step / np.sqrt(12)),
        unit="codes",
        threshold=limit,
        count=int(seen.sum()),
        alternatives=() if static else ("a mapping that follows the surroundings of a place",),
        decided_by="" if static else "a capture of the chart",
    )
    return "static" if static else "scene-dependent", (finding,)


def _driver(light: IntArray, moved: FloatArray) -> str:
    """Name what of the shots their movement goes with, where one thing stands out."""
    from scipy.stats import spearmanr

    if len(light) < _SCENES_TO_COMPARE:
        return ""
    share = np.cumsum(light, axis=1) / np.maximum(light.sum(axis=1, keepdims=True), 1)
    levels = np.arange(light.shape[1])
    peak = (share < _PEAK_SHARE).sum(axis=1)
    average = light @ levels / np.maximum(light.sum(axis=1), 1)
    shift = np.nanmean(moved, axis=1)
    goes = {
        name: abs(float(spearmanr(values, shift).statistic)) if np.ptp(values) else 0.0
        for name, values in (("peak", peak), ("average", average))
    }
    best, other = sorted(goes, key=lambda name: -goes[name])
    if goes[best] < _GOES_WITH:
        return ""
    if goes[best] - goes[other] < _STANDS_OUT:
        return ", by its peak or its average"
    return f", by its {best}"
