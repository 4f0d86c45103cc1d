"""A table of the page, and the same as a file to download."""

from __future__ import annotations

import base64
import csv
import io
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

_FORMULA = ("=", "+", "-", "@", "\t", "\r")


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell: its text, a smaller second line, and how far along a scale of 0..5 it is shaded."""

    text: str
    small: str = ""
    shade: int | None = None


@dataclass(frozen=True, slots=True)
class Download:
    """A file inside the page."""

    name: str
    label: str
    uri: str


@dataclass(frozen=True, slots=True)
class PageTable:
    """Rows under a head; the first cell of each row names it.

    ``file`` holds all figures, also those of which the table shows a selection.
    """

    title: str
    head: Sequence[str]
    rows: Sequence[Sequence[Cell | str]]
    note: str = ""
    file: Download | None = None


def csv_file(name: str, head: Sequence[str], rows: Sequence[Sequence[Any]]) -> Download:
    """Put rows into a comma-separated file; empty where there is no number."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([_inert(cell) for cell in head])
    for row in rows:
        writer.writerow([_inert(cell) for cell in row])
    return _download(f"{name}.csv", "CSV", "text/csv", text.getvalue())


def json_file(name: str, document: Any) -> Download:
    """Put a document of JSON values into a file."""
    text = json.dumps(
        document, ensure_ascii=False, allow_nan=False, separators=(",", ":"), default=str
    )
    return _download(f"{name}.json", "JSON", "application/json", text)


def _download(name: str, kind: str, media: str, text: str) -> Download:
    payload = text.encode()
    size = f"{len(payload) / 1000:.0f} kB" if len(payload) >= 1000 else f"{len(payload)} bytes"
    encoded = base64.b64encode(payload).decode()
    return Download(name, f"{kind}, {size}", f"data:{media};charset=utf-8;base64,{encoded}")


def _inert(cell: Any) -> Any:
    """Keep a spreadsheet from taking a name for a formula."""
    if isinstance(cell, float):
        return "" if cell != cell else f"{cell:.6g}"  # noqa: PLR0124 - NaN is not itself
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(_FORMULA) else cell
