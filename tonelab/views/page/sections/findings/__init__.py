"""Findings about every measurement, and those of the checks of paths."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tonelab.views.page.listing import file_name, finding_rows
from tonelab.views.page.section import SECTIONS, template_of
from tonelab.views.page.table import json_file

if TYPE_CHECKING:
    from tonelab.views.page.section import PageData


@SECTIONS.register(
    "findings",
    heading="Findings",
    contents="Findings",
    order=60,
    template=template_of(__package__),
)
def findings(page: PageData) -> dict[str, Any]:
    """List what is to be heeded, and what a check found to be kept apart from it."""
    return {
        "devices": [
            {"name": name, "findings": list(finding_rows(one.findings))}
            for name, one in page.devices
        ],
        "checks": [_check(name, report) for name, report in page.checks.items()],
    }


def _check(name: str, report: dict[str, Any]) -> dict[str, Any]:
    found = [*(report.get("registration") or ()), *(report.get("findings") or ())]
    for one in report.get("checks") or report.get("results") or ():
        found += one.get("findings") or ()
    kept = [one for one in found if one.get("verdict") == "transparent"]
    return {
        "name": name,
        "findings": list(finding_rows([one for one in found if one not in kept])),
        "kept": list(finding_rows(kept)),
        "file": json_file(f"{file_name(name)}-check", report),
    }
