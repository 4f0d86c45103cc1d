"""The chain: an ordered, parametric conversion from HDR light to SDR codes."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from tonelab.conversion.chroma import CHROMA_LAWS
from tonelab.conversion.controls import CONTROLS
from tonelab.conversion.drives import DRIVES
from tonelab.conversion.encoding import ENCODINGS
from tonelab.conversion.gamut import GAMUT_METHODS
from tonelab.conversion.tone import TONE_CURVES, FreeCurve, Tone
from tonelab.errors import UsageError
from tonelab.signal.colorimetry import (
    Matrix,
    Primaries,
    rgb_to_ycbcr,
    ycbcr_to_rgb,
)
from tonelab.signal.quantisation import rgb_to_codes, ycbcr_to_codes

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from tonelab.conversion.parameters import Order
    from tonelab.registry import Registry
    from tonelab.signal.arrays import FloatArray
    from tonelab.signal.description import Signal

# The steps of a chain, fields of `Conversion`, and the registry of the parts of each.
STEPS: Mapping[str, Registry[Any]] = {
    "tone": TONE_CURVES,
    "drive": DRIVES,
    "chroma": CHROMA_LAWS,
    "gamut": GAMUT_METHODS,
    "encoding": ENCODINGS,
    "controls": CONTROLS,
}
_SWITCHES = ("order", "ceiling", "super_white", "rgb_clipped", "white")

# Signal of code 1019, the highest of 10 bits in narrow range that is not reserved (BT.709-6).
SUPER_WHITE = (1019 - 64) / 876


@dataclass(frozen=True, slots=True)
class ChainPart:
    """A registered part by name, with the parameters that differ from its defaults."""

    name: str
    parameters: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Conversion:
    """An HDR-to-SDR conversion.

    Attributes
    ----------
    tone
        A step of `TONE_CURVES`, or any function from light in cd/m2 to relative light.
    drive, chroma, gamut, encoding, controls
        Steps of the registries of those names.
    order
        ``tone-first``: curve in BT.2020, then the gamut matrix. ``matrix-first``: the matrix on
        absolute light, then the curve in BT.709.
    ceiling
        Whether the curve's own output is clipped at SDR white.
    rgb_clipped
        Whether super-white R'G'B' end at the highest code that is not reserved, channel by
        channel, before Y'CbCr is formed.
    super_white
        Whether R'G'B' may exceed 1; then only the codes of the target end it.
    white
        Light of SDR nominal white in cd/m2, for drives that work in PQ.
    """

    tone: ChainPart | Tone
    drive: ChainPart = ChainPart("per-channel")
    order: Order = "tone-first"
    chroma: ChainPart = ChainPart("none")
    gamut: ChainPart = ChainPart("clip")
    encoding: ChainPart = ChainPart("bt1886")
    controls: ChainPart = ChainPart("none")
    ceiling: bool = True
    super_white: bool = False
    rgb_clipped: bool = False
    white: float = 100.0

    def curve(self) -> Tone:
        """Return the tone curve with its parameters and ceiling, cd/m2 to relative light."""
        if isinstance(self.tone, ChainPart):
            tone: Tone = TONE_CURVES[self.tone.name].bind(self.tone.parameters)
        else:
            tone = self.tone
        if not self.ceiling:
            return tone
        return lambda L: np.minimum(tone(L), 1.0)

    def arguments(self, light: FloatArray) -> FloatArray:
        """Lights at which the curve is evaluated: (N, k) cd/m2 for (N, 3) cd/m2 in BT.2020."""
        drive = DRIVES[self.drive.name]
        seen: list[FloatArray] = []

        def record(mixed: FloatArray) -> FloatArray:
            seen.append(drive.arguments(mixed, primaries=self._working))
            return mixed

        self._law()(self._to_working(light), record, primaries=self._working)
        return seen[0]

    def linear_light(self, light: FloatArray) -> FloatArray:
        """Relative linear BT.709 before encoding: (N, 3) for (N, 3) cd/m2 in BT.2020."""
        gamut = GAMUT_METHODS[self.gamut.name]
        drive, curve = DRIVES[self.drive.name].bind(self.drive.parameters), self.curve()

        def mapping(mixed: FloatArray) -> FloatArray:
            return drive(mixed, curve, primaries=self._working, white=self.white)

        working = self._to_working(np.asarray(light, np.float64))
        relative = self._law()(working, mapping, primaries=self._working)
        if self.order == "tone-first":
            return gamut.convert(relative, **self.gamut.parameters)
        return gamut.bind(self.gamut.parameters)(relative)

    def rgb_signal(self, light: FloatArray) -> FloatArray:
        """R'G'B' signal: (N, 3) for (N, 3) linear BT.2020 in cd/m2, before picture controls."""
        return self._encoded(self.linear_light(light))

    def grey_signal(self, light: FloatArray) -> FloatArray:
        """Luma signal after picture controls of greys (N,), from where the curve meets them.

        The same as `ycbcr_signal` gives for greys under any drive, at a tenth of the cost.

        Parameters
        ----------
        light
            Shape (N,), cd/m2, a column of `arguments`.
        """
        luma = self._encoded(self.curve()(light))
        controls = CONTROLS[self.controls.name].bind(self.controls.parameters)
        return controls(np.stack([luma, np.zeros_like(luma), np.zeros_like(luma)], axis=1))[:, 0]

    def ycbcr_signal(self, light: FloatArray, matrix: Matrix = "bt709") -> FloatArray:
        """Y'CbCr signal (R'G'B' for ``"rgb"``) after picture controls, shapes as `rgb_signal`."""
        coding: Matrix = "bt709" if matrix == "rgb" else matrix
        ycbcr = rgb_to_ycbcr(self.rgb_signal(light), coding)
        controls = CONTROLS[self.controls.name].bind(self.controls.parameters)
        ycbcr = controls(ycbcr, matrix=coding)
        return ycbcr_to_rgb(ycbcr, coding) if matrix == "rgb" else ycbcr

    def codes(
        self, source_codes: FloatArray, source: Signal, target: Signal, *, rounded: bool = False
    ) -> FloatArray:
        """Capture codes of source codes.

        Parameters
        ----------
        source_codes
            Shape (N, 3), codes of the source's bit depth.
        source, target
            How the source is read, and how the capture is coded.
        rounded
            Whether to round to whole codes and clip to those the target's range may hold.

        Returns
        -------
        ndarray
            Shape (N, 3), real-valued codes.
        """
        light = source.decode_light_2020(source_codes)
        coded = rgb_to_codes if target.matrix == "rgb" else ycbcr_to_codes
        codes = coded(self.ycbcr_signal(light, target.matrix), target.bits, target.range)
        if not rounded:
            return codes
        step = 2.0 ** (target.bits - 8)
        low, high = (step, 255 * step - 1) if target.range == "narrow" else (0.0, 256 * step - 1)
        return np.clip(np.floor(codes + 0.5), low, high)

    def to_dict(self) -> dict[str, Any]:
        """Plain data for a curve file; a free curve is written with its knots.

        Raises
        ------
        UsageError
            When the curve is a function that has no written form.
        """
        plain: dict[str, Any] = {
            name: {"name": step.name, "parameters": dict(step.parameters)}
            for name, step in self._steps().items()
        }
        if isinstance(self.tone, FreeCurve):
            plain["tone"] = {
                "signal": self.tone.signal.tolist(),
                "relative": self.tone.relative.tolist(),
            }
        elif not isinstance(self.tone, ChainPart):
            raise UsageError("Only registered tone curves and free curves can be written down.")
        plain |= {name: getattr(self, name) for name in _SWITCHES}
        return plain

    @classmethod
    def from_dict(cls, plain: Mapping[str, Any]) -> Conversion:
        """Rebuild what `to_dict` wrote, and see that it works.

        Raises
        ------
        UsageError
            When it names or lacks what makes a conversion.
        """
        try:
            given: dict[str, Any] = {name: plain[name] for name in _SWITCHES}
            for name in STEPS:
                if "name" in plain[name]:
                    given[name] = ChainPart(plain[name]["name"], dict(plain[name]["parameters"]))
            if "tone" not in given:
                knots = plain["tone"]
                given["tone"] = FreeCurve(np.array(knots["signal"]), np.array(knots["relative"]))
            conversion = cls(**given)
            signal = conversion.ycbcr_signal(np.full((1, 3), conversion.white))
            if not np.isfinite(signal).all():
                raise ValueError("it gives no numbers")  # noqa: TRY301 - of one kind with the rest
        except (LookupError, TypeError, ValueError, AttributeError) as fault:
            raise UsageError(
                f"The conversion that is written down makes no sense ({fault}): restore the curve "
                "file or measure again."
            ) from fault
        return conversion

    @property
    def _working(self) -> Primaries:
        return "bt2020" if self.order == "tone-first" else "bt709"

    def _to_working(self, light: FloatArray) -> FloatArray:
        if self.order == "tone-first":
            return light
        gamut = GAMUT_METHODS[self.gamut.name]
        return light @ gamut.matrix(**gamut.complete(self.gamut.parameters)).T

    def _encoded(self, relative: FloatArray) -> FloatArray:
        """Signal of relative light within the limits of R'G'B', any shape."""
        encode = ENCODINGS[self.encoding.name].bind(self.encoding.parameters)
        lowest = -np.inf if GAMUT_METHODS[self.gamut.name].keeps_excursions else 0.0
        highest = (SUPER_WHITE if self.rgb_clipped else np.inf) if self.super_white else 1.0
        return np.minimum(np.maximum(encode(relative), lowest), highest)

    def _law(self) -> Callable[..., FloatArray]:
        return CHROMA_LAWS[self.chroma.name].bind(self.chroma.parameters)

    def _steps(self) -> dict[str, ChainPart]:
        steps = {name: getattr(self, name) for name in STEPS}
        return {name: step for name, step in steps.items() if isinstance(step, ChainPart)}
