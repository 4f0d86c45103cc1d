"""A measurement as one JSON document.

The contract is ``document.schema.json`` beside this module (JSON Schema, draft 2020-12).
``schema`` and ``version`` open the document; members are only ever added within a version. Units
follow from the names: ``code`` is in codes of the clip's own bit depth, ``luminance`` and
``output`` in cd/m2, ``rotation`` in degrees, ``delta_e_itp`` as BT.2124. What is not a finite
number is null.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from tonelab.results import IdentifiedConversion, Measurement, Score

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
        "device": measurement.device,
        "firmware": measurement.firmware,
        "settings": plain(measurement.settings),
        "notes": measurement.notes,
        "source": plain(measurement.source),
        "capture": plain(measurement.capture),
        "pairing": plain(measurement.pairing),
        "findings": plain(measurement.findings),
        "luminance_curve": plain(measurement.luminance_curve),
        "chroma_transfer": plain(measurement.chroma_transfer),
        "conversion": _conversion(measurement.conversion),
        "landmarks": plain(measurement.landmarks),
        "scores": [_score(score) for score in measurement.scores],
        "provenance": plain(measurement.provenance),
    }


def document_schema() -> dict[str, Any]:
    """Return the JSON Schema that every document satisfies."""
    text = files("tonelab.views").joinpath("document.schema.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def plain(value: Any) -> Any:
    """Turn results into JSON values: arrays into lists, what is not finite into None."""
    if is_dataclass(value):
        return {field.name: plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, (np.ndarray, np.generic)):
        return plain(value.tolist())
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def _conversion(conversion: IdentifiedConversion) -> dict[str, Any]:
    parts: dict[str, Any] = plain(conversion)
    del parts["structure"]
    tone = {
        "family": parts.pop("family"),
        "label": parts.pop("family_label"),
        "parameters": parts.pop("parameters"),
    }
    return {"tone": tone, **parts}


def _score(score: Score) -> dict[str, Any]:
    parts: dict[str, Any] = plain(score)
    figures = ("mean", "median", "p95", "p99", "max", "floor")
    return {
        "standard": parts["standard"],
        "label": parts["label"],
        "delta_e_itp": {name: parts[name] for name in figures},
        "ciede2000": {"mean": parts["ciede2000"], "floor": parts["ciede2000_floor"]},
        "luminance_error_percent": parts["luminance_error"],
        "codes_rms": parts["codes_rms"],
        "count": parts["count"],
        "display": parts["display"],
    }
