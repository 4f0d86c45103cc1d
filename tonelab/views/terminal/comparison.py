"""A comparison, as a terminal shows it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from rich.console import Group
from rich.text import Text

from tonelab.compare.verdicts import between
from tonelab.views.sentences import pair_sentence, worth_saying
from tonelab.views.terminal.facts import Indented, labelled, number_table
from tonelab.views.words import NONE, NOT_REACHED, display_of, landed, light

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

    from tonelab.compare import Comparison
    from tonelab.compare.library import Neighbours
    from tonelab.compare.ranking import Ranking
    from tonelab.compare.series import Series
    from tonelab.results import Measurement

_WIDEST_MATRIX = 8  # devices up to which every distance is printed
_WIDEST_COLUMNS = 3  # devices up to which each has a column
_LONGEST_NAME = 22  # characters; longer names are printed once and then stand as numbers
_LONGEST_LABEL = 16  # of a landmark that heads a column
_HUE_STEP, _WIDE_HUE_STEP = 2, 4  # bins of 15 degrees between printed hues


def neighbours_summary(measurement: Measurement, found: Neighbours) -> RenderableType:
    """Render the nearest curve files of a folder for a terminal."""
    table = number_table("", "mean ΔE_ITP", "95 % bounds", "floor")
    for one in found.nearest:
        distance = one.verdict.distance
        name = f"{one.device} {one.firmware}".strip()
        table.add_row(
            Text(f"{name}\n  {one.path}\n  {one.verdict.text}"),
            f"{distance.mean:.2f}",
            f"{distance.low:.2f} to {distance.high:.2f}",
            f"{distance.floor:.2f}",
        )
    lines: list[RenderableType] = [
        Text(found.sentence(measurement.device)),
        Text(f"\nNearest to {measurement.device} among {found.files} curve files", "bold blue"),
        Indented(table),
    ]
    lines += [Text(f"Not read: {sentence}", "yellow") for sentence in found.unusable]
    return Group(*lines)


def comparison_summary(comparison: Comparison) -> RenderableType:
    """Render a comparison for a terminal."""
    several = len(comparison.devices) > 1
    first = [Text(pair_sentence(one, comparison.devices)) for one in worth_saying(comparison)]
    parts: list[tuple[str, RenderableType]] = [
        ("Devices and displays", _displays(comparison)),
        ("Landmarks: capture code, light", _landmarks(comparison)),
    ]
    if several:
        minus = f"Luminance curve minus that of {comparison.devices[0]}"
        parts += [
            (minus, _differences(comparison)),
            ("Chroma by source hue: rotation, ratio", _hues(comparison)),
            ("Distances between the devices", _distances(comparison)),
            ("Verdicts", _verdicts(comparison)),
        ]
    parts += [(f"Series: {one.device}", _series(comparison, one)) for one in comparison.series]
    parts += [
        (f"Distance from {ranking.label}", _ranking(comparison, ranking))
        for ranking in comparison.rankings
    ]
    if not comparison.rankings:
        parts.append(("Nearest standard conversion", _nearest(comparison)))
    lines: list[RenderableType] = [*first]
    for title, part in parts:
        lines.append(Text(f"\n{title}", "bold blue"))
        lines.append(Indented(part))
    return Group(*lines)


def _keys(comparison: Comparison) -> list[str]:
    """Short names: the devices' own where they fit into a table, else their numbers."""
    names = list(comparison.devices)
    if max(map(len, names)) <= _LONGEST_NAME:
        return names
    return [f"[{number}]" for number in range(1, len(names) + 1)]


def _displays(comparison: Comparison) -> RenderableType:
    keys, devices = _keys(comparison), comparison.devices
    rows: list[tuple[str, RenderableType]] = []
    if keys != list(devices):
        rows += [(key, Text(device)) for key, device in zip(keys, devices, strict=True)]
    shown: dict[str, list[str]] = {}
    for key, signal in zip(keys, comparison.displays, strict=True):
        shown.setdefault(display_of(signal), []).append(key)
    for display, those in shown.items():
        who = "all" if len(shown) == 1 < len(keys) else ", ".join(those)
        rows.append(("output light", Text(f"{who}: that of a {display}")))
    return labelled(rows)


def _by_device(comparison: Comparison, rows: dict[str, list[str]]) -> Table:
    """Lay out one value for each device and row, with a column a device while they are few."""
    keys = _keys(comparison)
    if len(keys) <= _WIDEST_COLUMNS:
        table = number_table("", *keys)
        for label, cells in rows.items():
            table.add_row(Text(label), *map(Text, cells))
        return table
    table = number_table("", *rows)
    for key, *cells in zip(keys, *rows.values(), strict=True):
        table.add_row(Text(key), *map(Text, cells))
    return table


def _landmarks(comparison: Comparison) -> RenderableType:
    labels = {mark.id: mark.label for marks in comparison.landmarks for mark in marks.values()}
    if len(comparison.devices) > _WIDEST_COLUMNS:
        levels = [
            [marks[name].code if name in marks else None for marks in comparison.landmarks]
            for name in labels
        ]
        codes = {
            label: [NONE if code is None else f"{code:.1f}" for code in codes]
            for label, codes in zip(labels.values(), levels, strict=True)
            if any(code is not None for code in codes) and len(label) <= _LONGEST_LABEL
        }
        return Group(_by_device(comparison, codes), Text("capture codes", "dim"))
    rows = {}
    for name, label in labels.items():
        cells = []
        for marks in comparison.landmarks:
            code, output = landed(marks[name]) if name in marks else (NONE, "")
            cells.append(code if code == output else ", ".join(filter(None, (code, output))))
        rows[label] = cells
    return _by_device(comparison, rows)


