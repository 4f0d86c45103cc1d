"""A measurement as one JSON document.

The contract is `document_schema` (JSON Schema, draft 2020-12), derived from the fields that the
results declare. ``schema`` and ``version`` open the document; members are only ever added within a
version. Units follow from the names, and the schema states them: ``code`` is in codes of the
clip's own bit depth, ``luminance`` and ``output`` in cd/m2, ``rotation`` in degrees,
``delta_e_itp`` as BT.2124. What is not a finite number is null.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from tonelab.outputs import check_output, whole_file
from tonelab.results import Measurement
from tonelab.views.schema import members_of, nest, schema_of
from tonelab.views.sentences import device_sentence

if TYPE_CHECKING:
    from collections.abc import Callable

DOCUMENT_SCHEMA = "tonelab.measurement"
DOCUMENT_VERSION = 1


def document(measurement: Measurement) -> dict[str, Any]:
    """Lay out a measurement, all but its tallies, as JSON values.

    Returns
    -------
    dict
        As `document_schema` says; only dict, list, str, int, float, bool and None.
    """
    return {
        "schema": DOCUMENT_SCHEMA,
        "version": DOCUMENT_VERSION,
        "sentence": device_sentence(measurement.device, measurement),
        **laid_out(measurement),
    }


def document_schema() -> dict[str, Any]:
    """Return the JSON Schema that every document satisfies."""
    return schema_of(
        Measurement,
        "A measured pair of HDR source and SDR capture",
        opening={"schema": DOCUMENT_SCHEMA, "version": DOCUMENT_VERSION},
        optional={"sentence": {"type": "string", "description": "What was found, in one sentence"}},
    )


def write_document(
    document: Mapping[str, Any], path: str | Path, *, overwrite: bool = False
) -> None:
    """Write JSON values as a file, whole or not at all.

    Raises
    ------
    UsageError
        When the file exists, or the system refuses to write it.
    """
    path = Path(path)
    check_output(path, overwrite=overwrite)
    text = json.dumps(document, indent=1, allow_nan=False, ensure_ascii=False)
    with whole_file(path) as temporary:
        temporary.write_text(text + "\n", encoding="utf-8")


def laid_out(value: Any) -> Any:
    """Turn results into JSON values as their documents name and group the parts.

    Returns
    -------
    dict, list, str, int, float, bool or None
        As `tonelab.views.schema.schema_of` describes for the class of ``value``.
    """
    if is_dataclass(value):
        cls: Any = type(value)
        members = members_of(cls)
        return nest((path, laid_out(getattr(value, name))) for name, path in members.items())
    return _values(value, laid_out)


def plain(value: Any) -> Any:
    """Turn results into JSON values: arrays into lists, what is not finite into None."""
    if is_dataclass(value):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    return _values(value, plain)


def _values(value: Any, convert: Callable[[Any], Any]) -> Any:
    """Turn what is no result into JSON values; ``convert`` turns what it holds."""
    if isinstance(value, Mapping):
        return {str(key): convert(item) for key, item in value.items()}
    if isinstance(value, (np.ndarray, np.generic)):
        return convert(value.tolist())
    if isinstance(value, (list, tuple)):
        return [convert(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
