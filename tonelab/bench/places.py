"""On which line of a TOML text each key stands, which `tomllib` does not tell."""

from __future__ import annotations

import re
import tomllib
from typing import TYPE_CHECKING, Any, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Mapping

KeyPath: TypeAlias = "tuple[str | int, ...]"

# Strings, comments, brackets, and whatever is neither; a quote that nothing closes ends the match.
_TOKEN = re.compile(
    r"\"\"\"(?:\\.|[^\\])*?\"\"\"\"{0,2}|'''.*?''''{0,2}|\"(?:\\.|[^\"\\\n])*\"|'[^'\n]*'"
    r"|\#[^\n]*|[\[{(]|[\])}]|=|\n|[^\s\"'\#\[\]{}=]+|[^\S\n]+",
    re.DOTALL,
)


def lines(text: str) -> dict[KeyPath, int]:
    """Find tables and keys of a valid TOML text.

    Returns
    -------
    dict
        From the way to a key, such as ``("captures", 1, "role")``, to its line, counted from 1.
        What stands inside an inline table or an array has no entry of its own.
    """
    found: dict[KeyPath, int] = {}
    tables: dict[KeyPath, int] = {}
    current: KeyPath = ()
    for number, statement in _statements(text):
        if statement.startswith("[["):
            names = _names(statement)
            above = _numbered(names[:-1], tables)
            index = tables[*above, names[-1]] = tables.get((*above, names[-1]), -1) + 1
            found.setdefault((*above, names[-1]), number)
            current = (*above, names[-1], index)
        elif statement.startswith("["):
            current = _numbered(_names(statement), tables)
        else:
            found.setdefault((*current, *_names(f"{statement} = 0")), number)
            continue
        found.setdefault(current, number)
    return found


def line_of(place: KeyPath, found: Mapping[KeyPath, int]) -> int:
    """Line of a place, or of the nearest thing around it; 0 for the text as a whole."""
    while place and place not in found:
        place = place[:-1]
    return found.get(place, 0)


def _statements(text: str) -> list[tuple[int, str]]:
    """Headers of tables, and keys without their values, each with its line."""
    statements: list[tuple[int, str]] = []
    number, start, depth, words, valued = 1, 1, 0, "", False
    for match in _TOKEN.finditer(f"{text}\n"):
        piece = match[0]
        if piece == "\n" and depth == 0:
            if words.strip():
                statements.append((start, words.strip()))
            words, valued = "", False
        elif piece == "=" and depth == 0:
            valued = True
        elif not (valued or piece.startswith("#")):
            start = start if words.strip() else number
            words += piece
        if piece in {"[", "{", "]", "}"} and valued:
            depth += 1 if piece in {"[", "{"} else -1
        number += piece.count("\n")
    return statements


def _names(statement: str) -> list[str]:
    """Take the bare names from a header or a key, whatever their quotes."""
    names: list[str] = []
    value: Any = tomllib.loads(statement)
    while value:
        value = value[0] if isinstance(value, list) else value
        if not isinstance(value, dict) or not value:
            break
        name, value = next(iter(value.items()))
        names.append(name)
    return names


def _numbered(names: list[str], tables: Mapping[KeyPath, int]) -> KeyPath:
    """Say of which element of an array of tables a header speaks: the last one."""
    place: KeyPath = ()
    for name in names:
        place = (*place, name)
        if place in tables:
            place = (*place, tables[place])
    return place
