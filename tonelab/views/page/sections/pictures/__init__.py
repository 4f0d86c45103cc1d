"""Crops of the source and of every capture, with maps of their differences."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tonelab.views.page.section import SECTIONS, template_of
from tonelab.views.page.sections.pictures.embedding import picture_views
from tonelab.views.pictures import DIFFERENCE_SCALE

if TYPE_CHECKING:
    from tonelab.views.page.section import PageData


@SECTIONS.register(
    "pictures",
    heading="Pictures",
    contents="Pictures",
    order=40,
    template=template_of(__package__),
)
def pictures(page: PageData) -> dict[str, Any] | None:
    """Embed the pictures; None without any."""
    if not page.pictures:
        return None
    return {
        "sets": picture_views(page.pictures, page.names),
        "scale": [(value, "#{:02x}{:02x}{:02x}".format(*rgb)) for value, rgb in DIFFERENCE_SCALE],
    }
