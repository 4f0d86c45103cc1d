"""Landmarks, distances between the devices, verdicts, and distances from the standards."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tonelab.views.page.section import SECTIONS, template_of
from tonelab.views.page.sections.numbers.tables import (
    distance_table,
    landmark_table,
    score_table,
    verdict_table,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tonelab.views.page.section import PageData
    from tonelab.views.page.table import PageTable


@SECTIONS.register(
    "numbers",
    heading="Numbers",
    contents="Numbers",
    order=30,
    template=template_of(__package__),
)
def numbers(page: PageData) -> dict[str, Any]:
    """Lay out the tables for which there are figures."""
    return {"numbers": list(_tables(page))}


def _tables(page: PageData) -> Iterator[PageTable]:
    yield landmark_table(page.measurements, page.names)
    if page.comparison is not None:
        yield distance_table(page.comparison)
        if page.comparison.verdicts:
            yield verdict_table(page.comparison)
    scores = score_table(page.measurements, page.names)
    if scores is not None:
        yield scores
