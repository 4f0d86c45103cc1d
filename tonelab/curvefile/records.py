"""Measurement <-> tree of named arrays, by the type of each field.

===========================  ==========================================================
type of a field              in the file
===========================  ==========================================================
number, truth value, text    a scalar dataset; None is NaN, or an empty text
array                        a dataset of the same shape
tuple of scalars             a one-dimensional dataset
dataclass                    a group, one member per field
tuple of dataclasses         a table: a group of columns, one dataset per field; or, where they hold
                             tallies, a group with a numbered group each, absent if there is none
mapping                      a table whose first column is ``key``
mapping to anything          a group; what is neither number, text nor array becomes JSON
===========================  ==========================================================
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, get_args, get_origin
from urllib.parse import unquote

import numpy as np

from tonelab import results
from tonelab.curvefile.schema import PLACES, RUN_ONLY, Column, columns, table_column
from tonelab.curvefile.tree import Leaf, MalformedError, Tree
from tonelab.results import Tallies
from tonelab.results.fields import bare, choices, fields_of, kind_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tonelab.signal.arrays import FloatArray

_CODES, _LIGHT = 2.0**17, 1e5  # beyond any code of 16 bits, and any light in cd/m2
_DTYPES: dict[type, type[np.generic]] = {bool: np.bool_, int: np.int64, float: np.float64}


def pack(measurement: results.Measurement) -> Tree:
    """Lay a measurement out as the tree of a curve file.

    Returns
    -------
    Tree
        Groups and datasets at their places (`PLACES`), each dataset with unit, description and
        dimension names. What belongs to the run only is marked so.

    Raises
    ------
    TypeError
        When the provenance or the structure of the conversion holds what is neither number, text,
        array, nor a list or mapping of such.
    """
    tree: dict[str, Any] = {}
    for name, node in pack_record(measurement, results.Measurement).items():
        *parents, last = PLACES.get(name, name).split("/")
        group = tree
        for parent in parents:
            group = group.setdefault(parent, {})
        group[last] = node
    provenance = tree["provenance"]
    for name in RUN_ONLY & provenance.keys():
        provenance[name] = _as_run_only(provenance[name])
    return tree


def unpack(tree: Tree) -> results.Measurement:
    """Read a measurement back from the tree of a curve file.

    Parameters
    ----------
    tree
        As `pack` makes it; units, descriptions and dimension names are not looked at, and fields
        with a default may be missing, as they are from files of older versions.

    Raises
    ------
    MalformedError
        When a part is missing, has another type or size than the schema says, or holds numbers
        that no measurement gives.
    """
    parts = {}
    for name, field in fields_of(results.Measurement).items():
        place = PLACES.get(name, name)
        if not field.required and place not in tree:
            continue
        node: Leaf | Tree = tree
        for step in place.split("/"):
            node = _member(node, step, "the file")
        parts[name] = _unpack(node, field.hint, place)
    measurement = results.Measurement(**parts)
    _check_sense(measurement)
    return measurement


def _check_sense(measurement: results.Measurement) -> None:
    """Refuse what no measurement gives, and what every reader of results relies on."""
    curve, chroma = measurement.luminance_curve, measurement.chroma_transfer
    codes, light = curve.source_code, curve.luminance
    held = {
        "curves/luminance/source_code": _within(codes, _CODES) and np.all(np.diff(codes) > 0),
        "curves/luminance/luminance": _within(light, _LIGHT)
        and np.all(np.diff(light, prepend=0) >= 0),
        "curves/luminance/smooth": _within(curve.smooth, _CODES),
        "curves/chroma/hue": _within(chroma.hue, 360.0) and np.all(np.diff(chroma.hue) > 0),
        "conversion/floor_codes_rms": 0 < measurement.conversion.floor_codes_rms < _CODES,
    }
    for place, sound in held.items():
        if not sound:
            raise MalformedError(f"{place} holds numbers that no measurement gives")


def _within(values: FloatArray, bound: float) -> bool:
    """Whether there are values, and all of them are numbers of up to this size."""
    return bool(len(values) and (np.abs(values) <= bound).all())


# Writing


def _pack(value: Any, hint: Any, column: Column) -> Leaf | Tree:
    match kind_of(hint):
        case "record":
            return pack_record(value, hint)
        case "tallies":
            return _pack_tallies(value)
        case "table":
            return _pack_table(value, get_args(hint)[0], column)
        case "groups":
            item = get_args(hint)[0]
            return {f"{n:02d}": pack_record(one, item) for n, one in enumerate(value, 2)}
        case "mapping":
            _, item = get_args(hint)
            keys = Leaf(_encode(list(value), str), "", "Name of the row", column.dims[:1])
            return {"key": keys, **_pack_table(list(value.values()), item, column)}
        case "anything":
            return {_escape(name): _pack_anything(item, name) for name, item in value.items()}
        case "array":
            dtype = _DTYPES[get_args(hint)[0]]
            return Leaf(np.asarray(value, dtype), *column)
        case "texts":
            return Leaf(_encode(value, str), *column)
        case _:
            row = _encode([value], hint)
            return Leaf(row.reshape(row.shape[1:]), *column)


def pack_record(value: Any, cls: type) -> dict[str, Leaf | Tree]:
    """Lay out a result as a group with a member for each field, as the table above says.

    Parameters
    ----------
    value
        An object of ``cls``.
    cls
        A class made by `tonelab.described.result`.
    """
    described = columns(cls)
    return {
        name: _pack(getattr(value, name), field.hint, described[name])
        for name, field in fields_of(cls).items()
        if kind_of(field.hint) != "groups" or getattr(value, name)
    }


def _pack_table(rows: Sequence[Any], item: Any, column: Column) -> dict[str, Leaf]:
    if kind_of(item) != "record":
        values = _encode(rows, item)
        return {"value": Leaf(values, column.unit, column.description, column.dims)}
    described = columns(item, rows=True)
    table = {}
    for name, field in fields_of(item).items():
        unit, description, dims = described[name]
        values = _encode([getattr(row, name) for row in rows], field.hint)
        table[name] = Leaf(values, unit, description, (*column.dims, *dims))
    return table


def _pack_tallies(tallies: Tallies) -> Tree:
    layout = Leaf(np.asarray(tallies.layout, np.int64), *columns(Tallies)["layout"])
    tables = {
        name: Leaf(np.asarray(table, np.int64), *table_column(name, table.ndim), bulky=True)
        for name, table in tallies.tables.items()
    }
    return {"layout": layout, "tables": tables}


def _pack_anything(value: Any, name: str) -> Leaf | Tree:
    if isinstance(value, Mapping):
        return {_escape(key): _pack_anything(item, key) for key, item in value.items()}
    description = name.replace("_", " ")
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, np.ndarray) and value.dtype.kind in "biuf":
        return Leaf(value, "", description, tuple(f"axis {axis}" for axis in range(value.ndim)))
    if isinstance(value, (bool, float)) or (isinstance(value, int) and abs(value) < 2**63):
        return Leaf(np.asarray(value), "", description)
    if isinstance(value, str):
        return Leaf(_encode([value], str).reshape(()), "", description)
    text = json.dumps(value, default=_as_list, ensure_ascii=False)
    return Leaf(_encode([text], str).reshape(()), "", description, coding="json")


def _as_list(value: Any) -> Any:
    if isinstance(value, (np.generic, np.ndarray)):
        return value.tolist()
    raise TypeError(f"A curve file cannot hold a {type(value).__name__}.")


def _as_run_only(node: Leaf | Tree) -> Leaf | Tree:
    if isinstance(node, Leaf):
        return replace(node, run_only=True)
    return {name: _as_run_only(member) for name, member in node.items()}


def _encode(values: Sequence[Any], hint: Any) -> NDArray[Any]:
    """Stack values of one type into an array with the rows first."""
    base, optional = bare(hint)
    if base is str:
        encoded = [_clean(value or "") for value in values]
        return np.array(encoded, f"S{max(map(len, encoded), default=0) or 1}")
    if get_origin(base) is tuple:
        first, *rest = get_args(base)
        if rest == [...]:
            return _encode([json.dumps(value, ensure_ascii=False) for value in values], str)
        return np.array(list(values), _DTYPES[first]).reshape(len(values), 1 + len(rest))
    if optional:
        return np.array([np.nan if value is None else value for value in values], np.float64)
    return np.array(list(values), _DTYPES[base])


def _clean(text: str) -> bytes:
    # A file name may hold bytes that are no text, and HDF5 ends a text at a zero byte.
    return text.replace("\0", "\\x00").encode("utf-8", "backslashreplace")


# Reading


def _unpack(node: Leaf | Tree, hint: Any, place: str) -> Any:
    match kind_of(hint):
        case "record":
            return _unpack_record(_group(node, place), hint, place)
        case "tallies":
            return _unpack_tallies(_group(node, place), place)
        case "table":
            return tuple(_unpack_table(_group(node, place), get_args(hint)[0], place))
        case "groups":
            item, group = get_args(hint)[0], _group(node, place)
            rows = ((name, _group(group[name], place)) for name in sorted(group))
            return tuple(_unpack_record(one, item, f"{place}/{name}") for name, one in rows)
        case "mapping":
            _, item = get_args(hint)
            group = _group(node, place)
            keys = _decode(_leaf(_member(group, "key", place), place), str, place)
            return dict(zip(keys, _unpack_table(group, item, place), strict=True))
        case "anything":
            return _unpack_anything(_group(node, place), place)
        case "array":
            dtype = _DTYPES[get_args(hint)[0]]
            return _numbers(_leaf(node, place), dtype, place)
        case "texts":
            return tuple(_decode(_leaf(node, place), str, place))
        case _:
            leaf = _leaf(node, place)
            return _decode(Leaf(leaf.values[None], coding=leaf.coding), hint, place)[0]


def _unpack_record(group: Tree, cls: type, place: str) -> Any:
    known = fields_of(cls)
    parts = {
        name: _unpack(group[name], known[name].hint, f"{place}/{name}")
        for name in _present(group, cls, place)
    }
    _check_sizes(group, cls, place)
    return cls(**parts)


def _unpack_table(group: Tree, item: Any, place: str) -> list[Any]:
    if kind_of(item) != "record":
        return _decode(_leaf(_member(group, "value", place), place), item, place)
    known = fields_of(item)
    names = _present(group, item, place)
    values = [_decode(_leaf(group[name], place), known[name].hint, place) for name in names]
    if len(set(map(len, values))) > 1:
        raise MalformedError(f"the columns of {place} differ in length")
    return [item(**dict(zip(names, row, strict=True))) for row in zip(*values, strict=True)]


def _unpack_tallies(group: Tree, place: str) -> Tallies:
    layout = _unpack(_member(group, "layout", place), int, f"{place}/layout")
    tables = _group(_member(group, "tables", place), f"{place}/tables")
    arrays = {
        name: _numbers(_leaf(node, place), np.int64, place, copy=False)
        for name, node in tables.items()
    }
    for array in arrays.values():
        array.flags.writeable = False
    return Tallies(layout, arrays)


def _unpack_anything(node: Leaf | Tree, place: str) -> Any:
    if not isinstance(node, Leaf):
        return {unquote(name): _unpack_anything(item, place) for name, item in node.items()}
    if node.values.dtype.kind == "S":
        text: str = node.values.item().decode()
        return json.loads(text) if node.coding == "json" else text
    return node.values if node.values.ndim else node.values.item()


def _decode(leaf: Leaf, hint: Any, place: str) -> list[Any]:
    """Turn an array with the rows first into a list of values of one type."""
    base, optional = bare(hint)
    values = leaf.values
    if values.ndim == 0:
        raise MalformedError(f"{place} is a single value")
    if base is str:
        if values.dtype.kind != "S" or values.ndim != 1:
            raise MalformedError(f"{place} is not text")
        empty, allowed = None if optional else "", choices(hint)
        texts = [value.decode() or empty for value in values.tolist()]
        if allowed and not set(allowed).issuperset(texts):
            wrong = next(text for text in texts if text not in allowed)
            raise MalformedError(f"{place} holds the unknown word {wrong!r}")
        return texts
    if get_origin(base) is tuple:
        if get_args(base)[-1] is ...:
            return [tuple(json.loads(text)) for text in _decode(leaf, str, place)]
        table = _numbers(leaf, _DTYPES[get_args(base)[0]], place)
        return [tuple(row) for row in table.tolist()]
    if optional:
        numbers = _numbers(leaf, np.float64, place).tolist()
        return [None if np.isnan(number) else base(number) for number in numbers]
    return list(_numbers(leaf, _DTYPES[base], place).tolist())


def _numbers(leaf: Leaf, dtype: Any, place: str, *, copy: bool = True) -> NDArray[Any]:
    if not np.can_cast(leaf.values.dtype, dtype, "same_kind"):
        raise MalformedError(f"{place} holds {leaf.values.dtype.name} in place of numbers")
    return leaf.values.astype(dtype, copy=copy)


def _present(group: Tree, cls: Any, place: str) -> list[str]:
    """Fields of a class that the group holds; absent ones must have a default."""
    names = []
    for name, field in fields_of(cls).items():
        if name in group:
            names.append(name)
        elif field.required:
            raise MalformedError(f"{place}/{name} is missing")
    return names


def _check_sizes(group: Tree, cls: type, place: str) -> None:
    """Arrays of one record that share a dimension share its length."""
    sizes: dict[str, int] = {}
    for name, column in columns(cls).items():
        node = group.get(name)
        if not isinstance(node, Leaf):
            continue
        if node.values.ndim != len(column.dims):
            raise MalformedError(f"{place}/{name} has {node.values.ndim} dimensions")
        for dim, size in zip(column.dims, node.values.shape, strict=True):
            if sizes.setdefault(dim, size) != size:
                raise MalformedError(f"{place}/{name} differs in length from its neighbours")


def _member(node: Leaf | Tree, name: str, place: str) -> Leaf | Tree:
    if isinstance(node, Leaf) or name not in node:
        raise MalformedError(f"{name} is missing from {place}")
    return node[name]


def _group(node: Leaf | Tree, place: str) -> Tree:
    if isinstance(node, Leaf):
        raise MalformedError(f"{place} is a dataset in place of a group")
    return node


def _leaf(node: Leaf | Tree, place: str) -> Leaf:
    if not isinstance(node, Leaf):
        raise MalformedError(f"{place} holds a group in place of a dataset")
    return node


def _escape(name: str) -> str:
    """Write a key as a member name: HDF5 separates by slashes and reserves the single dot."""
    return "%2E" if name == "." else name.replace("%", "%25").replace("/", "%2F")
