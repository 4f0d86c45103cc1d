"""Frames of a clip for the kernels, and their fingerprint."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from tonelab.media import Clip, Frame
    from tonelab.tallies.tallies import IntArray


def digest(frame: Frame) -> IntArray:
    """SHA-256 of a frame's index and planes, as four integers that add across frames."""
    sha = hashlib.sha256(frame.index.to_bytes(8, "big"))
    for plane in frame.planes:
        sha.update(np.ascontiguousarray(plane, "<u2").data)
    return np.frombuffer(sha.digest(), ">i8").astype(np.int64)


def wanted(clip: Clip, frames: Sequence[int] | NDArray[np.int64]) -> Iterator[Frame]:
    """Yield the frames with the given ascending indices."""
    remaining = iter(map(int, frames))
    target = next(remaining)
    for frame in clip.frames(target, int(frames[-1]) + 1):
        if frame.index == target:
            yield frame
            following = next(remaining, None)
            if following is None:
                return
            target = following
