"""Results that show themselves, without knowing any view."""

from __future__ import annotations

from typing import Any

from tonelab.registry import VIEWS


class Viewable:
    """Something that notebooks and terminals show as more than its text."""

    __slots__ = ()

    def _repr_html_(self) -> Any:
        return VIEWS["html"](self)

    def __rich__(self) -> Any:
        """Render as the table that a command prints."""
        return VIEWS["terminal"](self)
