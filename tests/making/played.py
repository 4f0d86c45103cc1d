"""Pictures through a device that is a function of colours: 4:2:0 in, 4:2:2 out."""

from __future__ import annotations

import numpy as np


def played(frames, convert):
    """Yield what a device makes of 10-bit 4:2:0 planes, as planes of 4:2:2.

    ``convert`` takes codes (N, 3) to codes (N, 3). Of each picture only the pixels that differ from
    the one before are converted, and of these each colour once: the frames of a chart's page differ
    in little more than their counter.
    """
    before = picture = None
    for luma, *chroma in frames:
        cb, cr = (plane.repeat(2, axis=0).repeat(2, axis=1) for plane in chroma)
        key = luma.astype(np.uint32) << 20 | cb.astype(np.uint32) << 10 | cr
        new = np.ones(key.shape, bool) if before is None else key != before
        if picture is None:
            picture = np.empty((*key.shape, 3), np.uint16)
        if new.any():
            colours, where = np.unique(key[new], return_inverse=True)
            codes = np.stack([colours >> 20, colours >> 10 & 1023, colours & 1023], axis=-1)
            picture[new] = convert(codes.astype(np.int64))[where.reshape(-1)]
        before = key
        yield picture[..., 0].copy(), picture[:, ::2, 1].copy(), picture[:, ::2, 2].copy()
