"""What is counted of every frame, whatever it shows: its codes, and a hash of its planes."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import numpy as np

from tonelab.media.clip import chroma_size
from tonelab.tallies.kernels import add_rows

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tonelab.media import Clip
    from tonelab.signal.arrays import IntArray, Planes


class Census:
    """Histograms and hash of frames of a clip, added to strip by strip.

    The hash of a frame is the SHA-256 of its index and of a 64-bit fingerprint of each row of its
    planes, luma first. The fingerprint is NH, the hash inside UMAC (Black et al. 1999): two samples
    make a word of 32 bits, the earlier in its lower half; a pseudo-random key is added to each
    word modulo 2^32, and the products of neighbours are added modulo 2^64. Rows that differ by
    accident share one once in 2^32 cases; against forgery there is the SHA-256 of the file.

    Parameters
    ----------
    clip
        The clip that the frames are of.
    histogram
        Shape (3, 2^bits), to add to.
    digest
        Shape (4,), to add the hashes of frames to, as four integers modulo 2^64.
    """

    def __init__(self, clip: Clip, histogram: IntArray, digest: IntArray) -> None:
        self._histogram = histogram
        self._digest = digest
        self._keys = row_keys(clip.width)
        chroma = chroma_size(clip.width, clip.height, clip.subsampling)[0]
        self._rows = [np.zeros(rows, np.uint64) for rows in (clip.height, chroma, chroma)]

    def add(self, planes: Planes, tops: tuple[int, int, int] = (0, 0, 0)) -> None:
        """Add rows of a frame, three planes (rows, width); ``tops`` are the first row of each."""
        for channel, (plane, top) in enumerate(zip(planes, tops, strict=True)):
            rows = self._rows[channel][top : top + len(plane)]
            # Whole frames are views into the decoder's, whose rows may be padded or interleaved.
            whole = np.ascontiguousarray(plane)
            add_rows(whole, self._keys, self._histogram[channel], rows)

    def end(self, index: int) -> None:
        """Close the frame ``index``, all rows of which were added."""
        sha = hashlib.sha256(index.to_bytes(8, "big"))
        for rows in self._rows:
            sha.update(rows.astype("<u8", copy=False).data)
        self._digest += np.frombuffer(sha.digest(), ">i8").astype(np.int64)


def row_keys(width: int) -> NDArray[np.uint64]:
    """Return a pseudo-random key for every four samples of a row (SplitMix64, Steele et al.)."""
    key = np.arange(1, -(-width // 4) + 1, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    key = (key ^ key >> np.uint64(30)) * np.uint64(0xBF58476D1CE4E5B9)
    key = (key ^ key >> np.uint64(27)) * np.uint64(0x94D049BB133111EB)
    return key ^ key >> np.uint64(31)


def cuts(clip: Clip, frames: IntArray, chunk: int) -> list[int]:
    """Return positions at which to split ascending frames (N,) of a clip into chunks.

    They leave chunks of at least ``chunk`` frames that begin where reading does not have to decode
    what comes before.
    """
    edges = np.arange(0, len(frames), chunk)
    entries = clip.entries()
    if entries is not None:
        after = np.searchsorted(entries, frames[edges])
        edges = np.searchsorted(frames, np.append(entries, frames[-1] + 1)[after])
        edges[0] = 0
    return [*np.unique(edges[edges < len(frames)]).tolist(), len(frames)]
