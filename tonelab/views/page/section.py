"""A section of the page: one object that says where it stands, what it shows and how.

A section is added in one place, here or in a package of somebody else's:

>>> from tonelab.views.page import SECTIONS
>>> @SECTIONS.register(
...     "firmware", heading="Firmware", contents="Firmware", order=25,
...     template="<ul>{% for text in lines %}<li>{{ text }}</li>{% endfor %}</ul>",
... )
... def firmware(page):
...     return {"lines": [f"{name}: {one.firmware}" for name, one in page.devices]}
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import TYPE_CHECKING, Any, TypeAlias

from tonelab.registry import Registry

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tonelab.compare import Comparison
    from tonelab.results import Measurement
    from tonelab.scores.hue import ColourShift
    from tonelab.views.pictures import PictureSet


@dataclass(frozen=True, slots=True)
class PageData:
    """All that a page may show.

    Attributes
    ----------
    measurements, names, shifts
        One for each device, in the order of the page: its measurement, its name on the page, and
        what happens to its colours, None where that is not known.
    comparison
        Of these measurements in this order; None when there is none, for ``no_comparison``.
    no_comparison
        Why there is no comparison, as the end of a sentence; else empty.
    checks
        JSON documents of checks by the name of what was checked.
    corrections
        JSON documents of corrections and of their proofs.
    pictures
        Crops of these measurements.
    plan
        The bench plan as JSON values, or None.
    left_out
        Sentences on what was meant to be shown and is not.
    """

    measurements: Sequence[Measurement]
    names: Sequence[str]
    shifts: Sequence[ColourShift | None]
    comparison: Comparison | None
    no_comparison: str
    checks: Mapping[str, Any]
    corrections: Sequence[Any]
    pictures: Sequence[PictureSet]
    plan: Any
    left_out: Sequence[str]

    @property
    def devices(self) -> Iterator[tuple[str, Measurement]]:
        """Name and measurement of each device."""
        return zip(self.names, self.measurements, strict=True)


SectionFunction: TypeAlias = Callable[[PageData], Mapping[str, Any] | None]


@dataclass(frozen=True, slots=True)
class Section:
    """A section of the page.

    Attributes
    ----------
    name
        Of its element; addresses end in it.
    function
        Turns the data of the page into the variables of the template, or into None where the
        section does not apply. The variable ``script_data`` holds JSON values for the script.
    heading, contents
        Its heading, and its entry in the list of contents.
    order
        Sections stand in this order; the page's own have 10, 20, ... 80.
    template
        Jinja2 template of what follows the heading. Everything is escaped in it; it may import
        ``swatch``, ``download``, ``table`` and ``findings`` from ``macros.html`` and use the filter
        ``tight``.
    style, script
        What is added to the page's own style sheet and script.
    missing
        Sentences on what a reader may look for here and does not find, for the last section.
    """

    name: str
    function: SectionFunction
    heading: str
    contents: str
    order: float
    template: str
    style: str = ""
    script: str = ""
    missing: Callable[[PageData], Iterable[str]] = lambda _page: ()


SECTIONS: Registry[Section] = Registry("page section", "tonelab.page_sections", Section)


def ordered() -> list[Section]:
    """All sections as they stand on the page; of equal ones the first registered comes first."""
    return sorted(SECTIONS.values(), key=lambda one: one.order)


def template_of(package: str) -> str:
    """Read the template ``section.html`` that lies in the package of a section."""
    return files(package).joinpath("section.html").read_text(encoding="utf-8")
