"""Bars and tables: distances from standards and between devices, what lost, gradient steps."""

from __future__ import annotations

from textwrap import fill
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from tonelab.errors import UsageError
from tonelab.scores.gradients import gradient_steps
from tonelab.views.figures.drawing import WIDTH, assumed, drawing, named, note, row_labels, title

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.figure import Figure

    from tonelab.compare import Comparison
    from tonelab.results import Measurement

_LABEL_WIDTH = 48  # characters of a row's label


def score_figure(measurement: Measurement, *, dark: bool = False) -> Figure:
    """Draw the distances from the standard conversions, ΔE_ITP, nearest first, with their floor.

    Raises
    ------
    UsageError
        When none was scored.
    """
    scores = sorted(measurement.scores, key=lambda one: one.mean)
    if not scores:
        raise UsageError(f"{measurement.device} has no scores to draw: measure it again.")
    with drawing((WIDTH, 1.6 + 0.3 * len(scores)), dark) as (figure, style):
        axes = figure.subplots()
        rows = np.arange(len(scores))
        mean = np.array([one.mean for one in scores])
        p95 = np.array([one.p95 for one in scores])
        axes.barh(rows, mean, height=0.55, color=style.series[0], label="mean")
        axes.hlines(rows, mean, p95, color=style.series[0], lw=1.2, alpha=0.6)
        axes.plot(p95, rows, "|", ms=8, mew=1.6, color=style.series[0], label="95th percentile")
        floor = scores[0].floor
        axes.axvline(
            floor, color=style.floor, lw=1.2, ls=(0, (4, 2)), label=f"floor {floor:.2f}", zorder=4
        )
        for row, one in zip(rows, scores, strict=True):
            axes.annotate(
                f"{one.mean:.2f} / {one.p95:.2f}", (1.01, row),
                xycoords=axes.get_yaxis_transform(), va="center", fontsize=8,
            )  # fmt: skip
        axes.annotate(
            "mean / p95", (1.01, -0.7), xycoords=axes.get_yaxis_transform(), fontsize=7.5,
            color=style.muted,
        )  # fmt: skip
        row_labels(axes, [one.label for one in scores])
        axes.set_xlim(0, 1.05 * p95.max())
        axes.set_xlabel("ΔE_ITP")
        title(figure, f"{named(measurement)}: distance from the standard conversions")
        axes.legend(loc="lower right", bbox_to_anchor=(1, 1.0), ncols=3, borderpad=0.1)
        note(figure, f"{scores[0].count} colours.  {assumed(measurement)}", style)
    return figure


def residual_figure(measurement: Measurement, *, dark: bool = False) -> Figure:
    """Draw the held-out residual of the conversion and its runners-up, codes RMS, and the floor."""
    conversion = measurement.conversion
    winner = f"{conversion.drive}, {conversion.family_label}" if conversion.family else "free curve"
    rivals = sorted(conversion.runners_up, key=lambda one: one.held_out_codes_rms)
    entries = [(winner, conversion.held_out_codes_rms)]
    entries += [(fill(one.description, _LABEL_WIDTH), one.held_out_codes_rms) for one in rivals]
    with drawing((WIDTH, 1.6 + 0.36 * len(entries)), dark) as (figure, style):
        axes = figure.subplots()
        rows = np.arange(len(entries))
        values = np.array([value for _, value in entries])
        colours = [style.series[0], *[style.muted] * (len(entries) - 1)]
        floor = conversion.floor_codes_rms
        axes.hlines(rows, floor / 2, values, color=colours, lw=1.2)
        for row, value, colour in zip(rows, values, colours, strict=True):
            axes.plot(value, row, "o", ms=6, color=colour, zorder=4)
            axes.annotate(
                f"{value:.2f}", (value, row), xytext=(8, 0), textcoords="offset points",
                va="center", fontsize=8,
            )  # fmt: skip
        axes.axvline(floor, color=style.floor, lw=1.2, ls=(0, (4, 2)), label=f"floor {floor:.2f}")
        row_labels(axes, [label for label, _ in entries])
        axes.set_xscale("log")
        axes.set_xlim(floor / 2, 2 * max(values.max(), floor))
        axes.xaxis.set_major_locator(FixedLocator((0.2, 0.5, 1, 2, 5, 10, 20, 50, 100)))
        axes.xaxis.set_minor_locator(NullLocator())
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axes.set_xlabel("held-out residual, codes RMS")
        title(figure, f"{named(measurement)}: what fits, and what lost")
        figure.legend(loc="outside lower right")
        note(figure, f"{conversion.held_out_count} colours held out", style)
    return figure


