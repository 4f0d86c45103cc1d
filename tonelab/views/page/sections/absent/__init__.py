"""What a reader may look for and does not find, with the reason."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from tonelab.conversion.standards import STANDARDS
from tonelab.scores.gradients import gradient_steps
from tonelab.signal.transfer import eotf_pq
from tonelab.views.page.section import SECTIONS, ordered, template_of
from tonelab.views.words import NOT_REACHED, landed, light

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tonelab.results import Measurement
    from tonelab.views.page.section import PageData


@SECTIONS.register(
    "absent",
    heading="Not shown, and why",
    contents="Not shown",
    order=80,
    template=template_of(__package__),
)
def absent(page: PageData) -> dict[str, Any]:
    """List what was left out, what this page cannot show, and what other sections miss."""
    missing = [sentence for section in ordered() for sentence in section.missing(page)]
    return {"absent": [*page.left_out, *_not_given(page), *_not_measured(page), *missing]}


def _not_given(page: PageData) -> Iterator[str]:
    """Parts of the page for which nothing was given to it."""
    yield (
        "The light of a real display: only the signal was recorded, and light is computed for the "
        "display named with it."
    )
    if page.no_comparison:
        yield f"Differences and distances between the devices: {page.no_comparison}"
    if not page.pictures:
        yield "Pictures: no capture was given to this page, only measurements."
    for shown in page.pictures:
        missing = [name for name, one in zip(page.names, shown.shown, strict=True) if one is None]
        if missing:
            yield f"Pictures of {', '.join(missing)} at {shown.label}: there was no capture."
    if not page.checks:
        yield "Checks of the capture chain: none was given to this page."
    if not page.corrections:
        yield "Coverage of corrections: no correction was made."


def _not_measured(page: PageData) -> Iterator[str]:
    """Find what the captures do not show."""
    for name, one in page.devices:
        missing = [mark.label for mark in one.landmarks if landed(mark)[1] == NOT_REACHED]
        if missing:
            yield f"{name}: {', '.join(missing)}: the capture does not reach there."
    for name, one in page.devices:
        yield from _not_known(name, one)
    marked = {
        score.standard: score.label
        for one in page.measurements
        for score in one.scores
        if score.standard in STANDARDS and STANDARDS[score.standard].status != "published"
    }
    if marked:
        yield (
            f"Exact equations of {', '.join(marked.values())}: the documents leave some out, so "
            "what is shown is a reconstruction."
        )


def _not_known(name: str, measurement: Measurement) -> Iterator[str]:
    chroma = measurement.chroma_transfer
    empty = [
        light(float(eotf_pq(np.array((level - 64) / 876))))
        for column, level in enumerate(chroma.level)
        if not np.isfinite(chroma.ratio[:, column]).any()
    ]
    if empty:
        yield (
            f"{name}: chroma around source greys of {', '.join(empty)}: too few colours there "
            "that the capture does not clip."
        )
    if not gradient_steps(measurement):
        yield f"{name}: gradient steps: no two neighbouring grey codes were measured."
    if not measurement.scores:
        yield f"{name}: distance from the standard conversions: none was computed."
    fitted = {**measurement.conversion.parameters, **measurement.conversion.controls}
    unknown = [key.replace("_", " ") for key, one in fitted.items() if not one.identifiable]
    if unknown:
        yield f"{name}: {', '.join(unknown)}: not identifiable from this capture."
