"""Figures for print: curves, differences, chroma, scores and residuals, each with its floor."""

from __future__ import annotations

from contextlib import contextmanager
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from tonelab.colours import coded_signal
from tonelab.compare import common_codes
from tonelab.errors import UsageError
from tonelab.outputs import check_output, whole_file
from tonelab.report.style import DARK, LIGHT, Style
from tonelab.show.words import display_of
from tonelab.signal.transfer import eotf_inverse_pq

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from matplotlib.axes import Axes

    from tonelab.compare import Comparison
    from tonelab.results import Measurement
    from tonelab.signal.quantisation import FloatArray

FORMATS = ("svg", "pdf", "png")

_LIGHT_TICKS = (0.01, 0.1, 1, 10, 26, 100, 203, 1000, 4000, 10000)
_WIDTH = 7.2
_LABEL_LINE = 0.052  # height of a landmark's label over that of the panel
_LABEL_WIDTH = 48  # characters of a row's label
_LABEL_GAP = 16  # from a landmark to its label, PQ codes


def luminance_figure(measurement: Measurement, *, dark: bool = False) -> Figure:
    """Draw the luminance transfer curve, its landmarks, and below it what the curve leaves over."""
    with _figure((_WIDTH, 5.6), dark) as (figure, style):
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(7, 2))
        curve = measurement.luminance_curve
        at, colour = _pq_code(curve.luminance), style.series[0]
        _draw_curve(upper, at, curve.smooth, curve.clipped, colour, "")
        upper.fill_between(at, curve.low, curve.high, color=colour, alpha=0.25, lw=0)
        _mark_landmarks(upper, measurement, style)
        upper.set_ylabel("capture luma code")
        upper.set_title(f"{_named(measurement)}: luminance transfer")
        _light_axis(upper, curve.luminance)
        lower.fill_between(
            at, curve.low - curve.smooth, curve.high - curve.smooth, color=colour, alpha=0.25, lw=0,
            label="95 % band",
        )  # fmt: skip
        seen = ~curve.clipped
        lower.plot(at[seen], (curve.code - curve.smooth)[seen], ".", ms=2.5, color=colour,
                   label="mean − curve")  # fmt: skip
        _floor_lines(lower, measurement.conversion.floor_codes_rms, style, "rounding")
        lower.set_ylabel("codes")
        lower.legend(ncols=3, loc="lower right", bbox_to_anchor=(1, 0.95), borderpad=0)
        lower.set_xlabel("PQ code of the source light (10-bit narrow)")
        _note(figure, f"dashed: the capture sits on a clip.  {_assumed(measurement)}", style)
    return figure


def comparison_figure(
    measurements: Sequence[Measurement], comparison: Comparison, *, dark: bool = False
) -> Figure:
    """Draw luminance curves over each other, and below them their differences from the first."""
    with _figure((_WIDTH, 6.4), dark) as (figure, style):
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
        for index, (one, name) in enumerate(zip(measurements, comparison.devices, strict=True)):
            curve, signal = one.luminance_curve, coded_signal(one.capture.signal)
            at, colour = _pq_code(curve.luminance), style.series[index % len(style.series)]
            _draw_curve(upper, at, common_codes(curve.smooth, signal), curve.clipped, colour, name)
            band = common_codes(curve.low, signal), common_codes(curve.high, signal)
            upper.fill_between(at, *band, color=colour, alpha=0.25, lw=0)
        for index, difference in enumerate(comparison.differences, start=1):
            at, colour = _pq_code(difference.luminance), style.series[index % len(style.series)]
            lower.plot(at, difference.codes, color=colour)
            low, high = (
                difference.codes - difference.bound,
                difference.codes + difference.bound,
            )
            lower.fill_between(at, low, high, color=colour, alpha=0.25, lw=0)
        upper.set_ylabel("capture luma code (10-bit narrow)")
        upper.set_title("Luminance transfer")
        upper.legend(loc="upper left")
        _light_axis(upper, measurements[0].luminance_curve.luminance)
        small, large = sorted(_common_floor(one) for one in measurements)[-2:]
        _floor_lines(lower, float(np.hypot(small, large)), style, "rounding of both")
        lower.axhline(0, color=style.muted, lw=0.8)
        lower.set_ylabel("difference, codes")
        lower.set_title(f"Minus {comparison.devices[0]}")
        lower.legend(loc="best")
        lower.set_xlabel("PQ code of the source light (10-bit narrow)")
        _note(figure, "bands: 95 %; dashed: the capture sits on a clip", style)
    return figure


