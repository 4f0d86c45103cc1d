"""From measurements to the text of the page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from tonelab.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tonelab.compare import Comparison
    from tonelab.report.pictures import PictureSet
    from tonelab.results import Measurement


def render_page(
    measurements: Sequence[Measurement],
    *,
    title: str = "",
    comparison: Comparison | None = None,
    checks: Mapping[str, Any] | None = None,
    corrections: Sequence[Any] = (),
    pictures: Sequence[PictureSet] = (),
    notes: str = "",
    plan: Mapping[str, Any] | None = None,
    left_out: Sequence[str] = (),
) -> str:
    """Render the report page.

    Parameters
    ----------
    measurements
        One for each device, in the order in which they are shown.
    title
        Of the page; by default it names the devices.
    comparison
        Of these measurements in this order; made here when there are two or more.
    checks
        Reports of checks (objects or JSON documents) by the name of what was checked.
    corrections
        Corrections that were made (objects or JSON documents).
    pictures
        Crops from `tonelab.report.pictures.make_pictures` of the same measurements.
    notes
        The person's words on the whole.
    plan
        The bench plan, shown with the provenance.
    left_out
        Sentences on what was meant to be shown and is not, such as captures that failed.

    Returns
    -------
    str
        A whole HTML document that asks for nothing else.

    Raises
    ------
    UsageError
        When there is no measurement.
    """
    if not measurements:
        raise UsageError("A report needs a measurement: name a curve file.")
    environment = Environment(
        loader=PackageLoader("tonelab.report.page", ""), autoescape=True, undefined=StrictUndefined
    )
    named = title or "What " + ", ".join(one.device for one in measurements) + " make of HDR"
    return environment.get_template("page.html").render(
        title=named,
        measurements=measurements,
        comparison=comparison,
        checks=checks or {},
        corrections=corrections,
        pictures=pictures,
        notes=notes,
        plan=plan,
        left_out=left_out,
    )
