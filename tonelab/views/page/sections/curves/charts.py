"""The charts of the page, each with its table."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.compare import common_codes, curve_difference
from tonelab.conversion.standards import STANDARDS
from tonelab.readings import readings_of
from tonelab.readings.colours import coded_signal
from tonelab.readings.content import CONTENT_PEAK
from tonelab.scores.gradients import gradient_steps
from tonelab.signal.quantisation import chroma_scale
from tonelab.signal.transfer import eotf_bt1886, eotf_inverse_pq, eotf_pq
from tonelab.views.page.chart import Chart, PlotLine, PlotView
from tonelab.views.page.table import Cell, PageTable, csv_file
from tonelab.views.words import NOT_REACHED, light

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tonelab.results import LuminanceCurve, Measurement
    from tonelab.signal.arrays import FloatArray
    from tonelab.signal.description import Signal

_LIGHTS = (0.01, 0.1, 1, 5, 10, 26, 50, 100, 203, 400, 600, 1000, 2000, 4000, 10000)
_QUOTED = (26.0, 203.0, 1000.0)  # levels that a description puts into words
_STANDARD_POINTS = 160


def luminance_chart(measurements: Sequence[Measurement], names: Sequence[str]) -> Chart:
    """Luminance transfer as codes and as light, with the standard conversions."""
    codes, lights, sentences, rows = [], [], [], []
    for index, (one, name) in enumerate(zip(measurements, names, strict=True)):
        curve, signal = one.luminance_curve, coded_signal(one.capture.signal)
        key, x = f"d{index}", curve.luminance
        code, half = _common(curve, signal)
        codes.append(PlotLine(key, name, x, code, half, curve.clipped))
        shown = [shown_luminance(part, signal) for part in (curve.low, curve.smooth, curve.high)]
        lights.append(PlotLine(key, name, x, shown[1], (shown[2] - shown[0]) / 2, curve.clipped))
        reached = [level for level in _QUOTED if x[0] <= level <= x[-1]]
        landed = [f"{light(level)} on code {np.interp(level, x, code):.0f}" for level in reached]
        sentences.append(f"{name} puts {', '.join(landed)}" if landed else f"{name} has few points")
        rows += [
            (name, *point, bool(clip))
            for *point, clip in zip(
                curve.source_code.tolist(), x.tolist(), curve.code.tolist(), curve.smooth.tolist(),
                curve.low.tolist(), curve.high.tolist(), curve.count.tolist(), curve.clipped,
                strict=True,
            )
        ]  # fmt: skip
    for key, name, x, signal_level in _standards(measurements):
        codes.append(PlotLine(key, name, x, 64 + 876 * signal_level))
        lights.append(PlotLine(key, name, x, eotf_bt1886(signal_level)))
    head = (
        "device", "source code", "source light cd/m2", "mean capture code", "smooth capture code",
        "95 % low", "95 % high", "samples", "clipped",
    )  # fmt: skip
    views = (
        PlotView("capture luma code (10-bit narrow)", "", 1, codes, ((940.0, "nominal white"),)),
        PlotView("light on the display, cd/m2", "cd/m2", 2, lights),
    )
    table = PageTable(
        "Luminance transfer",
        ("source light", *names),
        list(_at_lights(codes[: len(names)], 1)),
        "Capture luma code as 10-bit narrow range, ± half the 95 % interval. "
        "The file holds every source code.",
        csv_file("luminance-transfer", head, rows),
    )
    return Chart(
        id="luminance",
        title="Luminance transfer",
        description=f"Grey light of the source against what comes out. {'; '.join(sentences)}.",
        across="light",
        views=views,
        table=table,
        note="Band: 95 % interval. Dashed: the capture sits on a clip, so the line is a bound. "
        f"Standard conversions: mastering peak {_peak(measurements):g} cd/m2.",
    )


def difference_chart(measurements: Sequence[Measurement], names: Sequence[str]) -> Chart:
    """Luminance curves minus that of one of the devices."""
    views, sentences, rows = [], [], []
    floors = [_common_floor(one) for one in measurements]
    for base, (first, base_name) in enumerate(zip(measurements, names, strict=True)):
        series = []
        for index, (other, name) in enumerate(zip(measurements, names, strict=True)):
            if index == base:
                continue
            difference = curve_difference(first, other, name)
            series.append(
                PlotLine(
                    f"d{index}", name, difference.luminance, difference.codes, difference.bound
                )
            )
            if base == 0:
                columns = (difference.luminance, difference.codes, difference.bound)
                rows += [
                    (base_name, name, *point)
                    for point in zip(*(column.tolist() for column in columns), strict=True)
                ]
                sentences.append(
                    f"{name} is furthest from {base_name} at {light(difference.largest_at)}, by "
                    f"{difference.largest:+.0f} codes"
                )
        small, large = sorted(floors)[-2:]
        floor = float(np.hypot(small, large))
        levels = ((0.0, ""), (floor, f"rounding of both, {floor:.2f}"), (-floor, ""))
        views.append(
            PlotView(f"codes more than {base_name}", "codes", 1, series, levels, base_name)
        )
    table = PageTable(
        f"Luminance curves minus that of {names[0]}",
        ("source light", *names[1:]),
        list(_at_lights(views[0].series, 1, signed=True)),
        "Codes of a 10-bit narrow-range signal, ± half the 95 % interval. The file holds every "
        "source code.",
        csv_file(
            "luminance-differences",
            ("reference", "device", "source light cd/m2", "difference codes", "95 % half width"),
            rows,
        ),
    )
    return Chart(
        id="difference",
        title="Difference curves",
        description=f"{'; '.join(sentences)}.",
        across="light",
        views=views,
        choice="Compared with",
        table=table,
        note="Codes of a 10-bit narrow-range signal. Band: 95 % interval of the difference.",
    )


def chroma_charts(measurements: Sequence[Measurement], names: Sequence[str]) -> tuple[Chart, ...]:
    """Hue rotation in degrees and chroma ratio by hue; empty where no chroma was measured."""
    levels = sorted(
        {
            float(level)
            for one in measurements
            for column, level in enumerate(one.chroma_transfer.level)
            if np.isfinite(one.chroma_transfer.ratio[:, column]).any()
        }
    )
    if not levels:
        return ()
    kinds = (
        ("rotation", "Hue rotation", "hue rotation, degrees", "°", 1, 0.0),
        ("ratio", "Chroma ratio", "chroma, times the source's", "", 3, 1.0),
    )
    charts = []
    for kind, title, label, unit, digits, neutral in kinds:
        views = []
        for level in levels:
            series = [
                one
                for index, (measurement, name) in enumerate(zip(measurements, names, strict=True))
                if (one := _chroma_series(measurement, name, index, level, kind)) is not None
            ]
            views.append(PlotView(label, unit, digits, series, ((neutral, ""),), _at(level)))
        seen = [sum(int(np.isfinite(s.y).sum()) for s in view.series) for view in views]
        start = int(np.argmax(seen))
        charts.append(
            Chart(
                id=kind,
                title=title,
                description=_chroma_words(views[start].series, levels[start], unit, digits),
                across="hue",
                views=views,
                choice="Source level",
                start=start,
                table=_chroma_table(measurements, names, views[start].series, kind, title,
                                    levels[start], digits),
                note="Band: 95 % interval. Gaps: nothing measured that is not clipped. "
                    "HDR and SDR signals differ in scale and primaries, so any conversion moves "
                    "these figures: compare devices with each other. Saturation and hue of the "
                    "light that is shown stand in the answer.",
            )
        )  # fmt: skip
    return tuple(charts)


def gradient_chart(measurements: Sequence[Measurement], names: Sequence[str]) -> Chart:
    """Chart the output steps for each source code: where a gradient keeps its steps or not."""
    series, sentences, rows = [], [], []
    cells: dict[float, dict[str, Cell]] = {}
    ends: dict[float, float] = {}
    for index, (one, name) in enumerate(zip(measurements, names, strict=True)):
        curve, signal = one.luminance_curve, coded_signal(one.capture.signal)
        code, _ = _common(curve, signal)
        slope = np.gradient(code, common_codes(curve.source_code, one.source.signal))
        # An output of 8 bits in a capture of 10 moves by four codes at a time.
        black, stepped = common_codes(np.array([0.0, readings_of(one).step]), signal)
        slope /= stepped - black
        # A slope next to a clip, or below black, is that of a corner.
        corner = curve.clipped | (curve.luminance <= 0)
        corner[1:] |= corner[:-1].copy()
        corner[:-1] |= corner[1:].copy()
        slope[corner] = np.nan
        series.append(PlotLine(f"d{index}", name, curve.luminance, slope))
        counted = gradient_steps(one)
        within = [part for part in counted if part.low < _peak(measurements)]
        steps, kept = (sum(getattr(part, what) for part in within) for what in ("steps", "kept"))
        if steps:
            sentences.append(f"{name} keeps {kept} of {steps}")
        for part in counted:
            rows.append((name, part.low, part.high, part.steps, part.kept, part.widest,
                         part.largest))  # fmt: skip
            lost = part.steps - part.kept
            ends[part.low] = max(part.high, ends.get(part.low, 0))
            cells.setdefault(part.low, {})[name] = Cell(
                f"{part.kept} of {part.steps}",
                f"{100 * lost / part.steps:.0f} % lost; up to {part.widest} on one code, "
                f"largest rise {part.largest}",
            )
    table = PageTable(
        "Steps of a grey gradient that stay distinct",
        ("source light", *names),
        [
            (f"{low:g} to {light(ends[low])}", *(found.get(n, Cell("not measured")) for n in names))
            for low, found in sorted(cells.items())
        ],
        "Pairs of neighbouring source codes that end on different capture codes. Rises are in "
        "steps of the output.",
        csv_file(
            "gradient-steps",
            ("device", "from cd/m2", "to cd/m2", "steps", "kept", "most on one code",
             "largest rise"),
            rows,
        ),
    )  # fmt: skip
    return Chart(
        id="gradient",
        title="Gradient steps",
        description=f"Of the grey steps up to {light(_peak(measurements))}, {'; '.join(sentences)}."
        if sentences
        else "How steep the luminance curves are; single grey steps were not measured.",
        across="light",
        views=(
            PlotView(
                "output steps for each source code", "", 2, series, ((1.0, "every step kept"),)
            ),
        ),
        table=table,
        note="Source codes of 10-bit narrow range; output steps as wide as the device makes them, "
        "four codes for 8 bits. Below 1, neighbouring steps merge; far above 1, a gradient may "
        "show bands.",
    )  # fmt: skip


def shown_luminance(code: FloatArray, signal: Signal) -> FloatArray:
    """Light (N,) in cd/m2 of neutral luma codes (N,) on the assumed display of a capture."""
    neutral = np.full_like(code, chroma_scale(signal.bits, signal.range)[0])
    return signal.decode_light(np.stack([code, neutral, neutral], axis=1))[:, 1]


def _standards(
    measurements: Sequence[Measurement],
) -> Iterator[tuple[str, str, FloatArray, FloatArray]]:
    """Key, label, source light and signal of the standard conversions that were scored."""
    peak = _peak(measurements)
    top = max(float(one.luminance_curve.luminance[-1]) for one in measurements)
    x = eotf_pq(np.linspace(0, eotf_inverse_pq(min(top, 10000.0)), _STANDARD_POINTS))
    names = dict.fromkeys(score.standard for one in measurements for score in one.scores)
    for name in names:
        if name in STANDARDS:
            grey = np.repeat(x[:, None], 3, axis=1)
            signal = STANDARDS[name].convert(grey, source_peak=peak)[:, 1]
            yield f"s:{name}", STANDARDS[name].label, x, signal


def _peak(measurements: Sequence[Measurement]) -> float:
    return measurements[0].source.mastering_peak or CONTENT_PEAK


def _common(curve: LuminanceCurve, signal: Signal) -> tuple[FloatArray, FloatArray]:
    """Smooth curve as 10-bit narrow codes, and half its 95 % interval."""
    code = common_codes(curve.smooth, signal)
    return code, (common_codes(curve.high, signal) - common_codes(curve.low, signal)) / 2


def _common_floor(measurement: Measurement) -> float:
    """RMS of rounding in 10-bit narrow codes."""
    step = common_codes(np.array([0.0, 1.0]), coded_signal(measurement.capture.signal))
    return float(measurement.conversion.floor_codes_rms * (step[1] - step[0]))


def _at_lights(
    series: Sequence[PlotLine], digits: int, *, signed: bool = False
) -> Iterator[tuple[str, ...]]:
    """Rows of values at round levels of source light."""
    sign = "+" if signed else ""
    for level in _LIGHTS:
        cells = []
        for one in series:
            if not len(one.x) or not one.x[0] <= level <= one.x[-1]:
                cells.append(NOT_REACHED)
                continue
            value = np.interp(level, one.x, one.y)
            half = 0.0 if one.bound is None else np.interp(level, one.x, one.bound)
            cells.append(f"{value:{sign}.{digits}f} ± {half:.{digits}f}")
        if any(cell != NOT_REACHED for cell in cells):
            yield light(level), *cells


def _chroma_series(
    measurement: Measurement, name: str, index: int, level: float, kind: str
) -> PlotLine | None:
    chroma = measurement.chroma_transfer
    columns = np.flatnonzero(chroma.level == level)
    if not len(columns):
        return None
    column = columns[0]
    values = getattr(chroma, kind)[:, column]
    bounds = getattr(chroma, f"{kind}_bound")[:, column]
    hue = chroma.hue
    if hue[0] == 0:  # the circle closes
        hue = np.append(hue, 360.0)
        values, bounds = np.append(values, values[0]), np.append(bounds, bounds[0])
    return PlotLine(f"d{index}", name, hue, values, bounds)


def _at(level: float) -> str:
    shown = float(eotf_pq(np.array((level - 64) / 876)))
    return f"source luma {level:.0f} ({light(shown)})"


def _chroma_words(series: Sequence[PlotLine], level: float, unit: str, digits: int) -> str:
    sentences = []
    for one in series:
        if np.isfinite(one.y).any():
            low, high = np.nanmin(one.y), np.nanmax(one.y)
            sentences.append(f"{one.name} from {low:.{digits}f}{unit} to {high:.{digits}f}{unit}")
    return f"Over the hues at {_at(level)}: {'; '.join(sentences)}."


def _chroma_table(
    measurements: Sequence[Measurement], names: Sequence[str], series: Sequence[PlotLine],
    kind: str, title: str, level: float, digits: int,
) -> PageTable:  # fmt: skip
    rows = []
    for one, name in zip(measurements, names, strict=True):
        chroma = one.chroma_transfer
        values, bounds = getattr(chroma, kind), getattr(chroma, f"{kind}_bound")
        rows += [
            (name, float(chroma.hue[hue]), float(chroma.level[column]), float(values[hue, column]),
             float(bounds[hue, column]), int(chroma.count[hue, column]))
            for hue, column in np.argwhere(np.isfinite(values))
        ]  # fmt: skip
    shown = []
    for row, hue in enumerate(series[0].x):
        cells = [
            f"{one.y[row]:.{digits}f} ± {one.bound[row]:.{digits}f}"
            if one.bound is not None and np.isfinite(one.y[row])
            else "not measured"
            for one in series
        ]
        shown.append((f"{hue:g}°", *cells))
    return PageTable(
        f"{title} at {_at(level)}",
        ("source hue", *(one.name for one in series)),
        shown,
        "± half the 95 % interval. The file holds every level.",
        csv_file(
            kind,
            ("device", "hue degrees", "source luma code", title.lower(), "95 % half width",
             "patches"),
            rows,
        ),
    )  # fmt: skip
