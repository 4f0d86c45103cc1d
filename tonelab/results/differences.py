"""What two captures of the same content differ in."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, TypeAlias

from tonelab.described import SEE_UNIT, described, result
from tonelab.results.viewable import Viewable

if TYPE_CHECKING:
    from tonelab.results.clips import ClipFacts, PairingFacts

DifferenceKind: TypeAlias = Literal[
    "none", "levels", "colour", "chroma interpolation", "sharpness or scaling",
    "dither or noise", "real",
]  # fmt: skip


@result
class PlaneDifference:
    """How far one plane of two captures is apart."""

    plane: str = described("Y', Cb or Cr; R', G' or B' of such captures")
    count: int = described("Samples compared", "1", low=0)
    identical: float = described("Share of identical samples", "1", low=0, high=1)
    largest: float = described("Largest difference", "code")
    rms: float = described("RMS difference", "code", low=0)
    rms_bound: float = described("Half of its 95 % interval, from burst to burst", "code")


@result
class DifferenceValue:
    """One number that belongs to the kind of the difference."""

    name: str = described("What it is, of the second capture against the first")
    value: float = described("Value", SEE_UNIT)
    bound: float = described("Half of its 95 % interval, from burst to burst", SEE_UNIT)
    unit: str = described("Unit", default="")


@result
class Nearness:
    """How near both captures are to the clip that was played, in one sense."""

    sense: str = described("What is compared")
    unit: str = described("Unit")
    first: float = described("The first capture", SEE_UNIT)
    second: float = described("The second capture", SEE_UNIT)
    first_bound: float = described("Half of the first's 95 % interval", SEE_UNIT)
    second_bound: float = described("Half of the second's 95 % interval", SEE_UNIT)
    nearer: Literal["first", "second", "no difference shown"] = described(
        "Which is nearer", note="No difference is shown where the intervals overlap."
    )


@result
class CaptureDifference(Viewable):
    """Two captures held against each other; neither of them is the truth.

    All codes are 10-bit codes, also those of captures of other depths.
    """

    sentence: str = described("The answer in one sentence")
    kind: DifferenceKind = described(
        "Kind of the difference", note="Judged on bursts that it was not fitted on."
    )
    names: tuple[str, ...] = described(
        "What the kind is called where that can be told", dims=("name",)
    )
    first: ClipFacts = described("The first capture, A")
    second: ClipFacts = described("The second capture, B")
    source: ClipFacts | None = described("The clip that was played", absent="when not given")
    pairing: PairingFacts = described("How B is registered with A, which stands for the source")
    offset_frames: float = described("Frame of A that shows what frame 0 of B shows", "frame")
    compared: int = described("Frames compared pixel by pixel", "1", low=0)
    planes: tuple[PlaneDifference, ...] = described("By plane", dims=("plane",))
    values: tuple[DifferenceValue, ...] = described("Numbers of the kind", dims=("value",))
    left: float = described("RMS difference of luma that the kind does not explain", "code")
    left_chroma: float = described("The same of chroma", "code")
    floor: float = described("RMS difference that rounding both alone causes", "code")
    where: tuple[str, ...] = described(
        "Where the difference lies: place and luma", dims=("place",), default=()
    )
    nearness: tuple[Nearness, ...] = described(
        "Which is nearer to the source", dims=("sense",), default=()
    )
    open: tuple[str, ...] = described(
        "What cannot be told, with the capture that would decide", dims=("question",), default=()
    )
