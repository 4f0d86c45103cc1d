"""Measure, identify and compare how playback devices turn HDR video into SDR.

The names below are loaded when they are first used, so that ``import tonelab`` costs nothing.

>>> import tonelab
>>> measurement = tonelab.measure("chart.mp4", "capture.mov", device="player A")
>>> tonelab.save(measurement, "player-a.h5")
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

from tonelab.registry import VIEWS

if TYPE_CHECKING:
    from tonelab.chart import Layout as Layout
    from tonelab.chart import write_chart as write_chart
    from tonelab.checks import check as check
    from tonelab.compare import compare as compare
    from tonelab.correction import apply as apply
    from tonelab.correction import apply_array as apply_array
    from tonelab.correction import correct as correct
    from tonelab.correction.verify import verify as verify
    from tonelab.curvefile import content_hash as content_hash
    from tonelab.curvefile import load as load
    from tonelab.curvefile import save as save
    from tonelab.differences import difference as difference
    from tonelab.errors import ChartError as ChartError
    from tonelab.errors import ClipError as ClipError
    from tonelab.errors import CurveFileError as CurveFileError
    from tonelab.errors import IdentificationError as IdentificationError
    from tonelab.errors import PairingError as PairingError
    from tonelab.errors import PlanError as PlanError
    from tonelab.errors import SignalError as SignalError
    from tonelab.errors import TonelabError as TonelabError
    from tonelab.errors import UsageError as UsageError
    from tonelab.errors import WorkerError as WorkerError
    from tonelab.identify import identify as identify
    from tonelab.measure import measure as measure
    from tonelab.media import open_clip as open_clip
    from tonelab.media import write_clip as write_clip
    from tonelab.pairing import pair as pair
    from tonelab.readings.curves import chroma_transfer as chroma_transfer
    from tonelab.readings.curves import luminance_curve as luminance_curve
    from tonelab.results import Measurement as Measurement
    from tonelab.scores.standards import score as score
    from tonelab.signal.description import Signal as Signal
    from tonelab.tallies import Tallies as Tallies
    from tonelab.tallies.run import tally as tally
    from tonelab.tune import tune as tune
    from tonelab.views.document import document as document
    from tonelab.views.page import write_page as write_page
    from tonelab.views.pictures import make_pictures as make_pictures
    from tonelab.views.terminal.summary import summary as summary

_ERRORS = (
    "ChartError", "ClipError", "CurveFileError", "IdentificationError", "PairingError", "PlanError",
    "SignalError", "TonelabError", "UsageError", "WorkerError",
)  # fmt: skip
_HOMES = {
    **dict.fromkeys(_ERRORS, "tonelab.errors"),
    "Layout": "tonelab.chart",
    "Measurement": "tonelab.results",
    "Signal": "tonelab.signal.description",
    "Tallies": "tonelab.tallies",
    "apply": "tonelab.correction",
    "apply_array": "tonelab.correction",
    "check": "tonelab.checks",
    "chroma_transfer": "tonelab.readings.curves",
    "compare": "tonelab.compare",
    "correct": "tonelab.correction",
    "content_hash": "tonelab.curvefile",
    "difference": "tonelab.differences",
    "document": "tonelab.views.document",
    "identify": "tonelab.identify",
    "load": "tonelab.curvefile",
    "luminance_curve": "tonelab.readings.curves",
    "make_pictures": "tonelab.views.pictures",
    "measure": "tonelab.measure",
    "open_clip": "tonelab.media",
    "pair": "tonelab.pairing",
    "save": "tonelab.curvefile",
    "score": "tonelab.scores.standards",
    "summary": "tonelab.views.terminal.summary",
    "tally": "tonelab.tallies.run",
    "tune": "tonelab.tune",
    "verify": "tonelab.correction",
    "write_chart": "tonelab.chart",
    "write_clip": "tonelab.media",
    "write_page": "tonelab.views.page",
}

__all__ = sorted(_HOMES)  # noqa: PLE0605


class _Package(ModuleType):
    """A package some of whose functions have the name of their module: the function stays."""

    def __setattr__(self, name: str, value: Any) -> None:
        if not (name in _HOMES and isinstance(value, ModuleType)):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package


def _html(result: Any) -> Any:
    from tonelab.views.notebook import html

    return html(result)


def _terminal(result: Any) -> Any:
    from tonelab.views.terminal.dispatch import terminal

    return terminal(result)


def _figure(result: Any) -> Any:
    from tonelab.views.figures.of import figure_of

    return figure_of(result)


VIEWS.update(html=_html, terminal=_terminal, figure=_figure)


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'tonelab' has no attribute {name!r}")
    value = getattr(import_module(_HOMES[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *_HOMES})
