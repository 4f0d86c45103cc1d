"""What two captures differ in, as one JSON document.

The contract is `difference_schema` (JSON Schema, draft 2020-12).
"""

from __future__ import annotations

from typing import Any

from tonelab.results import CaptureDifference
from tonelab.views.document import laid_out
from tonelab.views.schema import schema_of

DIFFERENCE_SCHEMA = "tonelab.difference"
DIFFERENCE_VERSION = 1


def difference_document(found: CaptureDifference) -> dict[str, Any]:
    """Lay out a difference as JSON values.

    Returns
    -------
    dict
        As `difference_schema` says.
    """
    return {"schema": DIFFERENCE_SCHEMA, "version": DIFFERENCE_VERSION, **laid_out(found)}


def difference_schema() -> dict[str, Any]:
    """Return the JSON Schema of `difference_document`."""
    return schema_of(
        CaptureDifference,
        "In what two captures of the same content differ",
        opening={"schema": DIFFERENCE_SCHEMA, "version": DIFFERENCE_VERSION},
    )