def _differences(comparison: Comparison) -> RenderableType:
    levels = list(comparison.differences[0].at)
    table = number_table("", "RMS", "largest", "at", *(f"at {light(level)}" for level in levels))
    for key, difference in zip(_keys(comparison)[1:], comparison.differences, strict=True):
        bound = float(difference.bound.max())
        table.add_row(
            Text(key),
            f"{difference.rms:.2f}",
            f"{difference.largest:+.1f} ± {bound:.1f}",
            light(difference.largest_at),
            *(_signed(difference.at[level]) for level in levels),
        )
    return Group(table, Text("codes of a 10-bit narrow-range signal", "dim"))


def _signed(value: float | None) -> str:
    return NOT_REACHED if value is None else f"{value:+.1f}"


def _hues(comparison: Comparison) -> RenderableType:
    wide = len(comparison.devices) > _WIDEST_COLUMNS
    rows = {}
    for at in range(0, len(comparison.hues[0].hue), _WIDE_HUE_STEP if wide else _HUE_STEP):
        cells = []
        for one in comparison.hues:
            turned, gain = f"{one.rotation[at]:+.1f}", f"{one.ratio[at]:.3f}"
            if not wide:
                turned += f" ± {one.rotation_bound[at]:.1f}"
                gain += f" ± {one.ratio_bound[at]:.3f}"
            cells.append(f"{turned}°, {gain}" if np.isfinite(one.ratio[at]) else NONE)
        rows[f"{comparison.hues[0].hue[at]:.0f}°"] = cells
    return _by_device(comparison, rows)


def _distances(comparison: Comparison) -> RenderableType:
    size = len(comparison.devices)
    seen = "source colours" if comparison.basis == "colours" else "greys along the curves"
    note = Text(f"ΔE_ITP over {comparison.colours} {seen}; bounds of the mean, 95 % each", "dim")
    if size > _WIDEST_MATRIX:
        return Group(_extremes(comparison), note)
    keys = _keys(comparison)
    table = number_table("mean / p95 (floor)", *keys[:-1])
    for row in range(1, size):
        cells = [
            f"{comparison.distance_mean[row, column]:.2f} / "
            f"{comparison.distance_p95[row, column]:.2f} "
            f"({comparison.distance_floor[row, column]:.2f})\n"
            f"{comparison.distance_low[row, column]:.2f} to "
            f"{comparison.distance_high[row, column]:.2f}"
            for column in range(row)
        ]
        table.add_row(Text(keys[row]), *cells)
    return Group(table, note)


def _extremes(comparison: Comparison) -> Table:
    """For each of many devices the nearest other and the farthest."""
    table = number_table("", "nearest", "mean", "farthest", "mean")
    keys = _keys(comparison)
    for row, device in enumerate(keys):
        others = [at for at in range(len(keys)) if at != row]
        mean = comparison.distance_mean[row]
        ends = min(others, key=lambda at: mean[at]), max(others, key=lambda at: mean[at])
        cells = [cell for at in ends for cell in (keys[at], f"{mean[at]:.2f}")]
        table.add_row(Text(device), *map(Text, cells))
    return table


def _verdicts(comparison: Comparison) -> RenderableType:
    names = _keys(comparison)
    return labelled(
        (f"{names[one.first]} – {names[one.second]}", Text(one.text)) for one in comparison.verdicts
    )


def _series(comparison: Comparison, series: Series) -> RenderableType:
    rows = []
    for step in series.steps:
        changed = ", ".join(
            f"{key} {old or NONE} → {new or NONE}" for key, (old, new) in step.changed.items()
        )
        verdict = between(comparison.verdicts, step.before, step.after)
        moved = f"ΔE_ITP {verdict.distance.mean:.2f} (floor {verdict.distance.floor:.2f})"
        text = f"{moved}: {verdict.text}"
        if step.metadata:
            changed, text = "static metadata", f"{text}\n{step.metadata.text}"
        rows.append((changed or "nothing stated", Text(text)))
    return labelled(rows)


def _ranking(comparison: Comparison, ranking: Ranking) -> Table:
    table = number_table("", "mean ΔE_ITP", "95 % bounds", "p95", "floor", "colours")
    for at, distance in ranking.entries:
        table.add_row(
            Text(_keys(comparison)[at]),
            f"{distance.mean:.2f}",
            f"{distance.low:.2f} to {distance.high:.2f}",
            f"{distance.p95:.2f}",
            f"{distance.floor:.2f}",
            str(distance.count),
        )
    return table


def _nearest(comparison: Comparison) -> RenderableType:
    table = number_table("", "standard", "mean ΔE_ITP", "p95", "floor")
    for device, score in zip(_keys(comparison), comparison.best, strict=True):
        if score is None:
            table.add_row(Text(device), *[NONE] * 4)
        else:
            figures = (f"{value:.2f}" for value in (score.mean, score.p95, score.floor))
            table.add_row(Text(device), Text(score.label), *figures)
    return table
