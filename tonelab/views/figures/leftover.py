"""What an identified conversion leaves unexplained: by hue and by luma of the source."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from tonelab.scores.residuals import colour_residuals
from tonelab.views.figures.drawing import WIDTH, drawing, named, note, title

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from tonelab.results import Measurement
    from tonelab.signal.arrays import FloatArray
    from tonelab.views.style import Style

_FEWEST = 8  # colours of a bin with a median


def colour_residual_figure(measurement: Measurement, *, dark: bool = False) -> Figure:
    """Draw the residual of each colour, codes RMS, by source hue and source luma, with the floor.

    Raises
    ------
    UsageError
        When the measurement has no conversion whose residual could be computed.
    """
    left = colour_residuals(measurement)
    luma = 64 + 876 * left.ycbcr[:, 0]
    with drawing((WIDTH, 6.2), dark) as (figure, style):
        upper, lower = figure.subplots(2, 1, sharey=True)
        # Below a tenth of the floor differences mean nothing; exact zeros stand on that line.
        size = np.maximum(left.rms, left.floor / 10)
        _draw(upper, left.hue, size, np.arange(0, 361, 15.0), style)
        _draw(lower, luma, size, np.arange(64, 941, 36.5), style)
        for axes in (upper, lower):
            axes.axhline(
                left.floor, color=style.floor, lw=1.2, ls=(0, (4, 2)), zorder=4,
                label=f"floor {left.floor:.2f}",
            )  # fmt: skip
            axes.set_yscale("log")
            axes.yaxis.set_major_locator(FixedLocator((0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 50, 200)))
            axes.yaxis.set_minor_locator(NullLocator())
            axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
            axes.set_ylabel("residual, codes RMS")
        upper.set_xlim(0, 360)
        upper.xaxis.set_major_locator(FixedLocator(range(0, 361, 45)))
        upper.set_xlabel("source hue in the Cb/Cr plane, degrees")
        lower.set_xlabel("source luma, PQ code (10-bit narrow)")
        title(figure, f"{named(measurement)}: residual by colour")
        handles, labels = upper.get_legend_handles_labels()
        figure.legend(handles, labels, ncols=4, loc="outside lower right")
        scope = "colours within BT.709" if left.within else "colours"
        greys = int(np.isnan(left.hue).sum())
        note(figure, f"{len(luma)} {scope}; {greys} greys have no hue", style)
    return figure


def _draw(axes: Axes, at: FloatArray, size: FloatArray, edges: FloatArray, style: Style) -> None:
    """Draw each colour as a dot, and steps of the median and the 95th percentile of each bin."""
    axes.plot(at, size, "o", ms=1.6, mew=0, color=style.series[0], alpha=0.35, rasterized=True,
              label="a colour")  # fmt: skip
    place = np.digitize(at, edges)  # NaN falls beyond the last edge
    bins = [size[place == index] for index in range(1, len(edges))]
    for quantile, name, width, line in (
        (0.5, "median", 1.8, "-"),
        (0.95, "95 % below", 1.1, "-."),
    ):
        steps = [np.quantile(one, quantile) if len(one) >= _FEWEST else np.nan for one in bins]
        axes.stairs(steps, edges, baseline=None, color=style.ink, lw=width, ls=line,
                    label=name)  # fmt: skip
