"""From measurements to the text of the page."""

from __future__ import annotations

import base64
import hashlib
import re
from importlib.metadata import version
from importlib.resources import files
from typing import TYPE_CHECKING, Any, TypedDict

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from tonelab.compare import compare, device_names
from tonelab.errors import UsageError
from tonelab.scores.hue import colour_shift
from tonelab.views.document import document, plain
from tonelab.views.page import provenance, tables, words
from tonelab.views.page.chart import COLOURS, MARKS, spec, svg
from tonelab.views.page.curves import (
    chroma_charts,
    difference_chart,
    gradient_chart,
    luminance_chart,
)
from tonelab.views.page.table import json_file
from tonelab.views.page.views import picture_views
from tonelab.views.pictures import DIFFERENCE_SCALE

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from tonelab.compare import Comparison
    from tonelab.results import Measurement
    from tonelab.scores.hue import ColourShift
    from tonelab.views.page.chart import Chart
    from tonelab.views.pictures import PictureSet

_PACKAGE = "tonelab.views.page"


class Content(TypedDict, total=False):
    """What a page may show beside the measurements, as in `render_page`."""

    title: str
    comparison: Comparison | None
    checks: Mapping[str, Any] | None
    corrections: Sequence[Any]
    pictures: Sequence[PictureSet]
    notes: str
    plan: Mapping[str, Any] | None
    left_out: Sequence[str]


