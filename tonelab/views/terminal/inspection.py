"""What is known of one clip, as a terminal shows it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rich.text import Text

from tonelab.views.terminal.facts import labelled, reading
from tonelab.views.words import picture

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

    from tonelab.media.inspection import Inspection


def inspection_table(inspection: Inspection) -> Table:
    """Render what is known of one clip."""
    clip = inspection.facts
    rows: list[tuple[str, RenderableType]] = [
        ("clip", Text(clip.name, "bold")),
        ("picture", Text(picture(clip))),
        ("frames", Text(f"{clip.frames}, {inspection.duration:.2f} s")),
        ("read as", reading(clip)),
    ]
    if clip.mastering_peak is not None:
        black = "?" if clip.mastering_black is None else f"{clip.mastering_black:g}"
        rows.append(("mastering", Text(f"{black} to {clip.mastering_peak:g} cd/m2")))
    if clip.max_cll is not None or clip.max_fall is not None:
        levels = (clip.max_cll, clip.max_fall)
        cll, fall = ("not stated" if level is None else f"{level} cd/m2" for level in levels)
        rows.append(("content", Text(f"MaxCLL {cll}, MaxFALL {fall}")))
    if inspection.dynamic_metadata:
        rows.append(("dynamic", Text(f"metadata by {', '.join(inspection.dynamic_metadata)}")))
    rows.append((f"in {inspection.frames} frames", _codes(inspection)))
    rows += [(finding.severity, Text(finding.text)) for finding in inspection.findings]
    rows += [("note", Text(note)) for note in inspection.notes]
    return labelled([*rows, ("", Text(""))])


def _codes(inspection: Inspection) -> Text:
    """Codes in use, plane by plane."""
    lines = []
    for plane in inspection.planes:
        bits = "too few to determine the depth"
        if plane.effective_bits is not None:
            bits = f"{plane.effective_bits} bits carry something"
        span = f"{plane.name} {plane.low} to {plane.high}"
        lines.append(f"{span}, {plane.distinct} different codes, {bits}")
    return Text("\n".join(lines))
