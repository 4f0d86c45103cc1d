"""How each signal is read: what the container declares, the user states, and the data show."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from tonelab.chart import Group, Surround
from tonelab.readings.colours import STATIC_LIMIT, gather, gather_tones
from tonelab.results import Finding
from tonelab.signal.quantisation import luma_scale

if TYPE_CHECKING:
    from tonelab.chart import Layout
    from tonelab.results import Tallies
    from tonelab.signal.arrays import FloatArray, Mask
    from tonelab.signal.description import Signal

HLG_PEAK = 1000.0  # cd/m2, the nominal peak of BT.2100 HLG when none is stated
_OF_PAGE = 0.2  # share of a move with the page that mixed pages of nearly one average explain
BLACK_SEEN = 0.007  # of the codes from black to peak; codes so near show what becomes of black

Reading = tuple["Signal", tuple[Finding, ...]]


def read_source(declared: Signal, layout: Layout) -> Reading:
    """Read the source as the chart that it is; the user's word wins over the chart's.

    Returns
    -------
    Signal
        With inferred fields where the container was silent or wrong.
    tuple of Finding
        One per declared field that contradicts the chart.
    """
    truth: dict[str, Any] = {
        "matrix": "bt2020",
        "range": "narrow",
        "transfer": layout.transfer,
        "primaries": "bt2020",
    }
    signal, findings = _settle(declared, truth, "source", "the chart is rendered so")
    if signal.transfer == "hlg" and signal.origins.get("peak") != "stated":
        signal = signal.with_fields("assumed", peak=HLG_PEAK)
    return signal, findings


def read_capture(
    declared: Signal, tallies: Tallies, layout: Layout | None, source: Signal | None = None
) -> Reading:
    """Read the range of the capture from where the source's black lands, if it was seen.

    ``source`` says how the source is read; without it, as narrow-range Y'CbCr.
    """
    if declared.is_hdr:  # The matrix and the primaries that go with it, unless something says so.
        unsaid = [n for n in ("matrix", "primaries") if _origin(declared, n) == "assumed"]
        declared = declared.with_fields("inferred", **dict.fromkeys(unsaid, "bt2020"))
    codes = tallies.tables["source_histogram"].shape[1]
    source_range = source.range if source else "narrow"
    source_black, source_span = luma_scale(codes.bit_length() - 1, source_range)
    if layout is None:
        neutrals = gather_tones(tallies, rgb=source is not None and source.matrix == "rgb")
        darkest = neutrals.source[:, 0].min(initial=np.inf)
        if darkest > source_black + BLACK_SEEN * source_span:
            return declared, ()
    else:
        neutrals = gather(tallies, layout, Group.NEUTRAL)
    order = np.argsort(neutrals.source[:, 0], kind="stable")
    code = neutrals.capture[order, 0]
    black = float(np.interp(source_black, neutrals.source[order, 0], code))
    start, span = luma_scale(declared.bits, "narrow")
    # A black below half of narrow range's own, with whites beyond narrow range's nominal peak,
    # cannot come from a narrow-range picture that keeps its blacks.
    full = black < start / 2 and float(code[-1]) > start + 1.02 * span
    return _settle(
        declared,
        {"range": "full" if full else "narrow"},
        "capture",
        f"source black lands on code {black:.1f} and the brightest on {code[-1]:.1f}",
        count=int(neutrals.count[:, 0].sum()),
    )


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


def _settle(
    declared: Signal, truth: dict[str, Any], side: str, why: str, count: int = 0
) -> Reading:
    """Take each true field unless the user stated another; report declared contradictions."""
    signal, findings = declared, []
    for name, value in truth.items():
        said, origin = getattr(declared, name), _origin(declared, name)
        if origin == "assumed":
            signal = signal.with_fields("inferred", **{name: value})
            continue
        if said == value:
            continue
        kept = said if origin == "stated" else value
        if origin != "stated":
            signal = signal.with_fields("inferred", **{name: value})
        findings.append(
            Finding(
                id=f"{side}-{name}-mismatch",
                severity="warning",
                text=(
                    f"The {side} is {origin} as {name} {said}, but the data say {value} "
                    f"({why}): read as {kept}."
                ),
                count=count,
            )
        )
    return replace(signal), tuple(findings)


def _origin(signal: Signal, name: str) -> str:
    return signal.origins.get(name, "assumed")