def render_page(
    measurements: Sequence[Measurement],
    *,
    title: str = "",
    comparison: Comparison | None = None,
    checks: Mapping[str, Any] | None = None,
    corrections: Sequence[Any] = (),
    pictures: Sequence[PictureSet] = (),
    notes: str = "",
    plan: Mapping[str, Any] | None = None,
    left_out: Sequence[str] = (),
) -> str:
    """Render the report page.

    Parameters
    ----------
    measurements
        One for each device, in the order in which they are shown.
    title
        Of the page; by default it names the devices.
    comparison
        Of these measurements in this order; made here when there are two or more.
    checks
        Reports of checks (objects or JSON documents) by the name of what was checked.
    corrections
        Corrections that were made (objects or JSON documents). Of a document, ``drawings`` may hold
        SVG for ``light`` and ``dark`` grounds, of where it can be trusted, and ``data``
        what is to be downloaded in place of the document itself.
    pictures
        Crops from `tonelab.views.pictures.make_pictures` of the same measurements.
    notes
        The person's words on the whole.
    plan
        The bench plan, shown with the provenance.
    left_out
        Sentences on what was meant to be shown and is not, such as captures that failed.

    Returns
    -------
    str
        A whole HTML document that asks for nothing else. The same arguments give the same text.

    Raises
    ------
    UsageError
        When there is no measurement.
    """
    if not measurements:
        raise UsageError("A report needs a measurement: name a curve file.")
    names = device_names(measurements)
    comparison, reason = _comparison(measurements, comparison)
    charts = list(_charts(measurements, names))
    shifts = [colour_shift(one) for one in measurements]
    checked = {name: plain(report) for name, report in (checks or {}).items()}
    corrected = [plain(one) for one in corrections]
    absent = provenance.not_shown(
        measurements,
        names,
        no_comparison=reason,
        checks=checked,
        corrections=corrected,
        pictures=pictures,
    )
    style, script = _asset("page.css"), _asset("page.js")
    environment = Environment(
        loader=PackageLoader(_PACKAGE, ""),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["tight"] = tight
    return environment.get_template("page.html").render(
        title=title or _title(names, words.given(measurements)),
        kicker=words.kicker(measurements),
        version=version("tonelab"),
        notes=notes,
        style=style,
        script=script,
        policy=_policy(style, script),
        marks=MARKS,
        colours=COLOURS,
        head=words.HEAD,
        devices=list(map(_device, measurements, names, shifts)),
        dates=_dates(measurements),
        sources=list(dict.fromkeys(one.source.name for one in measurements)),
        summary=list(words.summary(measurements, names, shifts, comparison)),
        charts=[(chart, svg(chart)) for chart in charts],
        standards=_standards(charts),
        data={"charts": [spec(chart) for chart in charts], "marks": MARKS},
        numbers=[
            table
            for table in (
                tables.landmark_table(measurements, names),
                None if comparison is None else tables.distance_table(comparison),
                tables.verdict_table(comparison) if comparison and comparison.verdicts else None,
                tables.score_table(measurements, names),
            )
            if table is not None
        ],
        sets=picture_views(pictures, names),
        scale=[(value, "#{:02x}{:02x}{:02x}".format(*rgb)) for value, rgb in DIFFERENCE_SCALE],
        checks=[_check(name, report) for name, report in checked.items()],
        corrections=[_correction(number, one) for number, one in enumerate(corrected, start=1)],
        plan=None if plan is None else json_file("bench-plan", plain(plan)),
        plan_rows=[] if plan is None else list(tables.flat(plain(plan))),
        absent=[*left_out, *absent],
    )


def tight(text: str) -> str:
    """Set a sentence for the page: numbers stay with their units, minus signs are minus signs."""
    text = text.replace("cd/m2", "cd/m²")
    text = re.sub(r"(?<![\w.])-(?=\d)", "−", text)
    return re.sub(r"(?<=\d) (?=%|cd/m²|°)|(?<=[±×]) (?=\d)|(?<=\d) (?=±)", "\u00a0", text)


def _comparison(
    measurements: Sequence[Measurement], given: Comparison | None
) -> tuple[Comparison | None, str]:
    """Return the comparison, or None and the reason why there is none."""
    if given is not None:
        return given, ""
    if len(measurements) == 1:
        return None, "only one device was measured."
    try:
        return compare(measurements), ""
    except UsageError as error:
        return None, str(error)


def _charts(measurements: Sequence[Measurement], names: Sequence[str]) -> Iterator[Chart]:
    yield luminance_chart(measurements, names)
    if len(measurements) > 1:
        yield difference_chart(measurements, names)
    yield from chroma_charts(measurements, names)
    yield gradient_chart(measurements, names)


def _standards(charts: Sequence[Chart]) -> list[tuple[str, str]]:
    """Key and name of the standard conversions that can be switched on."""
    return [(one.key, one.name) for one in charts[0].views[0].series if one.index is None]


def _device(measurement: Measurement, name: str, shift: ColourShift | None) -> dict[str, Any]:
    return {
        "name": name,
        "cells": words.answer_row(measurement, shift),
        "findings": list(tables.finding_rows(measurement.findings)),
        "facts": list(provenance.facts(measurement)),
        "file": json_file(f"{_file_name(name)}-measurement", document(measurement)),
    }


def _check(name: str, report: dict[str, Any]) -> dict[str, Any]:
    """Lay out a report of checks: by verdict, and what is to be heeded apart from what is kept."""
    results = report.get("checks") or report.get("results") or ()
    found = [*(report.get("registration") or ()), *(report.get("findings") or ())]
    for one in results:
        found += one.get("findings") or ()
    kept = [one for one in found if one.get("verdict") == "transparent"]
    titles = {
        verdict: [
            str(one.get("title") or one["name"]) for one in results if one["verdict"] == verdict
        ]
        for verdict in ("not transparent", "cannot tell", "transparent")
    }
    return {
        "name": name,
        "titles": titles if any(titles.values()) else None,
        "findings": list(tables.finding_rows([one for one in found if one not in kept])),
        "kept": list(tables.finding_rows(kept)),
        "file": json_file(f"{_file_name(name)}-check", report),
    }


def _correction(number: int, one: dict[str, Any]) -> dict[str, Any]:
    name = str(one.get("name") or one.get("label") or one.get("path") or f"Correction {number}")
    shown = {key: item for key, item in one.items() if key not in {"name", "drawings", "data"}}
    drawn = one.get("drawings") or {}
    return {
        "name": name,
        "rows": list(tables.flat(shown)),
        "coverage": {ground: _svg_uri(drawing) for ground, drawing in drawn.items()},
        "file": json_file(f"correction-{number}", one.get("data", one)),
    }


def _svg_uri(drawing: str) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(drawing.encode()).decode()


def _title(names: Sequence[str], kind: str) -> str:
    *most, last = names
    who = f"{', '.join(most)} and {last} make" if most else f"{last} makes"
    return f"What {who} of {kind}"


def _dates(measurements: Sequence[Measurement]) -> str:
    days = sorted({str(one.provenance.get("time", ""))[:10] for one in measurements} - {""})
    if not days:
        return "on an unknown day"
    return f"on {days[0]}" if len(days) == 1 else f"from {days[0]} to {days[-1]}"


def _file_name(name: str) -> str:
    """Reduce a name to what every file system takes."""
    kept = "".join(letter if letter.isalnum() else "-" for letter in name.lower())
    return "-".join(filter(None, kept.split("-"))) or "device"


def _asset(name: str) -> Markup:
    return Markup(files(_PACKAGE).joinpath(name).read_text(encoding="utf-8"))  # noqa: S704 - ours


def _policy(style: str, script: str) -> str:
    """Content security policy: this very style and script, pictures in the page, nothing else."""

    def source(text: str) -> str:
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        return f"'sha256-{digest}'"

    return (
        f"default-src 'none'; style-src {source(style)}; script-src {source(script)}; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )
