"""What of light and colour the content of a pair showed, and what it did not."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from tonelab.media.clip import CHROMA_FACTORS
from tonelab.readings.palette import NEEDED, palette_of
from tonelab.results import Finding, Landmark, LuminanceCurve

if TYPE_CHECKING:
    from tonelab.readings.colours import Colours
    from tonelab.results import ClipFacts, Tallies
    from tonelab.signal.description import Signal

_GAP = 8.0  # 10-bit codes between two points of a curve, from which it is not known between them


def curve_coverage(curve: LuminanceCurve, source: Signal) -> Finding:
    """Say which part of the curve, which ascends, content showed."""
    first, last = curve.luminance[[0, -1]]
    holes = [
        f"{curve.luminance[n]:.3g} to {curve.luminance[n + 1]:.3g}"
        for n in np.flatnonzero(np.diff(curve.source_code) > _gap(source))
    ]
    text = f"The content shows neutral light from {first:.3g} to {last:.4g} cd/m2"
    text += f", but none of {', '.join(holes)} cd/m2." if holes else "."
    return Finding(
        "curve-coverage",
        "warning" if holes else "info",
        text + " Nothing is known of the curve where the content shows nothing.",
        value=float(len(holes)),
        unit="gaps",
        threshold=0.0,
        count=int(curve.count.sum()),
        decided_by="a capture of the chart" if holes else "",
    )


def colour_coverage(colours: Colours, source: Signal, *, told: bool) -> Finding:
    """Say how many colours content showed, and which are missing where no conversion was told.

    ``colours``, one row a cell, hold the source in Y'CbCr codes of ``source``.
    """
    palette = palette_of(colours, source)
    text = f"The content shows {palette.coloured} flat colours away from grey"
    missing = int(palette.missing.sum())
    if told:
        text += "."
    elif missing:
        text += (
            f", and {missing} are missing for {NEEDED} of each hue at each level, from which what "
            f"the chart tells of a conversion is told: {palette.words()}."
        )
    else:
        text += (
            f", at least {NEEDED} of each hue at each level: what is not told of the conversion is "
            "not for want of colours."
        )
    lacking = missing > 0 and not told
    return Finding(
        "colour-coverage",
        "warning" if lacking else "info",
        text,
        value=float(palette.coloured),
        unit="colours",
        count=len(colours),
        decided_by="a capture of the chart, or content with these colours" if lacking else "",
    )


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
