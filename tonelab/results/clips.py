"""What is known of the clips of a pair, and how they were registered."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tonelab.described import described, result

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tonelab.signal.description import Signal


@result
class ClipFacts:
    """What is known of a clip."""

    name: str = described("File name")
    container: str = described("Container format")
    codec: str = described("Coding of the picture")
    width: int = described("Picture width", "px", low=1)
    height: int = described("Picture height", "px", low=1)
    rate: str = described("Frame rate as a fraction", "1/s")
    frames: int = described("Number of frames", "1", low=0)
    subsampling: str = described("Chroma subsampling")
    signal: Signal = described("How the code values are read")
    sha256: str = described("SHA-256 of the file", default="")
    planes_sha256: str = described(
        "SHA-256 of row fingerprints (NH) of the decoded planes used",
        note="See `tonelab.tallies.frames.Census`. In files of earlier versions it is of the "
        "planes themselves; the description in a file says which.",
        default="",
    )
    mastering_peak: float | None = described(
        "Peak of the mastering display", "cd/m2", absent="when not stated", low=0, default=None
    )
    mastering_black: float | None = described(
        "Black of the mastering display", "cd/m2", absent="when not stated", low=0, default=None
    )
    max_cll: int | None = described(
        "Maximum content light level", "cd/m2", absent="when not stated", low=0, default=None
    )
    max_fall: int | None = described(
        "Maximum frame-average light level",
        "cd/m2",
        absent="when not stated",
        low=0,
        default=None,
    )
    code_range: Mapping[str, tuple[int, int]] = described(
        "Smallest and largest code seen",
        "code",
        dims=("plane", "end"),
        low=0,
        default_factory=dict,
    )


@result
class PairingFacts:
    """How source and capture were registered.

    Capture pixel = scale * source pixel + offset, as (x, y).
    """

    method: str = described(
        "What the registration rests on",
        note="``chart`` when frame numbers were read in the picture.",
    )
    scale: tuple[float, float] = described(
        "Capture pixels per source pixel", "1", dims=("axis",), finite=True
    )
    offset: tuple[float, float] = described(
        "Capture position of the source's first pixel", "px", dims=("axis",), finite=True
    )
    residual: float = described(
        "RMS distance of the registration marks after the fit",
        "px",
        note="In pixels of the capture.",
        low=0,
    )
    first_frame: int = described("Source frame seen in the first usable capture frame", "1")
    used: int = described("Capture frames used", "1", low=0)
    left_out: Mapping[str, int] = described(
        "Capture frames left out, by reason", "1", dims=("reason",), low=0, default_factory=dict
    )
