"""The page's own sections, a folder each: what it shows, how that is laid out, and its template."""

from tonelab.views.page.sections import (
    absent,
    answer,
    corrections,
    curves,
    findings,
    numbers,
    pictures,
    provenance,
)

__all__ = [
    "absent",
    "answer",
    "corrections",
    "curves",
    "findings",
    "numbers",
    "pictures",
    "provenance",
]
