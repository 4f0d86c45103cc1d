"""The report page: one self-contained HTML file that shows what was measured, and on what it rests.

>>> from tonelab.views.page import write_page
>>> write_page("report.html", measurements, title="Three players")
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from tonelab.errors import UsageError
from tonelab.outputs import check_output, whole_file
from tonelab.views.page.render import render_page
from tonelab.views.page.section import SECTIONS, PageData, Section

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import Unpack

    from tonelab.results import Measurement
    from tonelab.views.page.render import Content

__all__ = ["SECTIONS", "PageData", "Section", "render_page", "write_page"]


def write_page(
    path: str | Path,
    measurements: Sequence[Measurement],
    *,
    overwrite: bool = False,
    **content: Unpack[Content],
) -> None:
    """Write the report page, whole or not at all.

    Parameters
    ----------
    path
        Where it goes, ``.html``.
    measurements, content
        As in `render_page`: ``title``, ``comparison``, ``checks``, ``corrections``, ``pictures``,
        ``notes``, ``plan``, ``left_out``.
    overwrite
        Replace a file that is there.

    Raises
    ------
    UsageError
        When there is no measurement, the suffix is another, the file exists, or the system
        refuses to write it.
    """
    path = Path(path)
    if path.suffix.lower() not in {".html", ".htm"}:
        raise UsageError(f"{path} is no name for a page: end it in .html.")
    check_output(path, overwrite=overwrite)
    page = render_page(measurements, **content)
    with whole_file(path) as temporary:
        temporary.write_text(page, encoding="utf-8", newline="\n")
