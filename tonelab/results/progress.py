"""How long work says how far it has come."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

# Of one stage: done, total.
Progress: TypeAlias = Callable[[int, int], None]
# Of work in stages: name of the stage, done, total.
StageProgress: TypeAlias = Callable[[str, int, int], None]
