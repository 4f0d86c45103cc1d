"""The conversion that a capture shows, with what it cannot tell."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from tonelab.results.viewable import Viewable

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class ParameterEstimate:
    """A fitted parameter with its 95 % interval; not identifiable ones say why in ``note``."""

    value: float
    low: float
    high: float
    unit: str
    identifiable: bool = True
    note: str = ""


@dataclass(frozen=True, slots=True)
class RunnerUp:
    """A structure or family that lost, and by how much."""

    description: str
    held_out_codes_rms: float


@dataclass(frozen=True, slots=True)
class Correlation:
    """Correlation, -1..1, of two fitted parameters: near 1 or -1, only their mix is known."""

    first: str
    second: str
    value: float


@dataclass(frozen=True, slots=True)
class GammaPoint:
    """What a chain leaves when the display is assumed to have a power ``exponent``.

    The curve is free at each point, and follows any exponent exactly on neutrals; ``codes_rms``
    is over colours.
    """

    drive: str
    exponent: float
    codes_rms: float


@dataclass(frozen=True, slots=True)
class IdentifiedConversion(Viewable):
    """What the device does to HDR, as far as this capture tells.

    ``family`` is None when no published family earns its name; then the free curve stands.
    Choices that the data cannot separate hold all candidates, joined by " or ".
    Residuals are RMS over Y', Cb and Cr in capture codes. ``correlations`` holds every pair of
    fitted parameters, ``display_gamma`` the profile over the display's exponent for the
    identified drive (first) and for every other, all else being as identified.
    """

    family: str | None
    family_label: str
    parameters: Mapping[str, ParameterEstimate]
    drive: str
    order: str
    chroma: str
    gamut: str
    encoding: str
    controls: Mapping[str, ParameterEstimate]
    residual_codes_rms: float
    held_out_codes_rms: float
    floor_codes_rms: float
    neutral_codes_rms: float
    free_codes_rms: float
    count: int
    held_out_count: int
    runners_up: tuple[RunnerUp, ...] = ()
    static: str = "unknown"
    notes: tuple[str, ...] = ()
    structure: Mapping[str, Any] = field(default_factory=dict)
    correlations: tuple[Correlation, ...] = ()
    display_gamma: tuple[GammaPoint, ...] = ()
