"""What a registration gives: a source and a capture, matched frame by frame and pixel by pixel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tonelab.results import Viewable

if TYPE_CHECKING:
    from tonelab.chart import Geometry, Layout
    from tonelab.media import Clip
    from tonelab.pairing.identity import Identity
    from tonelab.results import Finding, PairingFacts
    from tonelab.signal.arrays import IntArray, Mask

BLOCK = 16  # source luma pixels a side of a block of `Pair.usable`


@dataclass(frozen=True, slots=True, eq=False)
class Pair(Viewable):
    """A source and a capture, registered in time and space.

    Attributes
    ----------
    source, capture
        The open clips.
    layout
        The chart that both show; None for any other content.
    geometry_source, geometry_capture
        Where the chart stands in their pictures. Without a chart a cell is a pixel of the source,
        so that the source's geometry is the identity.
    matches
        Shape (N, 2), int64, read-only: usable capture frames, ascending, and the source frames
        that they show.
    facts
        The registration in figures.
    findings
        What it shows of device and capture chain.
    usable
        Shape (ceil(height / 16), ceil(width / 16)) of the source, read-only: blocks of pixels
        that belong to the picture on both sides, clear of bars and overlays. None with a chart.
    shots
        Source frames with which a new shot starts, ascending, from 0. None with a chart.
    identity
        Where all samples of both clips are the same, what they were found to be; else None.
    still
        Whether nothing moves in the source, so that few frames show all there is to see.
    """

    source: Clip
    capture: Clip
    layout: Layout | None
    geometry_source: Geometry
    geometry_capture: Geometry
    matches: IntArray
    facts: PairingFacts
    findings: tuple[Finding, ...]
    usable: Mask | None = None
    shots: IntArray | None = None
    identity: Identity | None = None
    still: bool = False