def chroma_figure(measurement: Measurement, *, dark: bool = False) -> Figure:
    """Draw hue rotation and chroma ratio by source hue, one line per level."""
    with _figure((_WIDTH, 5.8), dark) as (figure, style):
        upper, lower = figure.subplots(2, 1, sharex=True)
        chroma = measurement.chroma_transfer
        seen = [
            level for level in range(len(chroma.level)) if np.isfinite(chroma.ratio[:, level]).any()
        ]
        ramp = _ramp(style, len(seen))
        for level, colour in zip(seen, ramp, strict=True):
            label = f"{chroma.level[level]:.0f}"
            for axes, value, bound in (
                (upper, chroma.rotation, chroma.rotation_bound),
                (lower, chroma.ratio, chroma.ratio_bound),
            ):
                middle, half = value[:, level], bound[:, level]
                axes.plot(chroma.hue, middle, "o-", ms=2.5, lw=1.2, color=colour, label=label)
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
        _title(figure, f"{_named(measurement)}: chroma transfer")
        handles, labels = upper.get_legend_handles_labels()
        figure.legend(
            handles, labels, title="source luma code", ncols=len(seen), loc="outside lower right",
            columnspacing=1.0, handlelength=1.2, title_fontsize=8,
        )  # fmt: skip
        _note(figure, "bands: 95 %; gaps: nothing seen", style)
    return figure


def score_figure(measurement: Measurement, *, dark: bool = False) -> Figure:
    """Draw the distances from the standard conversions, nearest first, with their floor."""
    scores = sorted(measurement.scores, key=lambda one: one.mean)
    if not scores:
        raise UsageError(f"{measurement.device} has no scores to draw: measure it again.")
    with _figure((_WIDTH, 1.6 + 0.3 * len(scores)), dark) as (figure, style):
        axes = figure.subplots()
        rows = np.arange(len(scores))
        mean = np.array([one.mean for one in scores])
        p95 = np.array([one.p95 for one in scores])
        axes.barh(rows, mean, height=0.55, color=style.series[0], label="mean")
        axes.hlines(rows, mean, p95, color=style.series[0], lw=1.2, alpha=0.6)
        axes.plot(p95, rows, "|", ms=8, mew=1.6, color=style.series[0], label="95th percentile")
        axes.axvline(scores[0].floor, color=style.floor, lw=1.2, ls=(0, (4, 2)), label="floor")
        for row, one in zip(rows, scores, strict=True):
            axes.annotate(
                f"{one.mean:.2f} / {one.p95:.2f}", (1.01, row),
                xycoords=axes.get_yaxis_transform(), va="center", fontsize=8,
            )  # fmt: skip
        _rows(axes, [one.label for one in scores])
        axes.set_xlim(0, 1.05 * p95.max())
        axes.set_xlabel("ΔE_ITP")
        _title(figure, f"{_named(measurement)}: distance from the standard conversions")
        figure.legend(loc="outside lower right", ncols=3)
        _note(figure, f"{scores[0].count} colours.  {_assumed(measurement)}", style)
    return figure


def residual_figure(measurement: Measurement, *, dark: bool = False) -> Figure:
    """Draw the residual of the identified conversion beside the runners-up and the floor."""
    conversion = measurement.conversion
    named = f"{conversion.drive}, {conversion.family_label}" if conversion.family else "free curve"
    rivals = sorted(conversion.runners_up, key=lambda one: one.held_out_codes_rms)
    entries = [(named, conversion.held_out_codes_rms)]
    entries += [(fill(one.description, _LABEL_WIDTH), one.held_out_codes_rms) for one in rivals]
    with _figure((_WIDTH, 1.6 + 0.36 * len(entries)), dark) as (figure, style):
        axes = figure.subplots()
        rows = np.arange(len(entries))
        values = np.array([value for _, value in entries])
        colours = [style.series[0], *[style.muted] * (len(entries) - 1)]
        floor = conversion.floor_codes_rms
        axes.hlines(rows, floor / 2, values, color=colours, lw=1.2)
        for row, value, colour in zip(rows, values, colours, strict=True):
            axes.plot(value, row, "o", ms=6, color=colour)
            axes.annotate(
                f"{value:.2f}", (value, row), xytext=(8, 0), textcoords="offset points",
                va="center", fontsize=8,
            )  # fmt: skip
        axes.axvline(floor, color=style.floor, lw=1.2, ls=(0, (4, 2)), label=f"floor {floor:.2f}")
        _rows(axes, [label for label, _ in entries])
        axes.set_xscale("log")
        axes.set_xlim(floor / 2, 2 * max(values.max(), floor))
        axes.xaxis.set_major_locator(FixedLocator((0.2, 0.5, 1, 2, 5, 10, 20, 50, 100)))
        axes.xaxis.set_minor_locator(NullLocator())
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axes.set_xlabel("held-out residual, codes RMS")
        _title(figure, f"{_named(measurement)}: what fits, and what lost")
        figure.legend(loc="outside lower right")
        _note(figure, f"{conversion.held_out_count} colours held out", style)
    return figure


