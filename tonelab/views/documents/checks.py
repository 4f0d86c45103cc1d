"""What the checks of a pair found, as one JSON document.

The contract is ``checks.schema.json`` beside this module (JSON Schema, draft 2020-12).
"""

from __future__ import annotations

import json
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tonelab.outputs import check_output, whole_file
from tonelab.views.document import plain

if TYPE_CHECKING:
    from tonelab.results import CheckReport

CHECKS_SCHEMA = "tonelab.checks"
CHECKS_VERSION = 1


def check_document(report: CheckReport) -> dict[str, Any]:
    """Lay out a report as JSON values.

    Returns
    -------
    dict
        As `check_schema` says.
    """
    return {
        "schema": CHECKS_SCHEMA,
        "version": CHECKS_VERSION,
        "source": plain(report.source),
        "capture": plain(report.capture),
        "loopback": plain(report.loopback),
        "pairing": plain(report.pairing),
        "pass_through": report.pass_through,
        "checks": [
            {
                "name": result.name,
                "title": result.title,
                "verdict": result.verdict,
                "findings": plain(result.findings),
            }
            for result in report.results
        ],
        "registration": plain(report.registration),
    }


def write_checks(report: CheckReport, path: str | Path, *, overwrite: bool = False) -> None:
    """Write the document of a report as a JSON file, whole or not at all.

    Raises
    ------
    UsageError
        When the file exists, or the system refuses to write it.
    """
    path = Path(path)
    check_output(path, overwrite=overwrite)
    text = json.dumps(check_document(report), indent=1, allow_nan=False, ensure_ascii=False)
    with whole_file(path) as temporary:
        temporary.write_text(text + "\n", encoding="utf-8")


def check_schema() -> dict[str, Any]:
    """Return the JSON Schema of `check_document`."""
    text = files(__package__).joinpath("checks.schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema
