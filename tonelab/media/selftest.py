"""A start-up check that the decoders in use give the same codes each time."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from tonelab.media.clip import Clip


def decoder_is_deterministic(clip: Clip, frames: int = 4) -> bool:
    """Whether two readings of the first frames give identical planes.

    Threaded decoders were seen to return other samples from one reading to the next.

    Raises
    ------
    ClipError
        When the clip cannot be read.
    """
    first, second = clip.frames(0, frames), clip.frames(0, frames)
    return all(
        np.array_equal(a, b)
        for one, other in zip(first, second, strict=True)
        for a, b in zip(one.planes, other.planes, strict=True)
    )
