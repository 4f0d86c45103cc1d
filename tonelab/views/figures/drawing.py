"""What all figures share: size and look, axes, floor lines, and how a figure is written."""

from __future__ import annotations

import io
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, NullLocator

from tonelab.errors import UsageError
from tonelab.outputs import check_output, whole_file
from tonelab.signal.transfer import eotf_inverse_pq
from tonelab.views.style import DARK, LIGHT, Style
from tonelab.views.words import display_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from matplotlib.axes import Axes

    from tonelab.results import Measurement
    from tonelab.signal.arrays import FloatArray

FORMATS = ("svg", "pdf", "png")
WIDTH = 7.2  # inches: a page of text with narrow margins
MARKS = ("o", "s", "^", "D", "v", "P")  # distinguish devices in addition to their colours

_LIGHT_TICKS = (0.01, 0.1, 1, 10, 26, 100, 203, 1000, 4000, 10000)
_PRINTED, _ON_SCREEN = 200, 100  # dots an inch of a PNG


def save_figure(figure: Figure, path: str | Path, *, overwrite: bool = False) -> None:
    """Write a figure as SVG, PDF or PNG by its suffix, whole or not at all.

    The same figure gives the same bytes.

    Raises
    ------
    UsageError
        When the suffix is another, the file exists, or the system refuses to write it.
    """
    path = Path(path)
    kind = path.suffix.lower().removeprefix(".")
    if kind not in FORMATS:
        raise UsageError(f"{path} cannot be drawn: end the name in .svg, .pdf or .png.")
    check_output(path, overwrite=overwrite)
    with whole_file(path) as temporary:
        temporary.write_bytes(_image(figure, kind, _PRINTED))


def png(figure: Figure) -> bytes:
    """Draw a figure as a PNG for a page or a notebook."""
    return _image(figure, "png", _ON_SCREEN)


def _image(figure: Figure, kind: str, dots: int) -> bytes:
    undated = {"svg": {"Date": None}, "pdf": {"CreationDate": None}, "png": {"Software": None}}
    image = io.BytesIO()
    with mpl.rc_context({"svg.hashsalt": "tonelab"}):
        figure.savefig(image, format=kind, metadata=undated[kind], dpi=dots)
    return image.getvalue()


@contextmanager
def drawing(size: tuple[float, float], dark: bool) -> Iterator[tuple[Figure, Style]]:
    """Give an empty figure of a size in inches, and the look that holds while it is drawn."""
    style = DARK if dark else LIGHT
    with mpl.rc_context(style.rc()):  # type: ignore[arg-type]
        yield Figure(figsize=size, layout="constrained"), style


def pq_code(luminance: FloatArray) -> FloatArray:
    """PQ codes, 10-bit narrow, of light in cd/m2, any shape; not rounded."""
    return 64 + 876 * eotf_inverse_pq(luminance)


def light_axis(axes: Axes, luminance: FloatArray) -> None:
    """Add source light on top of the PQ codes of ``luminance`` (N,), ascending, cd/m2."""
    top = axes.secondary_xaxis("top")
    ticks = [light for light in _LIGHT_TICKS if luminance[0] <= light <= luminance[-1]]
    top.xaxis.set_major_locator(FixedLocator([float(pq_code(np.array(t))) for t in ticks]))
    top.xaxis.set_minor_locator(NullLocator())
    top.set_xticklabels([f"{light:g}" for light in ticks])
    top.set_xlabel("source light, cd/m2")
    axes.tick_params(labelbottom=False)


def floor_lines(axes: Axes, floor: float, style: Style, label: str) -> None:
    """Draw the floor on both sides of zero, in codes."""
    for sign in (1, -1):
        text = f"floor: {label}, {floor:.2f} codes" if sign > 0 else None
        axes.axhline(sign * floor, color=style.floor, lw=1.0, ls=(0, (4, 2)), label=text)


def row_labels(axes: Axes, labels: Sequence[str]) -> None:
    """Name the rows of a chart, the first on top."""
    axes.set_yticks(range(len(labels)), labels)
    axes.set_ylim(len(labels) - 0.5, -0.5)
    axes.grid(visible=False, axis="y")
    axes.tick_params(axis="y", length=0)


def ramp(style: Style, count: int) -> list[tuple[float, ...]]:
    """Colours from dark to light for levels that have an order."""
    stops = np.array([mpl.colors.to_rgb(style.series[index]) for index in (0, 2, 4)])
    at = np.linspace(0, 1, max(count, 2))[:count]
    return [tuple(np.interp(part, (0, 0.5, 1), stop) for stop in stops.T) for part in at]


def named(measurement: Measurement) -> str:
    """Name a device with its firmware."""
    return f"{measurement.device} {measurement.firmware}".strip()


def assumed(measurement: Measurement) -> str:
    """Say which display the capture is read for."""
    return f"Capture read for a {display_of(measurement.capture.signal)}"


def title(figure: Figure, text: str) -> None:
    """Head a whole figure."""
    figure.suptitle(text, x=0.01, ha="left", fontsize=10, fontweight="bold")


def note(figure: Figure, text: str, style: Style) -> None:
    """Say below a figure how it is read."""
    figure.supxlabel(text, fontsize=7.5, color=style.muted, x=0.01, ha="left")
