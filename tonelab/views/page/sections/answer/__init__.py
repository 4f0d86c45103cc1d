"""What each device does, in words and in a table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tonelab.views.page.section import SECTIONS, template_of
from tonelab.views.page.sections.answer.words import HEAD, answer_row, summary
from tonelab.views.sentences import sentences

if TYPE_CHECKING:
    from tonelab.views.page.section import PageData


@SECTIONS.register(
    "answer",
    heading="The answer",
    contents="Answer",
    order=10,
    template=template_of(__package__),
)
def answer(page: PageData) -> dict[str, Any]:
    """Sum up in words, then one row for each device and one for each path that was checked."""
    rows = zip(page.names, page.measurements, page.shifts, strict=True)
    return {
        "short": _short(page),
        "head": HEAD,
        "devices": [{"name": name, "cells": answer_row(one, shift)} for name, one, shift in rows],
        "summary": list(summary(page.measurements, page.names, page.shifts, page.comparison)),
        "paths": [
            {"name": name, "titles": titles}
            for name, report in page.checks.items()
            if any((titles := _titles(report)).values())
        ],
    }


def _short(page: PageData) -> list[tuple[str, str]]:
    """Sentences, each parted after the device that it begins with."""
    found = sentences(page.names, page.measurements, page.comparison, page.shifts)
    parted = [
        (name, text.removeprefix(name)) for name, text in zip(page.names, found, strict=False)
    ]
    return [*parted, *(("", text) for text in found)]


def _titles(report: dict[str, Any]) -> dict[str, list[str]]:
    """Titles of the checks of a report by their verdict."""
    results = report.get("checks") or report.get("results") or ()
    return {
        verdict: [
            str(one.get("title") or one["name"]) for one in results if one["verdict"] == verdict
        ]
        for verdict in ("not transparent", "cannot tell", "transparent")
    }