def save_figure(figure: Figure, path: str | Path, *, overwrite: bool = False) -> None:
    """Write a figure as SVG, PDF or PNG by its suffix, whole or not at all.

    The same figure gives the same bytes.

    Raises
    ------
    UsageError
        When the suffix is another, the file exists, or the system refuses to write it.
    """
    path = Path(path)
    kind = path.suffix.lower().removeprefix(".")
    if kind not in FORMATS:
        raise UsageError(f"{path} cannot be drawn: end the name in .svg, .pdf or .png.")
    check_output(path, overwrite=overwrite)
    undated = {"svg": {"Date": None}, "pdf": {"CreationDate": None}, "png": {"Software": None}}
    with (
        whole_file(path, overwrite=overwrite) as temporary,
        mpl.rc_context({"svg.hashsalt": "tonelab"}),
    ):
        figure.savefig(temporary, format=kind, metadata=undated[kind])


@contextmanager
def _figure(size: tuple[float, float], dark: bool) -> Iterator[tuple[Figure, Style]]:
    style = DARK if dark else LIGHT
    with mpl.rc_context(style.rc()):  # type: ignore[arg-type]
        yield Figure(figsize=size, layout="constrained"), style


def _pq_code(luminance: FloatArray) -> FloatArray:
    return 64 + 876 * eotf_inverse_pq(luminance)


def _draw_curve(
    axes: Axes, at: FloatArray, code: FloatArray, clipped: Any, colour: str, label: str
) -> None:
    """Draw a curve, dashed where it is only a bound; the two parts meet."""
    edge = clipped.copy()
    edge[1:] |= clipped[:-1]
    edge[:-1] |= clipped[1:]
    axes.plot(at, np.where(clipped, np.nan, code), color=colour, label=label)
    axes.plot(at, np.where(edge, code, np.nan), color=colour, ls=(0, (2, 1.6)))


def _light_axis(axes: Axes, luminance: FloatArray) -> None:
    """Add source light on top of the PQ codes."""
    top = axes.secondary_xaxis("top")
    ticks = [light for light in _LIGHT_TICKS if luminance[0] <= light <= luminance[-1]]
    top.xaxis.set_major_locator(FixedLocator([float(_pq_code(np.array(t))) for t in ticks]))
    top.xaxis.set_minor_locator(NullLocator())
    top.set_xticklabels([f"{light:g}" for light in ticks])
    top.set_xlabel("source light, cd/m2")
    axes.tick_params(labelbottom=False)


def _mark_landmarks(axes: Axes, measurement: Measurement, style: Style) -> None:
    """Mark the landmarks that lie on the curve, with labels below right that do not collide."""
    reached = sorted(
        (float(mark.code), float(_pq_code(np.array(mark.luminance))), mark.label)
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


def _floor_lines(axes: Axes, floor: float, style: Style, label: str) -> None:
    for sign in (1, -1):
        named = f"floor: {label}, {floor:.2f} codes" if sign > 0 else None
        axes.axhline(sign * floor, color=style.floor, lw=1.0, ls=(0, (4, 2)), label=named)


def _rows(axes: Axes, labels: Sequence[str]) -> None:
    axes.set_yticks(range(len(labels)), labels)
    axes.set_ylim(len(labels) - 0.5, -0.5)
    axes.grid(visible=False, axis="y")
    axes.tick_params(axis="y", length=0)


def _ramp(style: Style, count: int) -> list[Any]:
    """Colours from dark to light for levels that have an order."""
    stops = np.array([mpl.colors.to_rgb(style.series[index]) for index in (0, 2, 4)])
    at = np.linspace(0, 1, max(count, 2))[:count]
    return [tuple(np.interp(part, (0, 0.5, 1), stop) for stop in stops.T) for part in at]


def _common_floor(measurement: Measurement) -> float:
    """RMS of rounding in the common codes of a comparison."""
    step = common_codes(np.array([0.0, 1.0]), coded_signal(measurement.capture.signal))
    return float(measurement.conversion.floor_codes_rms * (step[1] - step[0]))


def _named(measurement: Measurement) -> str:
    return f"{measurement.device} {measurement.firmware}".strip()


def _assumed(measurement: Measurement) -> str:
    return f"Capture read for a {display_of(measurement.capture.signal)}"


def _title(figure: Figure, text: str) -> None:
    figure.suptitle(text, x=0.01, ha="left", fontsize=10, fontweight="bold")


def _note(figure: Figure, text: str, style: Style) -> None:
    figure.supxlabel(text, fontsize=7.5, color=style.muted, x=0.01, ha="left")
