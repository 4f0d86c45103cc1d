"""What two captures differ in, as a terminal shows it: the sentence first."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rich.console import Group
from rich.text import Text

from tonelab.views.terminal.facts import labelled, number_table
from tonelab.views.words import left_out, number, picture, unit_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from rich.console import RenderableType

    from tonelab.results import CaptureDifference


def difference_summary(found: CaptureDifference) -> RenderableType:
    """Render a difference for a terminal.

    Returns
    -------
    rich renderable
        For ``rich.print`` or a console's ``print``.
    """
    return Group(
        Text(found.sentence, "bold"),
        Text(""),
        labelled([*_facts(found)]),
        Text(""),
        *_tables(found),
    )


def _facts(found: CaptureDifference) -> Iterator[tuple[str, RenderableType]]:
    clips = [("A", found.first), ("B", found.second)]
    if found.source is not None:
        clips.append(("source", found.source))
    for name, clip in clips:
        yield name, Text.assemble((clip.name, "bold"), f"  {picture(clip)}")
    pairing = found.pairing
    missing = left_out(pairing)
    yield (
        "frames",
        Text(
            f"{found.compared} compared of {pairing.used} matched by {pairing.method}"
            f"{f'; left out: {missing}' if missing else ''}; B starts at frame "
            f"{found.offset_frames:g} of A"
        ),
    )
    yield (
        "place",
        Text(
            f"scale {pairing.scale[0]:.4g} x {pairing.scale[1]:.4g}, offset "
            f"{pairing.offset[0]:+.2f}, {pairing.offset[1]:+.2f} pixels"
        ),
    )
    yield "kind", Text("; ".join([found.kind, *found.names]))
    yield (
        "left",
        Text(
            f"{found.left:.2f} codes RMS of luma, {found.left_chroma:.2f} of chroma; rounding "
            f"alone gives {found.floor:.2f}"
        ),
    )
    for name, texts in (("where", found.where), ("cannot tell", found.open)):
        for text in texts:
            yield name, Text(text)


def _bounded(value: float, bound: float) -> str:
    return f"{value:.2f} ± {bound:.2g}" if math.isfinite(bound) else f"{value:.2f}"


def _tables(found: CaptureDifference) -> Iterator[RenderableType]:
    table = number_table("plane", "identical", "RMS codes", "largest", "samples")
    for one in found.planes:
        table.add_row(
            one.plane,
            f"{100 * one.identical:.2f} %",
            _bounded(one.rms, one.rms_bound),
            f"{one.largest:.0f}",
            f"{one.count:,}",
        )
    yield table
    if found.values:
        yield Text("")
        table = number_table("B against A", "value", "bound", "unit")
        for value in found.values:
            bound = f"± {value.bound:.2g}" if math.isfinite(value.bound) else ""
            table.add_row(value.name, number(value.value), bound, unit_of(value.unit).strip())
        yield table
    if found.nearness:
        yield Text("")
        table = number_table("to the source", "A", "B", "nearer")
        words = {"first": "A", "second": "B"}
        for near in found.nearness:
            table.add_row(
                near.sense,
                f"{near.first:.3g} ± {near.first_bound:.1g}",
                f"{near.second:.3g} ± {near.second_bound:.1g}",
                words.get(near.nearer, near.nearer),
            )
        yield table
