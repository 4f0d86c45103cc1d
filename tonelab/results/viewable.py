"""Results that show themselves, without knowing any view."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from tonelab.errors import UsageError
from tonelab.registry import VIEWS

if TYPE_CHECKING:
    from collections.abc import Iterator

_LONGEST = 32  # characters of a text in the short form of a result


class Viewable:
    """Something that notebooks and terminals show as more than its text."""

    __slots__ = ()

    def __init_subclass__(cls, **kwargs: Any) -> None:
        super().__init_subclass__(**kwargs)
        # A dataclass would else write out every number of every table.
        cls.__repr__ = Viewable.__repr__  # type: ignore[method-assign]

    def __repr__(self) -> str:
        """Return name and fields: short values as they are, of all others how many there are."""
        return f"{type(self).__name__}({', '.join(f'{n}={_brief(v)}' for n, v in _items(self))})"

    def __rich_repr__(self) -> Iterator[tuple[str, Any]]:
        yield from _items(self)

    def _repr_html_(self) -> Any:
        return VIEWS["html"](self)

    def __rich__(self) -> Any:
        """Render as the table that a command prints."""
        return VIEWS["terminal"](self)

    def plot(self) -> Any:
        """Draw the result.

        Returns
        -------
        matplotlib.figure.Figure

        Raises
        ------
        UsageError
            When there is no figure of a result of this kind.
        """
        return VIEWS["figure"](self)

    def to_arrays(self) -> dict[str, Any]:
        """Return all that it holds in columns.

        Returns
        -------
        dict of ndarray
            Arrays by field, in the units of the fields. Of a table ``TABLE`` the columns are named
            ``TABLE.COLUMN``, those of parts ``PART.FIELD``.
        """
        return dict(_columns(self, ""))

    def to_frame(self, table: str = "") -> Any:
        """Return one table as a data frame; pandas must be installed.

        Parameters
        ----------
        table
            What stands before the dot in the names of `to_arrays`; by default the arrays of the
            result itself.

        Returns
        -------
        pandas.DataFrame

        Raises
        ------
        UsageError
            When pandas is not installed, or there is no such table of columns of equal length.
        """
        try:
            import pandas as pd  # type: ignore[import-not-found,import-untyped,unused-ignore]
        except ImportError:
            raise UsageError("A data frame needs pandas: pip install pandas.") from None
        columns = self.to_arrays()
        start = f"{table}." if table else ""
        wanted = {
            name.removeprefix(start): values
            for name, values in columns.items()
            if name.startswith(start) and "." not in name.removeprefix(start) and values.ndim == 1
        }
        if len({len(values) for values in wanted.values()}) != 1:
            known = sorted({name.rpartition(".")[0] for name in columns} - {""})
            raise UsageError(
                f"{type(self).__name__} has no table {table!r}: name one of "
                f"{', '.join(known) or 'none; it holds none'}."
            )
        return pd.DataFrame(wanted)


def _items(result: Any) -> Iterator[tuple[str, Any]]:
    for one in fields(result):
        yield one.name, getattr(result, one.name)


def _brief(value: Any) -> str:
    if isinstance(value, np.ndarray):
        return f"<{' x '.join(map(str, value.shape))}>"
    if isinstance(value, str):
        return repr(value if len(value) <= _LONGEST else value[: _LONGEST - 1] + "…")
    if isinstance(value, bool | int | float) or value is None:
        return repr(value)
    if isinstance(value, Mapping | tuple | list):
        return f"<{len(value)}>"
    return type(value).__name__


def _columns(value: Any, name: str) -> Iterator[tuple[str, np.ndarray[Any, Any]]]:
    """Name and array of all columns in a result and its parts."""
    if isinstance(value, np.ndarray):
        yield name, value
    elif isinstance(value, tuple) and value and all(is_dataclass(one) for one in value):
        for one in fields(value[0]):
            column = [getattr(row, one.name) for row in value]
            if not all(isinstance(item, str | bool | int | float | None) for item in column):
                continue
            numbers = any(isinstance(item, float) for item in column)
            kept = [np.nan if item is None and numbers else item for item in column]
            yield f"{name}.{one.name}", np.array(kept)
    elif is_dataclass(value):
        for one in fields(value):
            at = f"{name}.{one.name}" if name else one.name
            yield from _columns(getattr(value, one.name), at)
