"""Colour: chroma transfer by hue, of one device and of several."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.ticker import FixedLocator

from tonelab.views.figures.drawing import MARKS, WIDTH, drawing, named, note, ramp, title

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from tonelab.compare import Comparison
    from tonelab.results import ChromaTransfer, Measurement


def chroma_figure(measurement: Measurement, *, dark: bool = False) -> Figure:
    """Draw hue rotation and chroma ratio by source hue, one line per level."""
    return chroma_transfer_figure(measurement.chroma_transfer, named(measurement), dark=dark)


def chroma_transfer_figure(
    chroma: ChromaTransfer, device: str = "", *, dark: bool = False
) -> Figure:
    """Draw the chroma transfer of a device by itself."""
    with drawing((WIDTH, 5.8), dark) as (figure, style):
        upper, lower = figure.subplots(2, 1, sharex=True)
        seen = [
            level for level in range(len(chroma.level)) if np.isfinite(chroma.ratio[:, level]).any()
        ]
        shades = ramp(style, len(seen))
        for level, colour in zip(seen, shades, strict=True):
            label = f"{chroma.level[level]:.0f}"
            for axes, value, bound in (
                (upper, chroma.rotation, chroma.rotation_bound),
                (lower, chroma.ratio, chroma.ratio_bound),
            ):
                middle, half = value[:, level], bound[:, level]
                axes.plot(chroma.hue, middle, "o-", ms=2.5, lw=1.2, color=colour, label=label)
                axes.vlines(chroma.hue, middle - half, middle + half, color=colour, lw=1, alpha=0.5)
                axes.fill_between(
                    chroma.hue, middle - half, middle + half, color=colour, alpha=0.2, lw=0
                )
        upper.axhline(0, color=style.muted, lw=0.8)
        lower.axhline(1, color=style.muted, lw=0.8)
        upper.set_ylabel("hue rotation, degrees")
        lower.set_ylabel("chroma ratio")
        lower.set_xlabel("source hue in the Cb/Cr plane, degrees")
        lower.set_xlim(0, 360)
        lower.xaxis.set_major_locator(FixedLocator(range(0, 361, 45)))
        title(figure, f"{device}: chroma transfer" if device else "Chroma transfer")
        handles, labels = upper.get_legend_handles_labels()
        figure.legend(
            handles, labels, title="source luma code", ncols=max(len(seen), 1),
            loc="outside lower right", columnspacing=1.0, handlelength=1.2, title_fontsize=8,
        )  # fmt: skip
        note(figure, "bands and bars: 95 %; gaps: not measured", style)
    return figure


def hue_figure(comparison: Comparison, *, dark: bool = False) -> Figure:
    """Draw hue rotation and chroma ratio of several devices, all levels together."""
    with drawing((WIDTH, 5.8), dark) as (figure, style):
        upper, lower = figure.subplots(2, 1, sharex=True)
        for index, one in enumerate(comparison.hues):
            colour, mark = style.series[index % len(style.series)], MARKS[index % len(MARKS)]
            for axes, middle, half in (
                (upper, one.rotation, one.rotation_bound),
                (lower, one.ratio, one.ratio_bound),
            ):
                axes.errorbar(
                    one.hue, middle, half, fmt=mark, ls="-", ms=4, lw=1.2, elinewidth=0.8,
                    color=colour, label=one.device,
                )  # fmt: skip
        upper.axhline(0, color=style.muted, lw=0.8)
        lower.axhline(1, color=style.muted, lw=0.8)
        upper.set_ylabel("hue rotation, degrees")
        lower.set_ylabel("chroma ratio")
        lower.set_xlabel("source hue in the Cb/Cr plane, degrees")
        lower.set_xlim(0, 360)
        lower.xaxis.set_major_locator(FixedLocator(range(0, 361, 45)))
        title(figure, "Chroma transfer")
        handles, labels = upper.get_legend_handles_labels()
        figure.legend(handles, labels, ncols=3, loc="outside lower right")
        note(figure, "bars: 95 %; gaps: not measured", style)
    return figure
