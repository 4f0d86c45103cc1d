"""Whether two clips hold the same samples, picture by picture: then nothing is left to search."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tonelab.pairing.thumbnails import Area, shrinker

if TYPE_CHECKING:
    from tonelab.media import Clip
    from tonelab.pairing.thumbnails import Thumbnails
    from tonelab.results.progress import Progress
    from tonelab.signal.arrays import IntArray, Planes

_COUNTED_EVERY = 12  # frames whose codes are counted


@dataclass(frozen=True, slots=True, eq=False)
class Identity:
    """Two clips whose decoded samples are the same throughout.

    Attributes
    ----------
    frames
        Frames of either.
    samples
        Samples of all planes that were compared.
    codes
        Shape (3, 2^bits): how often each code occurs, by plane, in every twelfth frame.
    thumbnails
        Of all frames over the whole picture, see `tonelab.pairing.thumbnails.thumbnails`.
    """

    frames: int
    samples: int
    codes: IntArray
    thumbnails: Thumbnails

    @property
    def still(self) -> bool:
        """Whether every picture is the same as the one before, as far as thumbnails show it."""
        return bool((self.thumbnails[1:] == self.thumbnails[:-1]).all())


def find_identity(source: Clip, capture: Clip, progress: Progress | None = None) -> Identity | None:
    """Compare two clips sample by sample, up to the first that differs.

    Both are decoded side by side, once, and a few frames are held at a time. Clips that differ
    mostly do so in their first frame.

    Parameters
    ----------
    source, capture
        The clips.
    progress
        Called with (frames compared, frames announced by the capture).

    Returns
    -------
    Identity or None
        None where any sample or the number of frames differs, or where codes of one size, depth
        and matrix are not the same light.

    Raises
    ------
    ClipError
        When a clip cannot be decoded.
    """
    if _stored(source) != _stored(capture):
        return None
    shrink = shrinker(Area(0, 0, source.width, source.height), (source.height, source.width))
    codes = np.zeros((3, 2**source.bits), np.int64)
    found: list[Thumbnails] = []
    samples = 0
    sides = [iter(clip.frames()) for clip in (source, capture)]
    with ThreadPoolExecutor(len(sides)) as threads:
        while True:
            shown, seen = threads.map(lambda side: next(side, None), sides)
            if shown is None and seen is None:
                break
            if shown is None or seen is None or not _same(shown.planes, seen.planes):
                return None
            if len(found) % _COUNTED_EVERY == 0:
                counts = [np.bincount(p.ravel(), minlength=codes.shape[1]) for p in shown.planes]
                codes += np.array(counts)
            found.append(shrink(shown.planes[0], source.bits))
            samples += sum(plane.size for plane in shown.planes)
            if progress is not None:
                progress(len(found), max(len(found), capture.frame_count))
    if not found:
        return None
    codes.flags.writeable = False
    return Identity(len(found), samples, codes, np.array(found))


def _stored(clip: Clip) -> tuple[object, ...]:
    """Return what must agree for samples to be comparable one by one."""
    rgb = clip.signal.matrix == "rgb"
    return clip.width, clip.height, clip.bits, clip.subsampling, clip.rate, rgb, clip.interlaced


def _same(one: Planes, other: Planes) -> bool:
    return all(np.array_equal(a, b) for a, b in zip(one, other, strict=True))
