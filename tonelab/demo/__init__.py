"""The invented scenario of ``tonelab demo``, importable as ``tonelab.demo.scenario`` and so on.

Its files stand in the folder ``demo`` of the repository, where they are easy to find and to read.
A wheel carries them as ``tonelab/_demo``; this module stands for whichever of the two is there.
"""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).parents[1]
_CARRIED, _CHECKOUT = _PACKAGE / "_demo", _PACKAGE.parent / "demo"

__path__ = [str(_CARRIED if _CARRIED.is_dir() else _CHECKOUT)]
