"""A chart as data for the page's script, and drawn as SVG for readers without script."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

import numpy as np
from markupsafe import Markup, escape

from tonelab.signal.colorimetry import rgb_to_ycbcr
from tonelab.signal.transfer import eotf_inverse_pq

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tonelab.signal.arrays import FloatArray
    from tonelab.views.page.table import PageTable

Across: TypeAlias = Literal["light", "hue"]

# Shapes about the origin, so that a series is known without its colour; the script has the same.
MARKS = (
    "M-4 0a4 4 0 1 0 8 0a4 4 0 1 0-8 0z",
    "M-3.5-3.5h7v7h-7z",
    "M0-4.6l4.4 7.8h-8.8z",
    "M0-5l4.6 5l-4.6 5l-4.6-5z",
    "M0 4.6l4.4-7.8h-8.8z",
    "M-4.5-1.5h3v-3h3v3h3v3h-3v3h-3v-3h-3z",
)
COLOURS = 6

_WIDTH, _HEIGHT = 760, 380
_LEFT, _RIGHT, _TOP, _BOTTOM = 64, 26, 14, 62
_LIGHT_TICKS = (0, 0.1, 1, 10, 26, 100, 203, 1000, 4000, 10000)
_MARKS_A_LINE = 7
_POINTS = 250
_HUES = ("red", "yellow", "green", "cyan", "blue", "magenta")
_HUE_RGB = ((1, 0, 0), (1, 1, 0), (0, 1, 0), (0, 1, 1), (0, 0, 1), (1, 0, 1))


@dataclass(frozen=True, slots=True)
class PlotLine:
    """One line of a chart.

    Attributes
    ----------
    key
        ``d0``, ``d1``, ... for devices, ``s:NAME`` for standard conversions.
    name
        For people.
    x, y
        Shape (N,); gaps are NaN.
    bound
        Half width of the 95 % interval of ``y``, or None.
    clipped
        Where the capture sits on a clip, or None.
    """

    key: str
    name: str
    x: FloatArray
    y: FloatArray
    bound: FloatArray | None = None
    clipped: np.ndarray[Any, np.dtype[np.bool_]] | None = None

    @property
    def index(self) -> int | None:
        """Number of the device, or None for a standard conversion."""
        return int(self.key[1:]) if self.key.startswith("d") else None


@dataclass(frozen=True, slots=True)
class PlotView:
    """One vertical axis of a chart with its lines; ``levels`` are constant lines with names.

    ``option`` names it among the views of its chart, where the label does not.
    """

    label: str
    unit: str
    digits: int
    series: Sequence[PlotLine]
    levels: Sequence[tuple[float, str]] = ()
    option: str = ""


@dataclass(frozen=True, slots=True)
class Chart:
    """A figure: what it is, what it shows, and its table.

    Attributes
    ----------
    id
        Of the element.
    title, description
        Its name, and a sentence that says in words what can be seen.
    across
        What the horizontal axis is; light can be shown by PQ code, logarithmically or linearly.
    views
        Vertical axes to choose from; one is shown without script.
    table
        The figures that the lines are drawn from.
    note
        How to read the lines.
    choice
        What the choice between views is called.
    start
        The view that is shown first.
    """

    id: str
    title: str
    description: str
    across: Across
    views: Sequence[PlotView]
    table: PageTable
    note: str = ""
    choice: str = "Vertical axis"
    start: int = 0

    @property
    def across_label(self) -> str:
        """Label of the horizontal axis."""
        if self.across == "light":
            return "source light, cd/m2"
        return "source hue in the Cb/Cr plane, degrees"


def spec(chart: Chart) -> dict[str, Any]:
    """Lay out a chart as JSON values for the script."""
    return {
        "id": chart.id,
        "title": chart.title,
        "across": chart.across,
        "label": chart.across_label,
        "start": chart.start,
        "names": hue_names() if chart.across == "hue" else [],
        "views": [
            {
                "label": view.label,
                "option": view.option,
                "unit": view.unit,
                "digits": view.digits,
                "levels": [list(level) for level in view.levels],
                "series": [_series(one, view.digits) for one in view.series],
            }
            for view in chart.views
        ],
    }


def hue_names() -> list[tuple[float, str]]:
    """Where the primaries and secondaries of BT.2020 lie in the Cb/Cr plane, degrees."""
    chroma = rgb_to_ycbcr(np.array(_HUE_RGB, float), "bt2020")[:, 1:]
    angles = np.degrees(np.arctan2(chroma[:, 1], chroma[:, 0])) % 360
    return [(round(float(angle), 1), name) for angle, name in zip(angles, _HUES, strict=True)]


def _series(series: PlotLine, digits: int) -> dict[str, Any]:
    values: dict[str, Any] = {
        "key": series.key,
        "name": series.name,
        "x": _rounded(series.x, 4),
        "y": _rounded(series.y, digits + 1),
    }
    if series.bound is not None:
        values["bound"] = _rounded(series.bound, digits + 1)
    if series.clipped is not None and series.clipped.any():
        values["clipped"] = np.flatnonzero(series.clipped).tolist()
    return values


def _rounded(values: FloatArray, digits: int) -> list[float | None]:
    return [round(value, digits) if math.isfinite(value) else None for value in values.tolist()]


def svg(chart: Chart) -> Markup:
    """Draw the first view of a chart, light by PQ code; without scripts this is the figure."""
    view = chart.views[chart.start]
    devices = [one for one in view.series if one.index is not None]
    frame = _Frame(chart, view, devices)
    name, words = f"{chart.id}-name", f"{chart.id}-words"
    head = (
        f'<svg class="drawn" viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" '
        f'aria-labelledby="{name} {words}">'
        f'<title id="{name}">{escape(chart.title)}</title>'
        f'<desc id="{words}">{escape(chart.description)}</desc>'
    )
    lines = "".join(part for one in devices for part in frame.line(one))
    return Markup(f"{head}{''.join(frame.axes())}{lines}</svg>")  # noqa: S704 - escaped where made


class _Frame:
    """The axes of a static drawing, and what is drawn in them."""

    def __init__(self, chart: Chart, view: PlotView, devices: Sequence[PlotLine]) -> None:
        self.chart, self.view = chart, view
        ends = [_project(one.x, chart.across) for one in devices]
        self.x_range = (
            (0.0, 360.0)
            if chart.across == "hue"
            else (min(map(np.min, ends), default=0.0), max(map(np.max, ends), default=1.0))
        )
        tops = [one.y + (0 if one.bound is None else one.bound) for one in devices]
        lows = [one.y - (0 if one.bound is None else one.bound) for one in devices]
        values = np.concatenate([*tops, *lows, np.array([level for level, _ in view.levels])])
        values = values[np.isfinite(values)]
        low, high = (float(values.min()), float(values.max())) if len(values) else (0.0, 1.0)
        margin = 0.05 * (high - low or 1.0)
        self.y_range = low - margin, high + margin

    def axes(self) -> Iterator[str]:
        """Grid, ticks, labels and constant levels."""
        right, bottom = _WIDTH - _RIGHT, _HEIGHT - _BOTTOM
        for value in nice_ticks(*self.y_range, 6):
            y = self.down(value)
            yield f'<path class="grid" d="M{_LEFT} {y:.1f}H{right}"/>'
            yield f'<text class="tick" x="{_LEFT - 8}" y="{y + 4:.1f}" text-anchor="end">'
            yield f"{value:g}</text>"
        for value, label in self._across_ticks():
            x = self.right(value)
            yield f'<path class="grid" d="M{x:.1f} {_TOP}V{bottom}"/>'
            yield f'<text class="tick" x="{x:.1f}" y="{bottom + 18}" text-anchor="middle">'
            yield f"{label}</text>"
        for value, label in hue_names() if self.chart.across == "hue" else ():
            yield f'<text class="tick" x="{self.right(value):.1f}" y="{bottom + 34}" '
            yield f'text-anchor="middle">{label}</text>'
        for value, label in self.view.levels:
            y = self.down(value)
            yield f'<path class="level" d="M{_LEFT} {y:.1f}H{right}"/>'
            if label:
                yield f'<text class="level-name" x="{right}" y="{y - 4:.1f}" text-anchor="end">'
                yield f"{escape(label)}</text>"
        yield f'<text class="axis" x="{(_LEFT + right) / 2}" y="{_HEIGHT - 8}" '
        yield f'text-anchor="middle">{escape(self.chart.across_label)}</text>'
        yield f'<text class="axis" transform="translate(16 {(_TOP + bottom) / 2}) rotate(-90)" '
        yield f'text-anchor="middle">{escape(self.view.label)}</text>'

    def line(self, series: PlotLine) -> Iterator[str]:
        """Band, line and marks of a series."""
        number = (series.index or 0) % COLOURS
        series = _thinned(series)
        x = self.right(_project(series.x, self.chart.across))
        y = self.down(series.y)
        if series.bound is not None:
            upper, lower = (self.down(series.y + sign * series.bound) for sign in (1, -1))
            for run in runs(np.isfinite(upper)):
                outline = [*zip(x[run], upper[run], strict=True)]
                outline += zip(x[run][::-1], lower[run][::-1], strict=True)
                points = " ".join(f"{px:.1f},{py:.1f}" for px, py in outline)
                yield f'<polygon class="band c{number}" points="{points}"/>'
        clipped = np.zeros(len(x), bool) if series.clipped is None else series.clipped
        edge = clipped.copy()
        edge[1:] |= clipped[:-1]
        edge[:-1] |= clipped[1:]
        yield f'<path class="line c{number}" d="{_path(x, np.where(clipped, np.nan, y))}"/>'
        if clipped.any():
            bound = _path(x, np.where(edge, y, np.nan))
            yield f'<path class="line clipped c{number}" d="{bound}"/>'
        places = np.flatnonzero(np.isfinite(y))
        steps = min(_MARKS_A_LINE, len(places))
        shift = number / (COLOURS * max(steps, 1))
        for share in np.arange(steps) / max(steps, 1) + shift:
            at = places[int(share * len(places))]
            yield (
                f'<path class="mark c{number}" d="{MARKS[number]}" '
                f'transform="translate({x[at]:.1f} {y[at]:.1f})"/>'
            )

    def right(self, projected: Any) -> Any:
        """Position of a projected abscissa."""
        low, high = self.x_range
        return _LEFT + (projected - low) / (high - low or 1) * (_WIDTH - _LEFT - _RIGHT)

    def down(self, value: Any) -> Any:
        """Position of an ordinate."""
        low, high = self.y_range
        return _TOP + (high - value) / (high - low) * (_HEIGHT - _TOP - _BOTTOM)

    def _across_ticks(self) -> Iterator[tuple[float, str]]:
        if self.chart.across == "hue":
            yield from ((float(degrees), f"{degrees}") for degrees in range(0, 361, 45))
            return
        last = -math.inf
        for light in _LIGHT_TICKS:
            at = float(_project(np.array([light]), "light")[0])
            if self.x_range[0] <= at <= self.x_range[1] and self.right(at) - last > 30:
                last = self.right(at)
                yield at, f"{light:g}"


def _thinned(series: PlotLine) -> PlotLine:
    """Keep as many points as a drawing of this size can show."""
    step = max(1, len(series.x) // _POINTS)
    rows = np.unique(np.append(np.arange(0, len(series.x), step), len(series.x) - 1))
    return replace(
        series,
        x=series.x[rows],
        y=series.y[rows],
        bound=None if series.bound is None else series.bound[rows],
        clipped=None if series.clipped is None else series.clipped[rows],
    )


def runs(seen: np.ndarray[Any, np.dtype[np.bool_]]) -> Iterator[slice]:
    """Yield the stretches without a gap."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], seen.astype(np.int8), [0]])))
    yield from (slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True))


def nice_ticks(low: float, high: float, count: int) -> list[float]:
    """Round values within a range, about ``count`` of them."""
    raw = (high - low) / count
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1, 2, 5, 10) if m * power >= raw)
    return [n * step for n in range(math.ceil(low / step), math.floor(high / step) + 1)]


def _project(x: FloatArray, across: Across) -> FloatArray:
    return eotf_inverse_pq(x) if across == "light" else x


def _path(x: FloatArray, y: FloatArray) -> str:
    parts, pen = [], "M"
    for px, py in zip(x.tolist(), y.tolist(), strict=True):
        if math.isfinite(py):
            parts.append(f"{pen}{px:.1f} {py:.1f}")
            pen = "L"
        else:
            pen = "M"
    return "".join(parts)
