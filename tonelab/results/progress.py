"""The two kinds of functions that long work calls to say how far it is."""

from collections.abc import Callable
from typing import TypeAlias

# Called with (done, total), counted in whatever the function says.
Progress: TypeAlias = Callable[[int, int], None]

# Called with (stage, done, total): the name of the stage, and how far it is.
StageProgress: TypeAlias = Callable[[str, int, int], None]
