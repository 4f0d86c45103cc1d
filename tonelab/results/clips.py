"""What is known of the clips of a pair, and how they were registered."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tonelab.signal.description import Signal


@dataclass(frozen=True, slots=True)
class ClipFacts:
    """What is known of a clip.

    ``sha256`` is of the file; ``planes_sha256`` of row fingerprints of the planes used, see
    `tonelab.tallies.frames.Census` (files of earlier versions: of the planes themselves; the
    description in a file says which).
    """

    name: str
    container: str
    codec: str
    width: int
    height: int
    rate: str
    frames: int
    subsampling: str
    signal: Signal
    sha256: str = ""
    planes_sha256: str = ""
    mastering_peak: float | None = None
    mastering_black: float | None = None
    max_cll: int | None = None
    max_fall: int | None = None
    code_range: Mapping[str, tuple[int, int]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class PairingFacts:
    """How source and capture were registered.

    Attributes
    ----------
    method
        ``chart`` when frame numbers were read in the picture.
    scale, offset
        Capture pixel = scale * source pixel + offset, as (x, y), in pixels of the capture.
    residual
        RMS of the registration marks after the fit, capture pixels.
    first_frame
        Source frame number seen in the first usable capture frame.
    used, left_out
        Capture frames used, and counts of those left out by reason.
    """

    method: str
    scale: tuple[float, float]
    offset: tuple[float, float]
    residual: float
    first_frame: int
    used: int
    left_out: Mapping[str, int] = field(default_factory=dict)
