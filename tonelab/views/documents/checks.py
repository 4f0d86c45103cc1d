"""What the checks of a pair found, as one JSON document.

The contract is `check_schema` (JSON Schema, draft 2020-12).
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from tonelab.outputs import check_output, whole_file
from tonelab.results import CheckReport
from tonelab.views.document import laid_out
from tonelab.views.schema import schema_of

CHECKS_SCHEMA = "tonelab.checks"
CHECKS_VERSION = 1


def check_document(report: CheckReport) -> dict[str, Any]:
    """Lay out a report as JSON values.

    Returns
    -------
    dict
        As `check_schema` says.
    """
    return {"schema": CHECKS_SCHEMA, "version": CHECKS_VERSION, **laid_out(report)}


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
    job = {
        "type": "string",
        "description": "SHA-256 of what the findings follow from, when a bench plan asked for them",
    }
    return schema_of(
        CheckReport,
        "What the checks of a pair of source and capture found",
        opening={"schema": CHECKS_SCHEMA, "version": CHECKS_VERSION},
        optional={"job": job},
    )
