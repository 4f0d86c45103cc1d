"""The fields of a result with their descriptions and types: what every layout is derived from."""

from __future__ import annotations

import types
from collections.abc import Mapping
from dataclasses import MISSING, dataclass, fields, is_dataclass
from functools import cache
from typing import Any, Generic, Literal, TypeVar, Union, get_args, get_origin, get_type_hints

from tonelab.described import Description, description_of

T = TypeVar("T")

Kind = Literal[
    "record", "table", "groups", "mapping", "anything", "tallies", "array", "texts", "scalar"
]


class Array(Generic[T]):
    """Stands for an array of ``T`` (float, int or bool) in the types of fields."""


@dataclass(frozen=True, slots=True)
class ResultField:
    """One field of a result.

    Attributes
    ----------
    name
        Its name.
    hint
        Its type, resolved; arrays as `Array`.
    description
        What it was declared to hold.
    required
        Whether it has no default.
    """

    name: str
    hint: Any
    description: Description
    required: bool


@cache
def fields_of(cls: Any, /) -> Mapping[str, ResultField]:
    """Fields of a result by name, in the order of their declaration.

    Parameters
    ----------
    cls
        A class made by `tonelab.described.result`.

    Raises
    ------
    TypeError
        When a field was not declared by `tonelab.described.described`.
    """
    hints = get_type_hints(cls, localns=namespace())
    return {
        one.name: ResultField(
            one.name,
            hints[one.name],
            description_of(one),
            one.default is MISSING and one.default_factory is MISSING,
        )
        for one in fields(cls)
    }


@cache
def namespace() -> dict[str, Any]:
    """Return what annotations of results may name that their modules import for checking only.

    Returns
    -------
    dict
        Types by name, with `Array` for those of arrays.
    """
    from tonelab import results
    from tonelab.results import findings
    from tonelab.signal.description import Signal

    known = {name: getattr(results, name) for name in results.__all__}
    arrays = {"FloatArray": Array[float], "IntArray": Array[int], "Mask": Array[bool]}
    return {
        **known,
        **arrays,
        "Any": Any,
        "Mapping": Mapping,
        "PathVerdict": findings.PathVerdict,
        "Signal": Signal,
    }


@cache
def kind_of(hint: Any, /) -> Kind:
    """How a field of a type is laid out, whatever the layout.

    Returns
    -------
    str
        ``record`` for a dataclass, ``table`` for a tuple of any length of one type, ``groups`` for
        one of dataclasses with tallies, ``texts`` for one of text, ``mapping`` for names with
        values of one type, ``anything`` for names with any values, ``array``, ``tallies``, and
        ``scalar`` for a number, a truth value, a text, or a fixed number of numbers.
    """
    origin, args = get_origin(hint), get_args(hint)
    if hint is namespace()["Tallies"]:
        return "tallies"
    if is_dataclass(hint):
        return "record"
    if origin is Mapping:
        return "anything" if args[1] is Any else "mapping"
    if origin is Array:
        return "array"
    if origin is tuple and args[-1] is ...:
        if kind_of(args[0]) == "record":
            parts = (kind_of(field.hint) for field in fields_of(args[0]).values())
            return "groups" if "tallies" in parts else "table"
        return "texts" if args[0] is str else "table"
    return "scalar"


@cache
def bare(hint: Any, /) -> tuple[Any, bool]:
    """Take ``X`` and True from ``X | None``; text from a choice of words."""
    if get_origin(hint) in {Union, types.UnionType}:
        (base,) = (arg for arg in get_args(hint) if arg is not type(None))
        return bare(base)[0], True
    return (str if get_origin(hint) is Literal else hint), False


@cache
def choices(hint: Any, /) -> tuple[str, ...]:
    """Words that a text may be, in the order of its type; none where it may be any."""
    return get_args(hint) if get_origin(hint) is Literal else ()
