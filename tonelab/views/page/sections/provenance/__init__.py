"""What the measurements rest on: clips, readings, registration, versions, the plan."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tonelab.views.document import document
from tonelab.views.page.listing import file_name, flat
from tonelab.views.page.section import SECTIONS, template_of
from tonelab.views.page.sections.provenance.facts import facts
from tonelab.views.page.table import json_file

if TYPE_CHECKING:
    from tonelab.views.page.section import PageData


@SECTIONS.register(
    "provenance",
    heading="Provenance",
    contents="Provenance",
    order=70,
    template=template_of(__package__),
)
def provenance(page: PageData) -> dict[str, Any]:
    """List the facts of every measurement, each with its whole document to download."""
    return {
        "devices": [
            {
                "name": name,
                "facts": list(facts(one)),
                "file": json_file(f"{file_name(name)}-measurement", document(one)),
            }
            for name, one in page.devices
        ],
        "plan": None if page.plan is None else json_file("bench-plan", page.plan),
        "plan_rows": [] if page.plan is None else list(flat(page.plan)),
    }
