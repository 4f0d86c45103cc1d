"""The view of a result, found by its type."""

from __future__ import annotations

from functools import singledispatch
from typing import TYPE_CHECKING

from rich.pretty import Pretty

from tonelab.compare import Comparison
from tonelab.correction import Applying, Correction, Verification
from tonelab.media.inspection import Inspection
from tonelab.results import CaptureDifference, CheckReport, Measurement
from tonelab.tune import Tuning
from tonelab.views.terminal.checks import check_summary
from tonelab.views.terminal.comparison import comparison_summary
from tonelab.views.terminal.correction import (
    applying_summary,
    correction_summary,
    verification_summary,
)
from tonelab.views.terminal.differences import difference_summary
from tonelab.views.terminal.inspection import inspection_table
from tonelab.views.terminal.summary import summary
from tonelab.views.terminal.tuning import tuning_summary

if TYPE_CHECKING:
    from rich.console import RenderableType


@singledispatch
def terminal(result: object) -> RenderableType:
    """Render a result for ``rich.print``: as the table of its command, or by its fields."""
    return Pretty(result)


terminal.register(Measurement, summary)
terminal.register(CheckReport, check_summary)
terminal.register(CaptureDifference, difference_summary)
terminal.register(Comparison, comparison_summary)
terminal.register(Correction, correction_summary)
terminal.register(Verification, verification_summary)
terminal.register(Applying, applying_summary)
terminal.register(Tuning, tuning_summary)
terminal.register(Inspection, inspection_table)
