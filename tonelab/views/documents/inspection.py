"""What is known of one clip, as JSON values."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tonelab.views.document import plain

if TYPE_CHECKING:
    from tonelab.media.inspection import Inspection


def inspection_document(inspection: Inspection) -> dict[str, Any]:
    """Lay out an inspection as JSON values.

    Returns
    -------
    dict
        The facts of the clip, ``frames`` those it has, then planes, findings and notes;
        ``frames_seen`` are those whose codes were counted.
    """
    whole = plain(inspection)
    document = {**whole.pop("facts"), **whole, "frames_seen": inspection.frames}
    document["frames"] = inspection.facts.frames
    return document
