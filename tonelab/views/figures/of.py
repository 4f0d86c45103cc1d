"""The figure of a result, found by its type."""

from __future__ import annotations

from functools import singledispatch
from typing import TYPE_CHECKING

from tonelab.compare import Comparison
from tonelab.errors import UsageError
from tonelab.results import ChromaTransfer, LuminanceCurve, Measurement
from tonelab.views.figures import (
    chroma_transfer_figure,
    curve_figure,
    distance_figure,
    luminance_figure,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@singledispatch
def figure_of(result: object) -> Figure:
    """Draw a result.

    Raises
    ------
    UsageError
        When there is no figure of a result of this kind.
    """
    raise UsageError(f"There is no figure for {type(result).__name__}: print it, or its parts.")


@figure_of.register(Measurement)
def _measurement(one: Measurement) -> Figure:
    return luminance_figure(one)


@figure_of.register(LuminanceCurve)
def _curve(one: LuminanceCurve) -> Figure:
    return curve_figure(one)


@figure_of.register(ChromaTransfer)
def _chroma(one: ChromaTransfer) -> Figure:
    return chroma_transfer_figure(one)


@figure_of.register(Comparison)
def _comparison(one: Comparison) -> Figure:
    return distance_figure(one)
