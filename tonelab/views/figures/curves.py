"""Luminance transfer, alone and of several devices."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from tonelab.compare import common_codes
from tonelab.readings.colours import coded_signal
from tonelab.views.figures.drawing import (
    WIDTH,
    assumed,
    drawing,
    floor_lines,
    light_axis,
    named,
    note,
    pq_code,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from tonelab.compare import Comparison
    from tonelab.results import LuminanceCurve, Measurement
    from tonelab.signal.arrays import FloatArray
    from tonelab.views.style import Style

_LABEL_LINE = 0.052  # height of a landmark's label over that of the panel
_LABEL_GAP = 16  # from a landmark to its label, PQ codes


def luminance_figure(measurement: Measurement, *, dark: bool = False) -> Figure:
    """Draw the luminance transfer curve, its landmarks, and below it what the curve leaves over."""
    with drawing((WIDTH, 5.6), dark) as (figure, style):
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(7, 2))
        curve = measurement.luminance_curve
        at, colour = pq_code(curve.luminance), style.series[0]
        _draw_curve(upper, at, curve.smooth, curve.clipped, colour, "")
        upper.fill_between(at, curve.low, curve.high, color=colour, alpha=0.25, lw=0)
        _mark_landmarks(upper, measurement, style)
        upper.set_ylabel("capture luma code")
        upper.set_title(f"{named(measurement)}: luminance transfer")
        light_axis(upper, curve.luminance)
        lower.fill_between(
            at, curve.low - curve.smooth, curve.high - curve.smooth, color=colour, alpha=0.25, lw=0,
            label="95 % band",
        )  # fmt: skip
        seen = ~curve.clipped
        lower.plot(at[seen], (curve.code - curve.smooth)[seen], ".", ms=2.5, color=colour,
                   label="mean − curve")  # fmt: skip
        floor_lines(lower, measurement.conversion.floor_codes_rms, style, "rounding")
        lower.set_ylabel("codes")
        lower.legend(ncols=3, loc="lower right", bbox_to_anchor=(1, 0.95), borderpad=0)
        lower.set_xlabel("PQ code of the source light (10-bit narrow)")
        note(figure, f"dashed: the capture sits on a clip.  {assumed(measurement)}", style)
    return figure


def curve_figure(curve: LuminanceCurve, *, dark: bool = False) -> Figure:
    """Draw a luminance transfer curve by itself."""
    with drawing((WIDTH, 3.8), dark) as (figure, style):
        axes, colour = figure.subplots(), style.series[0]
        at = pq_code(curve.luminance)
        _draw_curve(axes, at, curve.smooth, curve.clipped, colour, "")
        axes.fill_between(at, curve.low, curve.high, color=colour, alpha=0.25, lw=0)
        axes.set_ylabel("capture luma code")
        axes.set_xlabel("PQ code of the source light (10-bit narrow)")
        light_axis(axes, curve.luminance)
        axes.tick_params(labelbottom=True)
        note(figure, "band: 95 %; dashed: the capture sits on a clip", style)
    return figure


def comparison_figure(
    measurements: Sequence[Measurement], comparison: Comparison, *, dark: bool = False
) -> Figure:
    """Draw luminance curves over each other, and below them their differences from the first."""
    with drawing((WIDTH, 6.4), dark) as (figure, style):
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
        for index, (one, name) in enumerate(zip(measurements, comparison.devices, strict=True)):
            curve, signal = one.luminance_curve, coded_signal(one.capture.signal)
            at, colour = pq_code(curve.luminance), style.series[index % len(style.series)]
            _draw_curve(upper, at, common_codes(curve.smooth, signal), curve.clipped, colour, name)
            band = common_codes(curve.low, signal), common_codes(curve.high, signal)
            upper.fill_between(at, *band, color=colour, alpha=0.25, lw=0)
        for index, difference in enumerate(comparison.differences, start=1):
            at, colour = pq_code(difference.luminance), style.series[index % len(style.series)]
            lower.plot(at, difference.codes, color=colour)
            low, high = (
                difference.codes - difference.bound,
                difference.codes + difference.bound,
            )
            lower.fill_between(at, low, high, color=colour, alpha=0.25, lw=0)
        upper.set_ylabel("capture luma code (10-bit narrow)")
        upper.set_title("Luminance transfer")
        upper.legend(loc="upper left")
        light_axis(upper, measurements[0].luminance_curve.luminance)
        small, large = sorted(_common_floor(one) for one in measurements)[-2:]
        floor_lines(lower, float(np.hypot(small, large)), style, "rounding of both")
        lower.axhline(0, color=style.muted, lw=0.8)
        lower.set_ylabel("difference, codes")
        lower.set_title(f"Minus {comparison.devices[0]}")
        lower.legend(loc="best")
        lower.set_xlabel("PQ code of the source light (10-bit narrow)")
        note(figure, "bands: 95 %; dashed: the capture sits on a clip", style)
    return figure


def _draw_curve(
    axes: Axes, at: FloatArray, code: FloatArray, clipped: Any, colour: str, label: str
) -> None:
    """Draw a curve, dashed where it is only a bound; the two parts meet."""
    edge = clipped.copy()
    edge[1:] |= clipped[:-1]
    edge[:-1] |= clipped[1:]
    axes.plot(at, np.where(clipped, np.nan, code), color=colour, label=label)
    axes.plot(at, np.where(edge, code, np.nan), color=colour, ls=(0, (2, 1.6)))


def _mark_landmarks(axes: Axes, measurement: Measurement, style: Style) -> None:
    """Mark the landmarks that lie on the curve, with labels below right that do not collide."""
    reached = sorted(
        (float(mark.code), float(pq_code(np.array(mark.luminance))), mark.label)
        for mark in measurement.landmarks
        if mark.luminance is not None and mark.code is not None
    )
    bottom, top = axes.get_ylim()
    line = _LABEL_LINE * (top - bottom)
    free = top
    for code, at, label in reversed(reached):
        axes.plot(at, code, "o", ms=4.5, color=style.ground, mec=style.ink, mew=1.2, zorder=4)
        height = max(min(code - 0.9 * line, free), bottom + line / 2)
        free = height - line
        axes.annotate(
            label, (at, code), xytext=(at + _LABEL_GAP, height), ha="left", va="center", fontsize=8,
            arrowprops={
                "arrowstyle": "-", "color": style.muted, "lw": 0.6, "relpos": (0, 0.5),
                "shrinkA": 0, "shrinkB": 3,
            },
        )  # fmt: skip


def _common_floor(measurement: Measurement) -> float:
    """RMS of rounding in the common codes of a comparison."""
    step = common_codes(np.array([0.0, 1.0]), coded_signal(measurement.capture.signal))
    return float(measurement.conversion.floor_codes_rms * (step[1] - step[0]))
