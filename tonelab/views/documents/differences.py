"""What two captures differ in, as one JSON document.

The contract is `difference_schema` (JSON Schema, draft 2020-12).
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from tonelab.outputs import check_output, whole_file
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


def write_difference(
    found: CaptureDifference, path: str | Path, *, overwrite: bool = False
) -> None:
    """Write the document of a difference as a JSON file, whole or not at all.

    Raises
    ------
    UsageError
        When the file exists, or the system refuses to write it.
    """
    path = Path(path)
    check_output(path, overwrite=overwrite)
    text = json.dumps(difference_document(found), indent=1, allow_nan=False, ensure_ascii=False)
    with whole_file(path) as temporary:
        temporary.write_text(text + "\n", encoding="utf-8")


def difference_schema() -> dict[str, Any]:
    """Return the JSON Schema of `difference_document`."""
    return schema_of(
        CaptureDifference,
        "In what two captures of the same content differ",
        opening={"schema": DIFFERENCE_SCHEMA, "version": DIFFERENCE_VERSION},
    )
