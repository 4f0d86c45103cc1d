"""Jobs for processes that die over them; a module of its own, so that they can import it."""

from __future__ import annotations

import os
import signal

KILL = getattr(signal, "SIGKILL", signal.SIGTERM)


def square_or_die(number, folder):
    """Die over number 3, but only the first time that it is tried."""
    mark = folder / "died"
    if number == 3 and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), KILL)
    return number**2


def die(_number):
    os.kill(os.getpid(), KILL)
