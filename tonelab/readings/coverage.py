"""What of light and colour the content of a pair showed, and what it did not."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from tonelab.media.clip import CHROMA_FACTORS
from tonelab.results import Finding, Landmark, LuminanceCurve
from tonelab.signal.quantisation import chroma_scale

if TYPE_CHECKING:
    from tonelab.readings.colours import Colours
    from tonelab.results import ClipFacts, Tallies
    from tonelab.signal.description import Signal

_GAP = 8.0  # 10-bit codes between two points of a curve, from which it is not known between them
_COLOURED = 0.05  # chroma signal from which a colour says something about the drive
_FEW = 60  # such colours, below which a conversion can hardly be identified


def coverage(curve: LuminanceCurve, colours: Colours, source: Signal) -> tuple[Finding, ...]:
    """Say which part of the curve content showed, and whether it had colours enough.

    ``curve`` ascends; ``colours``, one row a cell, hold the source in Y'CbCr codes of ``source``.
    """
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