def distance_figure(comparison: Comparison, *, dark: bool = False) -> Figure:
    """Draw the mean ΔE_ITP between all devices: the more ink, the further.

    Raises
    ------
    UsageError
        With fewer than two devices.
    """
    size = len(comparison.devices)
    if size < 2:
        raise UsageError("Distances need two devices or more: compare another curve file.")
    small = 7 if size < 8 else 5.5
    with drawing((WIDTH, 1.6 + 0.62 * size), dark) as (figure, style):
        axes = figure.subplots()
        mean, p95, floor = (
            np.where(np.tri(size, k=-1, dtype=bool), values, np.nan)[1:, :-1]
            for values in (
                comparison.distance_mean, comparison.distance_p95, comparison.distance_floor,
            )
        )  # fmt: skip
        shades = LinearSegmentedColormap.from_list("distance", (style.ground, style.series[0]))
        most = max(float(np.nanmax(mean)), 1.0)
        axes.imshow(mean, cmap=shades, vmin=0, vmax=1.6 * most, aspect="auto")
        for row, column in zip(*np.tril_indices(size - 1), strict=True):
            axes.annotate(
                f"{mean[row, column]:.2f}", (column, row), ha="center", va="bottom",
                fontweight="bold",
            )  # fmt: skip
            axes.annotate(
                f"p95 {p95[row, column]:.2f}\nfloor {floor[row, column]:.2f}",
                (column, row), xytext=(0, -2), textcoords="offset points", ha="center", va="top",
                fontsize=small,
            )  # fmt: skip
        row_labels(axes, comparison.devices[1:])
        axes.set_xticks(range(size - 1), [fill(one, 20) for one in comparison.devices[:-1]])
        axes.tick_params(axis="x", length=0)
        axes.grid(visible=False)
        axes.spines[:].set_visible(False)
        title(figure, "Mean ΔE_ITP between the devices")
        note(
            figure,
            f"{comparison.colours} {comparison.basis}, each read for the display of its capture",
            style,
        )
    return figure


def gradient_figure(
    measurements: Sequence[Measurement], names: Sequence[str], *, dark: bool = False
) -> Figure:
    """Draw which share of the steps of a grey gradient survives, by level of source light.

    Raises
    ------
    UsageError
        When no neighbouring greys were measured.
    """
    found = [{(one.low, one.high): one for one in gradient_steps(each)} for each in measurements]
    ranges = sorted({span for steps in found for span in steps})
    if not ranges:
        raise UsageError("No neighbouring greys were measured, so no gradient: measure the chart.")
    with drawing((WIDTH, 1.6 + len(ranges) * (0.15 + 0.19 * len(found))), dark) as (figure, style):
        axes = figure.subplots()
        height = 0.8 / len(found)
        for index, (steps, name) in enumerate(zip(found, names, strict=True)):
            colour = style.series[index % len(style.series)]
            for row, span in enumerate(ranges):
                if span not in steps:
                    continue
                one, at = steps[span], row + (index - (len(found) - 1) / 2) * height
                share = 100 * one.kept / one.steps
                axes.barh(at, share, height=0.85 * height, color=colour,
                          label=name if row == 0 else None)  # fmt: skip
                axes.annotate(
                    f"{one.kept} of {one.steps}, widest {one.widest}", (share, at), xytext=(4, 0),
                    textcoords="offset points", va="center", fontsize=7,
                )  # fmt: skip
        row_labels(axes, [f"{low:g} to {high:.0f} cd/m2" for low, high in ranges])
        axes.set_xlim(0, 135)
        axes.xaxis.set_major_locator(FixedLocator(range(0, 101, 20)))
        axes.set_xlabel("steps of the source that stay steps, %")
        title(figure, "Steps of a grey gradient")
        figure.legend(ncols=3, loc="outside lower right")
        note(figure, "widest: source codes that share one capture code", style)
    return figure
