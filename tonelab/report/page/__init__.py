"""The report page: one self-contained HTML file that shows what was measured, and on what it rests.

>>> from tonelab.report.page import write_page
>>> write_page("report.html", measurements, title="Three players")
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from tonelab.errors import UsageError
from tonelab.outputs import check_output, whole_file
from tonelab.report.page.render import render_page

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tonelab.compare import Comparison
    from tonelab.report.pictures import PictureSet
    from tonelab.results import Measurement

__all__ = ["render_page", "write_page"]


def write_page(
    path: str | Path,
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
    overwrite: bool = False,
) -> None:
    """Write the report page, whole or not at all.

    Parameters
    ----------
    path
        Where it goes, ``.html``.
    measurements, title, comparison, checks, corrections, pictures, notes, plan, left_out
        As in `render_page`.
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
    page = render_page(
        measurements,
        title=title,
        comparison=comparison,
        checks=checks,
        corrections=corrections,
        pictures=pictures,
        notes=notes,
        plan=plan,
        left_out=left_out,
    )
    with whole_file(path) as temporary:
        temporary.write_text(page, encoding="utf-8", newline="\n")
