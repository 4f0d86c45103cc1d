"""JSON Schema of the documents, derived from what the results declare.

Where a document names or groups a part otherwise than its result does, `MEMBERS` says so; the
documents themselves are laid out by the same table.
"""

from __future__ import annotations

from dataclasses import fields
from functools import cache
from typing import TYPE_CHECKING, Any, get_args, get_origin, get_type_hints

from tonelab.described import Description
from tonelab.results import (
    CheckReport,
    CheckResult,
    FurtherChart,
    IdentifiedConversion,
    Measurement,
    Score,
)
from tonelab.results.fields import bare, choices, fields_of, kind_of, namespace

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

# Class -> part -> where it stands in the document, None where it is left out. The parts that are
# named come first, in this order; then come the other fields under their own names.
MEMBERS: dict[type, Mapping[str, str | None]] = {
    Measurement: {"tallies": None},
    FurtherChart: {"tallies": None},
    IdentifiedConversion: {
        "family": "tone/family",
        "family_label": "tone/label",
        "parameters": "tone/parameters",
        "structure": None,
    },
    Score: {
        "standard": "standard",
        "label": "label",
        "mean": "delta_e_itp/mean",
        "median": "delta_e_itp/median",
        "p95": "delta_e_itp/p95",
        "p99": "delta_e_itp/p99",
        "max": "delta_e_itp/max",
        "floor": "delta_e_itp/floor",
        "ciede2000": "ciede2000/mean",
        "ciede2000_floor": "ciede2000/floor",
        "luminance_error": "luminance_error_percent",
    },
    CheckResult: {"name": "name", "title": "title", "verdict": "verdict"},
    CheckReport: {
        "source": "source",
        "capture": "capture",
        "loopback": "loopback",
        "pairing": "pairing",
        "pass_through": "pass_through",
        "results": "checks",
    },
}

_TYPES = {bool: "boolean", int: "integer", float: "number", str: "string"}


@cache
def members_of(cls: Any, /) -> Mapping[str, str]:
    """Parts of a result and where they stand in its document, in the order of the document."""
    moved = MEMBERS.get(cls, {})
    others = {one.name: one.name for one in fields(cls) if one.name not in moved}
    return {name: path for name, path in {**moved, **others}.items() if path is not None}


def nest(members: Iterable[tuple[str, Any]]) -> dict[str, Any]:
    """Turn values with paths such as ``"tone/label"`` into nested mappings."""
    whole: dict[str, Any] = {}
    for path, value in members:
        *parents, last = path.split("/")
        group = whole
        for parent in parents:
            group = group.setdefault(parent, {})
        group[last] = value
    return whole


def schema_of(
    cls: type,
    title: str,
    *,
    opening: Mapping[str, Any] | None = None,
    optional: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """Derive the JSON Schema (draft 2020-12) of the document of a result.

    Every member is required and none may be added, so that a schema says all that a document
    holds. Numbers that need not be finite may be null.

    Parameters
    ----------
    cls
        The class of the result.
    title
        What the document is.
    opening
        Members that open the document before those of the result, with the values they always
        have.
    optional
        Schemas of members that may follow.

    Returns
    -------
    dict
        Only dict, list, str, int, float and bool.

    Raises
    ------
    TypeError
        When a field of the class, or of one that it holds, is not described.
    """
    defs: dict[str, Any] = {}
    whole = _object(cls, defs)
    constants = {name: {"const": value} for name, value in (opening or {}).items()}
    whole["properties"] = {**constants, **whole["properties"], **(optional or {})}
    whole["required"] = [*constants, *whole["required"]]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": title,
        "$defs": dict(sorted(defs.items())),
        **whole,
    }


def _object(cls: type, defs: dict[str, Any]) -> dict[str, Any]:
    return _closed(nest((path, _part(cls, name, defs)) for name, path in members_of(cls).items()))


class _Part(dict[str, Any]):
    """Schema of a part, which `_closed` tells from a group of parts."""


def _closed(members: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": {
            name: dict(one) if isinstance(one, _Part) else _closed(one)
            for name, one in members.items()
        },
        "required": list(members),
        "additionalProperties": False,
    }


def _part(cls: type, name: str, defs: dict[str, Any]) -> _Part:
    """Return the schema of a field or a property of a class."""
    if name in fields_of(cls):
        field = fields_of(cls)[name]
        described = field.description
        return _Part(_type(field.hint, described, defs), description=_words(described))
    getter = getattr(cls, name).fget
    hint = get_type_hints(getter, localns=namespace())["return"]
    text = " ".join((getter.__doc__ or "").split())
    return _Part(_type(hint, Description(text), defs), description=text)


def _type(hint: Any, described: Description, defs: dict[str, Any]) -> dict[str, Any]:
    args = get_args(hint)
    match kind_of(hint):
        case "record":
            return _reference(hint, defs)
        case "table" | "groups" | "texts":
            return {**_list(_type(args[0], described, defs)), **_least(described)}
        case "mapping":
            items = _type(args[1], described, defs)
            return {"type": "object", "additionalProperties": items}
        case "anything":
            return {"type": "object", "additionalProperties": True}
        case "array":
            values = _type(args[0], described, defs)
            for _ in described.dims:
                values = _list(values)
            return values
        case "scalar":
            return _scalar(hint, described, defs)
        case kind:
            raise TypeError(f"A document cannot hold {kind}: leave it out in MEMBERS.")


def _scalar(hint: Any, described: Description, defs: dict[str, Any]) -> dict[str, Any]:
    if choices(hint):
        return {"enum": list(choices(hint))}
    base, optional = bare(hint)
    if kind_of(base) == "record":
        return {"anyOf": [_reference(base, defs), {"type": "null"}]}
    if get_origin(base) is tuple:
        row = get_args(base)
        items = _scalar(row[0], described, defs)
        return {**_list(items), "minItems": len(row), "maxItems": len(row)}
    limits = {"minimum": described.low, "maximum": described.high}
    held = {word: limit for word, limit in limits.items() if limit is not None}
    if optional or (base is float and not described.finite):
        return {"type": [_TYPES[base], "null"], **held}
    return {"type": _TYPES[base], **held}


def _reference(cls: type, defs: dict[str, Any]) -> dict[str, Any]:
    if cls.__name__ not in defs:
        defs[cls.__name__] = {}  # found by what the class itself holds
        text = (cls.__doc__ or "").partition("\n")[0]
        defs[cls.__name__] = {**_object(cls, defs), "description": text}
    return {"$ref": f"#/$defs/{cls.__name__}"}


def _list(items: dict[str, Any]) -> dict[str, Any]:
    return {"type": "array", "items": items}


def _least(described: Description) -> dict[str, Any]:
    return {"minItems": described.least} if described.least else {}


def _words(described: Description) -> str:
    """Text, unit and dimensions in one line."""
    shape = f"by {', '.join(described.dims)}" if described.dims else ""
    facts = ", ".join(filter(None, (described.unit_words, shape)))
    text = " ".join(described.sentence("null").split())
    return f"{text} ({facts})" if facts else text
