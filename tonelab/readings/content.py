"""Reading a pair without a chart: its signals, what of the curve was seen, and what was not."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from tonelab.errors import IdentificationError, SignalError
from tonelab.media.clip import CHROMA_FACTORS
from tonelab.readings.colours import STATIC_LIMIT, gather_cells, gather_tones, source_as_ycbcr
from tonelab.readings.curves import MIN_NEUTRALS
from tonelab.readings.signals import HLG_PEAK, Reading
from tonelab.results import Finding, Landmark, LuminanceCurve
from tonelab.signal.quantisation import chroma_scale

if TYPE_CHECKING:
    from tonelab.readings.colours import Colours
    from tonelab.results import ClipFacts, Tallies
    from tonelab.signal.arrays import FloatArray, IntArray
    from tonelab.signal.description import Signal

CONTENT_PEAK = 1000.0  # cd/m2, taken for the mastering peak of content that states none
PQ_PEAK = 10000.0  # cd/m2
_GAP = 8.0  # 10-bit codes between two points of a curve, from which it is not known between them
_COLOURED = 0.05  # chroma signal from which a colour says something about the drive
_SCENE_SAMPLES = 200  # of a level in a shot, from which its mean counts
_SCENE_LEVELS = 3  # levels that shots must share to be compared
_SCENES_TO_TELL = 5  # shots from which it can be told what moves them
_PEAK_SHARE = 0.999  # of the pixels of a shot that lie below its peak
_GOES_WITH, _STANDS_OUT = 0.8, 0.15  # rank correlation that names a cause, and by how much
_SIDES = ("source", "capture")
_FEW = 60  # such colours, below which a conversion can hardly be identified


def read_content_source(declared: Signal) -> Reading:
    """Read a source without a chart: what is declared or stated, BT.2020 where HDR says nothing.

    Raises
    ------
    SignalError
        When nothing says that it is PQ or HLG, and nobody that it is SDR.
    """
    if declared.is_stated_sdr:
        return declared, ()
    if not declared.is_hdr:
        raise SignalError(
            f"Nothing says whether the source is PQ or HLG (it is {_origin(declared, 'transfer')} "
            f"as {declared.transfer}): state --source-signal transfer=pq or transfer=hlg."
        )
    signal = declared
    for name in ("matrix", "primaries"):
        if _origin(signal, name) == "assumed":
            signal = signal.with_fields("assumed", **{name: "bt2020"})
    if signal.transfer == "hlg" and signal.origins.get("peak") != "stated":
        signal = signal.with_fields("assumed", peak=HLG_PEAK)
    return signal, ()


def content_colours(tallies: Tallies, source: Signal) -> tuple[Colours, Colours]:
    """Return neutrals and colours of content without a chart, the source as Y'CbCr.

    Raises
    ------
    IdentificationError
        When too few neutral levels were seen for a curve.
    """
    neutrals = gather_tones(tallies, rgb=source.matrix == "rgb")
    colours = gather_cells(tallies)
    if len(neutrals) < MIN_NEUTRALS:
        raise IdentificationError(
            f"Only {len(neutrals)} neutral levels were seen in flat parts of the picture, too few "
            "for a curve: capture the chart, or content with more greys from dark to bright."
        )
    return source_as_ycbcr(neutrals, source), source_as_ycbcr(colours, source)


def coverage(curve: LuminanceCurve, colours: Colours, source: Signal) -> tuple[Finding, ...]:
    """Say which part of the curve content showed, and whether it had colours enough."""
    first, last = curve.luminance[[0, -1]]
    holes = [
        f"{curve.luminance[n]:.3g} to {curve.luminance[n + 1]:.3g}"
        for n in np.flatnonzero(np.diff(curve.source_code) > _gap(source))
    ]
    text = f"The content shows neutral light from {first:.3g} to {last:.4g} cd/m2"
    text += f", but none of {', '.join(holes)} cd/m2." if holes else "."
    found = [
        Finding(
            "curve-coverage",
            "warning" if holes else "info",
            text + " Nothing is known of the curve where the content shows nothing.",
            value=float(len(holes)),
            unit="gaps",
            threshold=0.0,
            count=int(curve.count.sum()),
            decided_by="a capture of the chart" if holes else "",
        )
    ]
    neutral, scale = chroma_scale(source.bits, source.range)
    chroma = np.hypot(*(colours.source[:, 1:] - neutral).T) / scale
    coloured = int((chroma > _COLOURED).sum())
    if coloured < _FEW:
        found.append(
            Finding(
                "few-colours",
                "warning",
                f"The content shows only {coloured} flat colours away from grey, too few to tell "
                "how the device treats colour.",
                value=float(coloured),
                unit="colours",
                threshold=float(_FEW),
                count=len(colours),
                decided_by="a capture of the chart",
            )
        )
    return tuple(found)


def flat_share(tallies: Tallies, source: ClipFacts, used: int) -> Finding:
    """Say how much of the pictures was flat enough for a curve; the rest was left out."""
    horizontal, vertical = CHROMA_FACTORS[source.subsampling]
    cells = used * (source.width // horizontal) * (source.height // vertical)
    flat = int(tallies.tables["cell_count"].sum())
    return Finding(
        "flat-share",
        "info",
        f"{100 * flat / cells:.1f} % of the picture in {used} frames is flat and clear enough to "
        "be measured; textures, edges and the surroundings of both were left out.",
        value=100 * flat / cells,
        unit="%",
        count=flat,
    )


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

    if len(light) < _SCENES_TO_TELL:
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


def without_gaps(
    landmarks: tuple[Landmark, ...], curve: LuminanceCurve, source: Signal
) -> tuple[Landmark, ...]:
    """Empty the landmarks that lie where the content shows nothing."""
    return tuple(mark if _seen(mark, curve, source) else _emptied(mark) for mark in landmarks)


def _seen(mark: Landmark, curve: LuminanceCurve, source: Signal) -> bool:
    if mark.luminance is None:
        return True
    above = int(np.searchsorted(curve.luminance, mark.luminance))
    if above in (0, len(curve.luminance)):
        end = curve.luminance[0 if above == 0 else -1]
        return bool(end <= max(mark.luminance, 0.002))
    return bool(np.diff(curve.source_code)[above - 1] <= _gap(source))


def _emptied(mark: Landmark) -> Landmark:
    return replace(mark, code=None, output=None, bound=None)


def _gap(source: Signal) -> float:
    return float(_GAP * 2.0 ** (source.bits - 10))


def _origin(signal: Signal, name: str) -> str:
    return signal.origins.get(name, "assumed")
