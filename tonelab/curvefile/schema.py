"""Where each part of a measurement stands in a curve file, and what is written with it.

Units, descriptions and dimension names are those that the results themselves declare.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple

from tonelab.results.fields import bare, fields_of, kind_of
from tonelab.results.tallies import TABLES

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tonelab.results.fields import ResultField

SCHEMA_VERSION = 1

# Part of a measurement -> its path in the file, where that is not at the name of the field.
PLACES: dict[str, str] = {
    "device": "device/name",
    "firmware": "device/firmware",
    "settings": "device/settings",
    "notes": "device/notes",
    "luminance_curve": "curves/luminance",
    "chroma_transfer": "curves/chroma",
    "landmarks": "curves/landmarks",
}

# Provenance that belongs to the run and not to what was measured: no part of the content hash.
RUN_ONLY = frozenset({"time", "duration", "host", "processor", "platform", "system", "command"})


class Column(NamedTuple):
    """Unit, description and dimension names of one dataset.

    For a table the dimensions name its rows; the columns of the class that a row is need no
    dimension of their own.
    """

    unit: str
    description: str
    dims: tuple[str, ...] = ()


@cache
def columns(cls: Any, /, *, rows: bool = False) -> Mapping[str, Column]:
    """Return what is written with each field of a result.

    Parameters
    ----------
    cls
        A class of `tonelab.results`, or `Signal`.
    rows
        Whether its objects are rows of a table, which keeps a list of texts as JSON.
    """
    return {name: _column(field, rows=rows) for name, field in fields_of(cls).items()}


def table_column(name: str, dimensions: int) -> Column:
    """Return what is written with a table of tallies; one that is not declared names itself.

    Parameters
    ----------
    name
        Of the table.
    dimensions
        How many it has; those of a table that is not declared are numbered.
    """
    if name not in TABLES:
        dims = tuple(f"axis {axis}" for axis in range(dimensions))
        return Column("1", name.replace("_", " "), dims)
    known = TABLES[name]
    return Column(known.unit or "", known.text, known.dims)


def _column(field: ResultField, *, rows: bool) -> Column:
    known = field.description
    text = known.text
    if rows and kind_of(field.hint) == "texts":
        text = f"JSON list of {text[0].lower()}{text[1:]}"
    if known.absent:
        missing = "empty" if bare(field.hint)[0] is str else "NaN"
        text = f"{text}; {missing} {known.absent}"
    return Column(known.unit or "", text, known.dims)
