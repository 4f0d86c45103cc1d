"""How a run says how far each of its parts has come."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    from tonelab.results.progress import StageProgress

# Name of the capture or of another part of a plan, stage, done, total.
Watch: TypeAlias = Callable[[str, str, int, int], None]


def named(watch: Watch, name: str) -> StageProgress:
    """Report the stages of one part under its name."""

    def report(stage: str, done: int, total: int) -> None:
        watch(name, stage, done, total)

    return report
