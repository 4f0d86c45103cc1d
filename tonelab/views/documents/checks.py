"""What the checks of a pair found, as one JSON document.

The contract is `check_schema` (JSON Schema, draft 2020-12).
"""

from __future__ import annotations

from typing import Any

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
