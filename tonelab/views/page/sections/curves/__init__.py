"""Charts of luminance, differences, chroma and gradients, each with its table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tonelab.views.page.chart import spec, svg
from tonelab.views.page.section import SECTIONS, template_of
from tonelab.views.page.sections.curves.charts import (
    chroma_charts,
    difference_chart,
    gradient_chart,
    luminance_chart,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tonelab.views.page.chart import Chart
    from tonelab.views.page.section import PageData


@SECTIONS.register(
    "curves",
    heading="Curves",
    contents="Curves",
    order=20,
    template=template_of(__package__),
)
def curves(page: PageData) -> dict[str, Any]:
    """Draw every chart; the page's script draws the same ones again from their data."""
    charts = list(_charts(page))
    return {
        "names": page.names,
        "charts": [(chart, svg(chart)) for chart in charts],
        "standards": _standards(charts[0]),
        "script_data": {"charts": [spec(chart) for chart in charts]},
    }


def _charts(page: PageData) -> Iterator[Chart]:
    yield luminance_chart(page.measurements, page.names)
    if len(page.measurements) > 1:
        yield difference_chart(page.measurements, page.names)
    yield from chroma_charts(page.measurements, page.names)
    yield gradient_chart(page.measurements, page.names)


def _standards(luminance: Chart) -> list[tuple[str, str]]:
    """Key and name of the standard conversions that can be switched on."""
    return [(one.key, one.name) for one in luminance.views[0].series if one.index is None]
