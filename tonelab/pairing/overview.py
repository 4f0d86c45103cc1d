"""What was seen of two clips of the same content, before any frame is matched."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tonelab.pairing.alignment import Coarse
    from tonelab.pairing.registration import Registration, Relation
    from tonelab.pairing.thumbnails import Area, Thumbnails


@dataclass(frozen=True, slots=True, eq=False)
class Overview:
    """What was seen of two clips: thumbnails of the part both show, and how they relate."""

    source: Thumbnails
    capture: Thumbnails
    relation: Relation
    registration: Registration
    areas: tuple[Area, Area]
    still: bool
    coarse: Coarse
