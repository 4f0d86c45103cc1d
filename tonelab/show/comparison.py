"""A comparison for people and for programs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rich.console import Group
from rich.padding import Padding
from rich.text import Text

from tonelab.show.document import plain
from tonelab.show.facts import labelled, number_table
from tonelab.show.words import NOT_REACHED, display_of, landed, light

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

    from tonelab.compare import Comparison

_NONE = "–"


def comparison_document(comparison: Comparison) -> dict[str, Any]:
    """Lay out a comparison as JSON values, with ``schema`` and ``version`` first.

    Codes are 10-bit narrow codes, distances ΔE_ITP, light cd/m2; matrices follow ``devices``.
    """
    return {
        "schema": "tonelab.comparison",
        "version": 1,
        "devices": list(comparison.devices),
        "displays": [display_of(signal) for signal in comparison.displays],
        "landmarks": [
            {"device": device, "landmarks": plain(list(marks.values()))}
            for device, marks in zip(comparison.devices, comparison.landmarks, strict=True)
        ],
        "luminance_differences": [
            {"reference": comparison.devices[0], **plain(difference)}
            for difference in comparison.differences
        ],
        "delta_e_itp": {
            "mean": plain(comparison.distance_mean),
            "p95": plain(comparison.distance_p95),
            "floor": plain(comparison.distance_floor),
            "colours": comparison.colours,
        },
        "nearest_standard": [
            None
            if score is None
            else {
                "standard": score.standard,
                "label": score.label,
                "mean": score.mean,
                "p95": score.p95,
                "floor": score.floor,
            }
            for score in comparison.best
        ],
    }


def comparison_summary(comparison: Comparison) -> RenderableType:
    """Render a comparison for a terminal."""
    parts = (
        ("Displays", _displays(comparison)),
        ("Landmarks: capture code, light", _landmarks(comparison)),
        (f"Luminance curve minus that of {comparison.devices[0]}", _differences(comparison)),
        ("Distances between the devices", _distances(comparison)),
        ("Nearest standard conversion", _nearest(comparison)),
    )
    lines: list[RenderableType] = []
    for title, part in parts:
        lines.append(Text(f"\n{title}", "bold blue"))
        lines.append(Padding(part, (0, 0, 0, 2), expand=False))
    return Group(*lines)


def _displays(comparison: Comparison) -> RenderableType:
    return labelled(
        (device, Text(f"output light is that of a {display_of(signal)}"))
        for device, signal in zip(comparison.devices, comparison.displays, strict=True)
    )


def _landmarks(comparison: Comparison) -> Table:
    labels = {mark.id: mark.label for marks in comparison.landmarks for mark in marks.values()}
    table = number_table("", *comparison.devices)
    for name, label in labels.items():
        cells = []
        for marks in comparison.landmarks:
            code, output = landed(marks[name]) if name in marks else (_NONE, "")
            cells.append(code if code == output else ", ".join(filter(None, (code, output))))
        table.add_row(Text(label), *map(Text, cells))
    return table


def _differences(comparison: Comparison) -> RenderableType:
    levels = list(comparison.differences[0].at)
    table = number_table("", "RMS", "largest", "at", *(f"at {light(level)}" for level in levels))
    for difference in comparison.differences:
        bound = float(difference.bound.max())
        table.add_row(
            Text(difference.device),
            f"{difference.rms:.2f}",
            f"{difference.largest:+.1f} ± {bound:.1f}",
            light(difference.largest_at),
            *(_signed(difference.at[level]) for level in levels),
        )
    return Group(table, Text("codes of a 10-bit narrow-range signal", "dim"))


def _signed(value: float | None) -> str:
    return NOT_REACHED if value is None else f"{value:+.1f}"


def _distances(comparison: Comparison) -> RenderableType:
    size = len(comparison.devices)
    table = number_table("mean / p95 (floor)", *comparison.devices[:-1])
    for row in range(1, size):
        cells = [
            f"{comparison.distance_mean[row, column]:.2f} / "
            f"{comparison.distance_p95[row, column]:.2f} "
            f"({comparison.distance_floor[row, column]:.2f})"
            for column in range(row)
        ]
        table.add_row(Text(comparison.devices[row]), *cells)
    return Group(table, Text(f"ΔE_ITP over {comparison.colours} colours of the chart", "dim"))


def _nearest(comparison: Comparison) -> RenderableType:
    table = number_table("", "standard", "mean ΔE_ITP", "p95", "floor")
    for device, score in zip(comparison.devices, comparison.best, strict=True):
        if score is None:
            table.add_row(Text(device), *[_NONE] * 4)
        else:
            figures = (f"{value:.2f}" for value in (score.mean, score.p95, score.floor))
            table.add_row(Text(device), Text(score.label), *figures)
    return table
