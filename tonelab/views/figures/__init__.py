"""Figures for print: curves, differences, chroma, scores and residuals, each with its floor.

The figures of one measurement are a register, which another package extends by an entry point of
the group ``tonelab.figures``:

>>> from tonelab.views.figures import FIGURES
>>> @FIGURES.register("histogram", label="capture codes")
... def histogram(measurement, *, dark=False): ...  # returns a matplotlib Figure

Names are loaded when they are first used: matplotlib is not needed to list the figures.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING, Any

from tonelab.registry import Registry

if TYPE_CHECKING:
    from collections.abc import Callable

    from matplotlib.figure import Figure

    from tonelab.results import Measurement
    from tonelab.views.figures.colour import chroma_figure as chroma_figure
    from tonelab.views.figures.colour import chroma_transfer_figure as chroma_transfer_figure
    from tonelab.views.figures.colour import hue_figure as hue_figure
    from tonelab.views.figures.curves import comparison_figure as comparison_figure
    from tonelab.views.figures.curves import curve_figure as curve_figure
    from tonelab.views.figures.curves import luminance_figure as luminance_figure
    from tonelab.views.figures.drawing import FORMATS as FORMATS
    from tonelab.views.figures.drawing import png as png
    from tonelab.views.figures.drawing import save_figure as save_figure
    from tonelab.views.figures.leftover import colour_residual_figure as colour_residual_figure
    from tonelab.views.figures.scores import distance_figure as distance_figure
    from tonelab.views.figures.scores import gradient_figure as gradient_figure
    from tonelab.views.figures.scores import residual_figure as residual_figure
    from tonelab.views.figures.scores import score_figure as score_figure
    from tonelab.views.figures.trust import trust_figure as trust_figure

_HOMES = {
    "FORMATS": "drawing",
    "chroma_figure": "colour",
    "chroma_transfer_figure": "colour",
    "colour_residual_figure": "leftover",
    "comparison_figure": "curves",
    "curve_figure": "curves",
    "distance_figure": "scores",
    "gradient_figure": "scores",
    "hue_figure": "colour",
    "luminance_figure": "curves",
    "png": "drawing",
    "residual_figure": "scores",
    "save_figure": "drawing",
    "score_figure": "scores",
    "trust_figure": "trust",
}

__all__ = ["FIGURES", "MeasurementFigure", *_HOMES]  # noqa: PLE0604


@dataclass(frozen=True, slots=True)
class MeasurementFigure:
    """A figure of one measurement.

    Attributes
    ----------
    name
        As the command, a run and the demo give it.
    function
        ``function(measurement, dark=False)`` returns a matplotlib figure, or raises a
        `TonelabError` where the measurement has nothing to draw.
    label
        What it shows, in a few words.
    """

    name: str
    function: Callable[..., Figure]
    label: str

    def __call__(self, measurement: Measurement, *, dark: bool = False) -> Figure:
        """Draw a measurement, on a dark ground if wanted."""
        return self.function(measurement, dark=dark)


FIGURES: Registry[MeasurementFigure] = Registry("figure", "tonelab.figures", MeasurementFigure)


def _own(name: str, function: str, text: str) -> None:
    """Register a figure of this package, whose module is imported when it is drawn."""

    @FIGURES.register(name, label=text)
    def draw(measurement: Measurement, *, dark: bool = False) -> Figure:
        """Draw it; its module, and matplotlib with it, are loaded now."""
        figure: Figure = __getattr__(function)(measurement, dark=dark)
        return figure


_own("luminance", "luminance_figure", "luminance transfer with its landmarks")
_own("chroma", "chroma_figure", "hue rotation and chroma ratio by source hue")
_own("conversion", "residual_figure", "what the identified conversion and its rivals leave")
_own("standards", "score_figure", "distance from the standard conversions")
_own("residual", "colour_residual_figure", "what is left of each colour")


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
    globals()[name] = value
    return value
