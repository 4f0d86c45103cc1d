"""The test clip: its layout, its pictures, and reading it back from any picture of it."""

from tonelab.chart.files import (
    ChartReading,
    chart_metadata,
    chart_signal,
    find_chart,
    marks_channel,
    marks_plane,
    read_layout,
    write_chart,
)
from tonelab.chart.geometry import Geometry
from tonelab.chart.layout import LAYOUT_VERSION, Layout
from tonelab.chart.locate import locate
from tonelab.chart.marker import (
    Marker,
    marker_rows,
    marker_words,
    read_marker,
    read_marker_rows,
    read_uncovered,
)
from tonelab.chart.patches import COLOURED, Group, Patches, Surround
from tonelab.chart.render import render_planes
from tonelab.chart.windows import sample_windows

__all__ = [
    "COLOURED",
    "LAYOUT_VERSION",
    "ChartReading",
    "Geometry",
    "Group",
    "Layout",
    "Marker",
    "Patches",
    "Surround",
    "chart_metadata",
    "chart_signal",
    "find_chart",
    "locate",
    "marker_rows",
    "marker_words",
    "marks_channel",
    "marks_plane",
    "read_layout",
    "read_marker",
    "read_marker_rows",
    "read_uncovered",
    "render_planes",
    "sample_windows",
    "write_chart",
]
