"""Figures for print: curves, differences, chroma, scores and residuals, each with its floor."""

from tonelab.views.figures.colour import chroma_figure, chroma_transfer_figure, hue_figure
from tonelab.views.figures.curves import comparison_figure, curve_figure, luminance_figure
from tonelab.views.figures.drawing import FORMATS, png, save_figure
from tonelab.views.figures.leftover import colour_residual_figure
from tonelab.views.figures.scores import (
    distance_figure,
    gradient_figure,
    residual_figure,
    score_figure,
)
from tonelab.views.figures.trust import trust_figure

# Figures of one measurement by the name that the command, a run and the demo give them.
FIGURES = {
    "luminance": luminance_figure,
    "chroma": chroma_figure,
    "conversion": residual_figure,
    "standards": score_figure,
    "residual": colour_residual_figure,
}

__all__ = [
    "FIGURES",
    "FORMATS",
    "chroma_figure",
    "chroma_transfer_figure",
    "comparison_figure",
    "curve_figure",
    "distance_figure",
    "gradient_figure",
    "hue_figure",
    "luminance_figure",
    "png",
    "residual_figure",
    "save_figure",
    "score_figure",
    "trust_figure",
]
