"""From measurements to the text of the page."""

from __future__ import annotations

import base64
import hashlib
import re
from dataclasses import dataclass
from importlib.metadata import version
from importlib.resources import files
from typing import TYPE_CHECKING, Any, TypedDict

from jinja2 import Environment, PackageLoader, StrictUndefined, TemplateError
from markupsafe import Markup

from tonelab.compare import compare, device_names
from tonelab.errors import UsageError
from tonelab.scores.hue import colour_shift
from tonelab.views.document import plain
from tonelab.views.page import sections  # noqa: F401 - registers the page's own sections
from tonelab.views.page.chart import COLOURS, MARKS
from tonelab.views.page.header import dates, headline, kicker
from tonelab.views.page.section import PageData, ordered

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tonelab.compare import Comparison
    from tonelab.results import Measurement
    from tonelab.views.page.section import Section
    from tonelab.views.pictures import PictureSet

_PACKAGE = "tonelab.views.page"


class Content(TypedDict, total=False):
    """What a page may show with the measurements, as in `render_page`."""

    title: str
    comparison: Comparison | None
    checks: Mapping[str, Any] | None
    corrections: Sequence[Any]
    pictures: Sequence[PictureSet]
    notes: str
    plan: Mapping[str, Any] | None
    left_out: Sequence[str]


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
        Corrections that were made (objects or JSON documents). Of a document, ``drawings`` may hold
        SVG for ``light`` and ``dark`` grounds, of where it can be trusted, and ``data``
        what is to be downloaded in place of the document itself.
    pictures
        Crops from `tonelab.views.pictures.make_pictures` of the same measurements.
    notes
        The person's words on the whole.
    plan
        The bench plan, shown with the provenance.
    left_out
        Sentences on what was meant to be shown and is not, such as captures that failed.

    Returns
    -------
    str
        A whole HTML document that asks for nothing else. The same arguments give the same text.

    Raises
    ------
    UsageError
        When there is no measurement, or a section of another package cannot be rendered.
    """
    if not measurements:
        raise UsageError("A report needs a measurement: name a curve file.")
    comparison, reason = _comparison(measurements, comparison)
    page = PageData(
        measurements=measurements,
        names=device_names(measurements),
        shifts=[colour_shift(one) for one in measurements],
        comparison=comparison,
        no_comparison=reason,
        checks={name: plain(report) for name, report in (checks or {}).items()},
        corrections=[plain(one) for one in corrections],
        pictures=pictures,
        plan=None if plan is None else plain(plan),
        left_out=left_out,
    )
    environment = _environment()
    rendered = [_rendered(section, page, environment) for section in ordered()]
    style = _asset("page.css", *(one.section.style for one in rendered if one.applies))
    script = _asset("page.js", *(one.section.script for one in rendered if one.applies))
    data: dict[str, Any] = {"charts": [], "marks": MARKS}
    for one in rendered:
        data |= one.script_data
    return environment.get_template("page.html").render(
        title=title or headline(page.names, measurements),
        kicker=kicker(measurements),
        count=len(measurements),
        version=version("tonelab"),
        notes=notes,
        style=style,
        script=script,
        policy=_policy(style, script),
        dates=dates(measurements),
        sources=list(dict.fromkeys(one.source.name for one in measurements)),
        sections=rendered,
        data=data,
    )


def tight(text: str) -> str:
    """Set a sentence for the page: numbers stay with their units, minus signs are minus signs."""
    text = text.replace("cd/m2", "cd/m²")
    text = re.sub(r"(?<![\w.])-(?=\d)", "−", text)
    return re.sub(r"(?<=\d) (?=%|cd/m²|°)|(?<=[±×]) (?=\d)|(?<=\d) (?=±)", "\u00a0", text)


@dataclass(frozen=True, slots=True)
class _Rendered:
    """A section with its markup; without one it does not apply."""

    section: Section
    body: Markup
    applies: bool
    script_data: Mapping[str, Any]


def _rendered(section: Section, page: PageData, environment: Environment) -> _Rendered:
    content = section.function(page)
    if content is None:
        return _Rendered(section, Markup(), applies=False, script_data={})
    try:
        text = environment.from_string(section.template).render(content).rstrip("\n")
    except TemplateError as error:
        raise UsageError(
            f"The page section {section.name!r} cannot be rendered ({error}): mend its template."
        ) from error
    body = Markup(f"{text}\n" if text else "")  # noqa: S704 - of a template that escapes
    return _Rendered(section, body, applies=True, script_data=content.get("script_data", {}))


def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader(_PACKAGE, ""),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["tight"] = tight
    environment.globals |= {"marks": MARKS, "colours": COLOURS}
    return environment


def _comparison(
    measurements: Sequence[Measurement], given: Comparison | None
) -> tuple[Comparison | None, str]:
    """Return the comparison, or None and the reason why there is none."""
    if given is not None:
        return given, ""
    if len(measurements) == 1:
        return None, "only one device was measured."
    try:
        return compare(measurements), ""
    except UsageError as error:
        return None, str(error)


def _asset(name: str, *more: str) -> Markup:
    own = files(_PACKAGE).joinpath(name).read_text(encoding="utf-8")
    return Markup("".join([own, *more]))  # noqa: S704 - ours, or of an installed package


def _policy(style: str, script: str) -> str:
    """Content security policy: this very style and script, pictures in the page, nothing else."""

    def source(text: str) -> str:
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        return f"'sha256-{digest}'"

    return (
        f"default-src 'none'; style-src {source(style)}; script-src {source(script)}; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )
