"""Results as a terminal shows them, the verdict first."""

from __future__ import annotations

from functools import singledispatch
from typing import TYPE_CHECKING

from rich.pretty import Pretty

from tonelab.compare import Comparison
from tonelab.results import CheckReport, Measurement
from tonelab.views.terminal.checks import check_summary
from tonelab.views.terminal.comparison import comparison_summary
from tonelab.views.terminal.summary import summary

if TYPE_CHECKING:
    from rich.console import RenderableType


@singledispatch
def terminal(result: object) -> RenderableType:
    """Render a result for ``rich.print``, by its type."""
    return Pretty(result)


terminal.register(Measurement, summary)
terminal.register(CheckReport, check_summary)
terminal.register(Comparison, comparison_summary)
