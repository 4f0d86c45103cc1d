"""The tables that co-registered pixels of a pair are summed into."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tonelab.signal.arrays import IntArray, Mask


@dataclass(frozen=True, slots=True, eq=False)
class PathTables:
    """Integer tables of co-registered pixels; all int64.

    Attributes
    ----------
    frames
        Pairs of frames that were read.
    joint
        (3, 1024, 1024): samples by plane, source code, capture code; one frame of each burst.
        Chroma only where both sides have samples in the same place, or the source is flat. Luma of
        scaled pictures, or moved by parts of a pixel, against the source's as the scaler makes it.
    facing
        Whether pixels of both sides face each other, if not to the fraction of a pixel.
    every_sample
        (3,): whether ``joint`` holds every sample of the plane.
    luma_gram
        (2, 51, 51): sums of products of the 49 source samples around each luma sample, a
        constant, and the capture sample; faint and strong neighbourhoods apart. Of scaled pictures
        both sides in sixteenths of codes, the source's as the scaler makes them. Samples near black
        are left out here and below.
    detail_gram
        (51, 51): the same of faint neighbourhoods of content under even chroma, 49 times less the
        mean of the 49 samples around each, on both sides. A conversion that bends light by its
        level, and by its colour, is straight there.
    chroma_gram
        (2, 2, 53, 53): the same for the 25 Cb and 25 Cr source samples around each chroma
        sample, a constant, and the captured Cb and Cr, by parity of row and column of the capture.
    chroma_ways
        (3, 11, 11): of 4:2:0 content that was scaled to 4:2:2, sums of products of chroma for each
        of `tonelab.pixels.chroma_ways.WAYS`, see `tonelab.pixels.chroma_ways.chroma_way_sums`.
    chroma_phases
        Parities (rows, columns) that differ: (2, 1) for 4:2:0 shown as 4:2:2.
    surround_gram
        (16, 6, 6): by luma of the source's block, sums of products over blocks of a constant, the
        source's Y', Cb and Cr, its luma around the block, and the capture's luma.
    resampled
        (K, 10, 10): where luma was resampled, sums of products for each of
        `tonelab.pixels.resampling.KERNELS`, see `tonelab.pixels.rescaled.scaling_sums`.
    resampled_chroma
        (K, 5, 5): the same of chroma, see `tonelab.pixels.rescaled.chroma_sums`.
    steady_frames, steady_count, steady_sum, steady_square, steady_square_of_sum
        (P,) each: of each neutral chart patch, frames of its burst, luma samples of one frame that
        were looked at, sums of codes, of squared codes, and over pixels of the squared sum over
        frames.
    lag_square, lag_count
        (9,): sum of squared changes of those samples after so many frames, and samples.
    still
        (1024, 4): of content without pages, flat places that have the same source luma code in
        two frames, by that code: places, and over them the sums of both capture codes, of both
        squared, and of their product.
    samples
        (N, 6): of content without pages, where source chroma is flat: the number of the burst, the
        source's Y', Cb and Cr, the captured Y', and how often they were met together.
    foretold
        (N, 11): of content that was scaled or moved by parts of a pixel, captured colours by cell
        of the colour that scaling foretells, see `tonelab.pixels.rescaled.colour_sums`.
    sites
        (N, 7): of content without pages, of chroma samples around which the source's are flat:
        the source's Y', Cb and Cr, the captured ones, and how often they were met together. Of
        scaled pictures, or moved by parts of a pixel, where all planes of the source are flat.
    same
        (3, 2, 2): by plane, and where the first side is flat or not: samples that face each
        other, and how many of them are identical.
    """

    frames: int
    joint: IntArray
    facing: bool
    every_sample: Mask
    luma_gram: IntArray
    detail_gram: IntArray
    chroma_gram: IntArray
    chroma_ways: IntArray
    chroma_phases: tuple[int, int]
    surround_gram: IntArray
    resampled: IntArray
    resampled_chroma: IntArray
    steady_frames: IntArray
    steady_count: IntArray
    steady_sum: IntArray
    steady_square: IntArray
    steady_square_of_sum: IntArray
    lag_square: IntArray
    lag_count: IntArray
    still: IntArray
    samples: IntArray
    foretold: IntArray
    sites: IntArray
    same: IntArray
