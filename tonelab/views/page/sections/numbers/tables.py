"""Landmarks, distances, verdicts and scores as tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tonelab.views.page.table import Cell, PageTable, csv_file
from tonelab.views.words import landed, light

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tonelab.compare import Comparison
    from tonelab.compare.verdicts import PairVerdict
    from tonelab.results import Landmark, Measurement

# ΔE_ITP from which a cell is shaded by 1, 2, ... of 5.
_SHADES = (1.0, 3.0, 10.0, 20.0, 40.0)


def landmark_table(measurements: Sequence[Measurement], names: Sequence[str]) -> PageTable:
    """Where known levels of light land: light in cd/m2 and capture code for each device."""
    marks = [{mark.id: mark for mark in one.landmarks} for one in measurements]
    labels = {mark.id: mark for found in marks for mark in found.values()}
    rows: list[tuple[Cell | str, ...]] = []
    for key, mark in labels.items():
        what = mark.label[:1].upper() + mark.label[1:]
        fixed = len({found[key].luminance for found in marks if key in found}) == 1
        if fixed and mark.luminance is not None and "cd/m2" not in what:
            what = f"{what} ({light(mark.luminance)})"
        rows.append((what, *(_landmark(found.get(key), fixed=fixed) for found in marks)))
    head = ("device", "landmark", "source light cd/m2", "capture code", "95 % half width",
            "output light cd/m2")  # fmt: skip
    data = [
        (name, mark.label, mark.luminance, mark.code, mark.bound, mark.output)
        for name, one in zip(names, measurements, strict=True)
        for mark in one.landmarks
    ]
    return PageTable(
        "Landmarks",
        ("", *names),
        rows,
        "Light on the display, and below it the capture luma code ± half the 95 % interval, in "
        "codes of each capture's own depth.",
        csv_file("landmarks", head, data),
    )


def _landmark(mark: Landmark | None, *, fixed: bool) -> Cell:
    if mark is None:
        return Cell("not measured")
    code, output = landed(mark)
    if mark.code is None:
        return Cell(output)
    at = "" if fixed or mark.luminance is None else f"from {light(mark.luminance)}, "
    return Cell(output, f"{at}code {code}")


def distance_table(comparison: Comparison) -> PageTable:
    """Distance of every device from every other, ΔE_ITP with 95 % bounds."""
    rows = []
    for row, name in enumerate(comparison.devices):
        cells: list[Cell | str] = [name]
        for column in range(len(comparison.devices)):
            if row == column:
                cells.append("–")
                continue
            mean = float(comparison.distance_mean[row, column])
            cells.append(
                Cell(
                    f"{mean:.2f}",
                    f"95 % {comparison.distance_low[row, column]:.2f} to "
                    f"{comparison.distance_high[row, column]:.2f}; p95 "
                    f"{comparison.distance_p95[row, column]:.1f}; rounding "
                    f"{comparison.distance_floor[row, column]:.2f}",
                    _shade(mean),
                )
            )
        rows.append(cells)
    data = [
        (comparison.devices[row], comparison.devices[column],
         float(comparison.distance_mean[row, column]), float(comparison.distance_p95[row, column]),
         float(comparison.distance_floor[row, column]), comparison.colours)
        for row in range(len(comparison.devices))
        for column in range(row)
    ]  # fmt: skip
    shared = "source colours" if comparison.basis == "colours" else "greys along the curves"
    return PageTable(
        "Distance between the devices, mean ΔE_ITP",
        ("", *comparison.devices),
        rows,
        f"Over {comparison.colours} {shared}, each decoded for its own display. "
        "Rounding: what the codes alone cause.",
        csv_file("distances", ("device", "other", "mean", "p95", "rounding", "colours"), data),
    )


def verdict_table(comparison: Comparison) -> PageTable:
    """Whether two devices are the same converter, tested as equivalence."""
    names = comparison.devices
    rows = [
        (
            f"{names[one.first]} and {names[one.second]}",
            Cell(one.text, _controls(one)),
            Cell(
                f"{one.distance.mean:.2f}",
                f"95 % {one.distance.low:.2f} to {one.distance.high:.2f}",
                _shade(one.distance.mean),
            ),
        )
        for one in comparison.verdicts
    ]
    data = [
        (names[one.first], names[one.second], one.kind, one.margin, one.distance.mean,
         one.distance.low, one.distance.high)
        for one in comparison.verdicts
    ]  # fmt: skip
    return PageTable(
        "The same converter or not",
        ("", "Verdict", "Mean ΔE_ITP"),
        rows,
        "Two are called the same only when the whole 95 % interval of their distance lies within "
        f"{comparison.verdicts[0].margin:g}; not seeing a difference is not enough.",
        csv_file(
            "verdicts",
            ("device", "other", "verdict", "margin", "mean", "95 % low", "95 % high"),
            data,
        ),
    )


def _controls(verdict: PairVerdict) -> str:
    return ", ".join(
        f"{name} {_short(estimate.value)} ({_short(estimate.low)} to {_short(estimate.high)})"
        for name, estimate in verdict.controls.items()
    )


def _short(value: float) -> str:
    return f"{round(value, 4) + 0.0:.3g}"


def score_table(measurements: Sequence[Measurement], names: Sequence[str]) -> PageTable | None:
    """Distance of every device from the standard conversions, ΔE_ITP; None when none was scored."""
    scores = [{score.standard: score for score in one.scores} for one in measurements]
    labels = {key: score.label for found in scores for key, score in found.items()}
    if not labels:
        return None
    nearest = [min(found.values(), key=lambda s: s.mean, default=None) for found in scores]
    rows = []
    for key, label in labels.items():
        cells: list[Cell | str] = [label]
        for found, best in zip(scores, nearest, strict=True):
            score = found.get(key)
            if score is None:
                cells.append("not scored")
                continue
            mark = " ◂ nearest" if score is best else ""
            cells.append(
                Cell(
                    f"{score.mean:.2f}{mark}",
                    f"p95 {score.p95:.1f}, luminance {score.luminance_error:.1f} %",
                    _shade(score.mean),
                )
            )
        rows.append(cells)
    head = ("device", "standard conversion", "mean", "median", "p95", "p99", "max", "floor",
            "CIEDE2000", "its floor", "luminance error %", "codes RMS", "colours",
            "display")  # fmt: skip
    data = [
        (name, s.label, s.mean, s.median, s.p95, s.p99, s.max, s.floor, s.ciede2000,
         s.ciede2000_floor, s.luminance_error, s.codes_rms, s.count, s.display)
        for name, one in zip(names, measurements, strict=True)
        for s in one.scores
    ]  # fmt: skip
    floors = ", ".join(
        f"{name} {one.scores[0].floor:.2f}"
        for name, one in zip(names, measurements, strict=True)
        if one.scores
    )
    return PageTable(
        "Distance from the standard conversions, mean ΔE_ITP",
        ("", *names),
        rows,
        f"Floor that rounding alone leaves: {floors}. Luminance: mean error on greys.",
        csv_file("standard-conversions", head, data),
    )


def _shade(mean: float) -> int:
    return sum(mean >= limit for limit in _SHADES)
