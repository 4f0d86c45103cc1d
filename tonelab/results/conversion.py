"""The conversion that a capture shows, with what it cannot tell."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tonelab.described import SEE_UNIT, described, result
from tonelab.results.viewable import Viewable

if TYPE_CHECKING:
    from collections.abc import Mapping


@result
class ParameterEstimate:
    """A fitted parameter with its 95 % interval."""

    value: float = described("Fitted value", SEE_UNIT)
    low: float = described("Lower end of the 95 % interval", SEE_UNIT)
    high: float = described("Upper end of the 95 % interval", SEE_UNIT)
    unit: str = described("Unit of value, low and high")
    identifiable: bool = described("Whether this capture determines the parameter", default=True)
    note: str = described("Why not, or what else to know", default="")


@result
class RunnerUp:
    """A structure or family that lost, and by how much."""

    description: str = described("The structure or family that lost")
    held_out_codes_rms: float = described("Its RMS residual on held-out patches", "code", low=0)


@result
class GreyCurve:
    """A published curve that the greys follow, whatever becomes of colours."""

    name: str = described("Short name of the tone family")
    label: str = described("The same for people")
    encoding: str = described("Output encoding under which greys follow it")
    held_out_codes_rms: float = described("Its RMS residual on greys held out", "code", low=0)
    count: int = described("Greys held out", "1", low=0)


@result
class Correlation:
    """Correlation of two fitted parameters: near 1 or -1, only their mix is known."""

    first: str = described("A fitted parameter")
    second: str = described("Another")
    value: float = described("Their correlation, -1 to 1", "1")


@result
class GammaPoint:
    """What a chain leaves when the display is assumed to have a power ``exponent``.

    The curve is free at each point, and follows any exponent exactly on neutrals.
    """

    drive: str = described("Drive and order; the identified chain first")
    exponent: float = described("Assumed exponent of the display", "1", low=0)
    codes_rms: float = described(
        "RMS residual over Y', Cb and Cr of colours, free curve", "code", low=0
    )


@result
class IdentifiedConversion(Viewable):
    """What the device does to HDR, as far as this capture tells.

    Choices that the data cannot separate hold all candidates, joined by " or ". Residuals are in
    codes of the capture.
    """

    family: str | None = described(
        "Published tone family",
        absent="when none earns its name",
        note="Then the free curve stands.",
    )
    family_label: str = described("The same for people")
    parameters: Mapping[str, ParameterEstimate] = described(
        "Parameters of the tone curve", dims=("parameter",)
    )
    drive: str = described("Quantity the tone curve is applied to")
    order: str = described("Order of tone curve and gamut matrix")
    chroma: str = described("Chroma law")
    gamut: str = described("Gamut conversion")
    encoding: str = described("Output encoding")
    controls: Mapping[str, ParameterEstimate] = described(
        "Picture controls in Y'CbCr", dims=("control",)
    )
    residual_codes_rms: float = described(
        "RMS residual over Y', Cb and Cr, fitted patches", "code", low=0
    )
    held_out_codes_rms: float = described(
        "RMS residual over Y', Cb and Cr, held-out patches", "code", low=0
    )
    floor_codes_rms: float = described("What quantisation alone causes", "code", low=0)
    neutral_codes_rms: float = described("RMS residual on neutrals", "code", low=0)
    free_codes_rms: float = described(
        "RMS residual of the free monotone curve, held out", "code", low=0
    )
    count: int = described("Patches fitted", "1", low=0)
    held_out_count: int = described("Patches held out", "1", low=0)
    runners_up: tuple[RunnerUp, ...] = described(
        "What lost, and by how much", dims=("runner-up",), default=()
    )
    static: str = described("Whether the conversion depends on the scene", default="unknown")
    notes: tuple[str, ...] = described("What else to know", dims=("note",), default=())
    structure: Mapping[str, Any] = described("The fitted chain in full", default_factory=dict)
    grey_curves: tuple[GreyCurve, ...] = described(
        "Published curves that the greys alone follow",
        dims=("curve",),
        note="Of a conversion whose colours no chain carries: the plainest first, those that greys "
        "do not distinguish from it after it. Empty where the conversion is named as a whole, and "
        "where nothing published follows the greys.",
        default=(),
    )
    grey_parameters: Mapping[str, ParameterEstimate] = described(
        "Parameters of the first of the grey curves", dims=("parameter",), default_factory=dict
    )
    correlations: tuple[Correlation, ...] = described(
        "How the fitted parameters hang together",
        dims=("pair",),
        note="Every pair of them.",
        default=(),
    )
    display_gamma: tuple[GammaPoint, ...] = described(
        "Residual by assumed display gamma and drive",
        dims=("trial",),
        note="The profile over the display's exponent for the identified drive, which comes first, "
        "and for every other, all else being as identified.",
        default=(),
    )
