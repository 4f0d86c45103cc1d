"""Corrections that were baked, and what proves them."""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING, Any

from tonelab.views.page.listing import flat
from tonelab.views.page.section import SECTIONS, template_of
from tonelab.views.page.table import json_file

if TYPE_CHECKING:
    from tonelab.views.page.section import PageData


@SECTIONS.register(
    "corrections",
    heading="Corrections, and how they hold",
    contents="Corrections",
    order=50,
    template=template_of(__package__),
)
def corrections(page: PageData) -> dict[str, Any] | None:
    """List the figures of every correction; None without any."""
    if not page.corrections:
        return None
    rows = [_correction(number, one) for number, one in enumerate(page.corrections, start=1)]
    return {"corrections": rows}


def _correction(number: int, one: dict[str, Any]) -> dict[str, Any]:
    name = str(one.get("name") or one.get("label") or one.get("path") or f"Correction {number}")
    shown = {key: item for key, item in one.items() if key not in {"name", "drawings", "data"}}
    drawn = one.get("drawings") or {}
    return {
        "name": name,
        "rows": list(flat(shown)),
        "coverage": {ground: _svg_uri(drawing) for ground, drawing in drawn.items()},
        "file": json_file(f"correction-{number}", one.get("data", one)),
    }


def _svg_uri(drawing: str) -> str:
    return "data:image/svg+xml;base64," + base64.b64encode(drawing.encode()).decode()
