"""What identification works from: colours with their light, neutrals, and the target signal."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import isotonic_regression

from tonelab.errors import IdentificationError
from tonelab.readings.curves import ceiling_light
from tonelab.signal.quantisation import codes_to_ycbcr, luma_scale, ycbcr_to_codes

if TYPE_CHECKING:
    from tonelab.conversion import Conversion
    from tonelab.readings import Readings
    from tonelab.readings.colours import Colours
    from tonelab.results import LuminanceCurve
    from tonelab.signal.arrays import FloatArray, IntArray, Mask
    from tonelab.signal.description import Signal

# A trace of neutral light keeps ratio drives finite at black; it moves no code.
TRACE = 2e-9  # cd/m2
ROUNDING = 1 / float(np.sqrt(12))  # RMS of rounding, steps
FLAT = 0.02  # variance, squared steps, below which the samples of a patch agree
FEW_FLAT = 0.5  # of the patches, when dither or noise is taken to be everywhere
DITHERED = 0.7  # of the floor of rounding
PEAK_MARGIN = 1.02  # rounding of the chart's own colours


@dataclass(frozen=True, slots=True)
class Evidence:
    """Paired colours, ready for prediction.

    Attributes
    ----------
    light
        (N, 3): source light, cd/m2, linear BT.2020.
    codes
        (N, 3): mean capture codes.
    held_out
        (N,): whether the colour's page is kept from every fit.
    neutral_light, neutral_codes
        (M, 3): the neutral axis, ascending, from source black upwards.
    neutral_smooth
        (M,): smooth luma codes of the neutrals.
    ceiling_light
        Neutral light, cd/m2, from which the capture sits on its ceiling; infinite if it never does.
    target
        How to read the capture.
    step
        Step of the capture's codes: 1, or 4 when 8 bits sit in a 10-bit container.
    falling
        Whether the greys fall somewhere, which no chain does.
    floor
        RMS by which the mean of a patch misses the unrounded code, codes: 1/sqrt(12) of a step
        where patches are flat, less where dither averages out.
    """

    light: FloatArray
    codes: FloatArray
    held_out: Mask
    neutral_light: FloatArray
    neutral_codes: FloatArray
    neutral_smooth: FloatArray
    ceiling_light: float
    target: Signal
    step: float = 1.0
    floor: float = ROUNDING
    falling: bool = False

    @property
    def dithered(self) -> bool:
        """Whether dither or noise makes rounding errors average out."""
        return self.floor < DITHERED * ROUNDING * self.step

    def __getitem__(self, rows: Mask | IntArray) -> Evidence:
        """Return the evidence with only the chosen colours; neutrals stay."""
        return replace(
            self, light=self.light[rows], codes=self.codes[rows], held_out=self.held_out[rows]
        )

    def thinned(self, size: int, *, neutrals: int | None = None) -> Evidence:
        """Return at most ``size`` colours, evenly taken, and ``neutrals`` greys if asked."""
        few = self if len(self.light) <= size else self[_even(len(self.light), size)]
        if neutrals is None or len(self.neutral_light) <= neutrals:
            return few
        rows = _even(len(self.neutral_light), neutrals)
        return replace(
            few,
            neutral_light=self.neutral_light[rows],
            neutral_codes=self.neutral_codes[rows],
            neutral_smooth=self.neutral_smooth[rows],
        )

    def with_matrix(self, matrix: str) -> Evidence:
        """Return the same evidence read by the matrix ``bt601``, ``bt709`` or ``bt2020``."""
        return replace(self, target=self.target.with_fields("inferred", matrix=matrix))

    def residual(self, conversion: Conversion) -> FloatArray:
        """Predicted minus measured codes (N, 3) of the colours."""
        return predict(conversion, self.light, self.target, self.step) - self.codes

    def greys_of(self, conversion: Conversion) -> FloatArray:
        """Light (M,), cd/m2, at which the curve of a conversion meets the neutrals."""
        return conversion.arguments(self.neutral_light)[:, 0]

    def neutral_residual(
        self, conversion: Conversion, greys: FloatArray | None = None
    ) -> FloatArray:
        """Predicted minus measured luma codes (M,) of the neutrals.

        ``greys`` (M,) are those of `greys_of`, for fits that do not move them.
        """
        luma = conversion.grey_signal(self.greys_of(conversion) if greys is None else greys)
        black, span = luma_scale(self.target.bits, self.target.range)
        predicted = np.clip(black + span * luma, *video_limits(self.target, self.step))
        return np.asarray(predicted - self.neutral_codes[:, 0], np.float64)

    def neutral_signal(self) -> FloatArray:
        """Smooth capture luma signal of the neutrals (M,)."""
        codes = np.array(self.neutral_codes)
        codes[:, 0] = self.neutral_smooth
        return codes_to_ycbcr(codes, self.target.bits, self.target.range)[:, 0]


def gather_evidence(
    colours: Colours,
    neutrals: Colours,
    curve: LuminanceCurve,
    source: Signal,
    target: Signal,
    *,
    peak: float = 10000.0,
    step: float = 1.0,
) -> Evidence:
    """Turn colours into evidence.

    Parameters
    ----------
    colours, neutrals
        Means in Y'CbCr codes, (N, 3) and (M, 3) on each side; neutrals sorted by source code.
    curve
        Luminance curve of the same neutrals, arrays (M,).
    source, target
        How to read source and capture.
    peak
        Peak of the source, cd/m2: colours beyond it are not what a conversion is made for.
    step
        See `Evidence`.

    Raises
    ------
    IdentificationError
        When there are no colours.
    """
    if not len(colours):
        raise IdentificationError(
            "No colours of the chart were seen, so nothing but the curve can be known: "
            "capture the whole clip from its first page to its last."
        )
    # Source codes outside black and nominal peak are legal, but what they mean is not: PQ ends
    # at 10,000 cd/m2, and converters clamp or continue.
    black, span = luma_scale(source.bits, source.range)
    above = (neutrals.source[:, 0] >= black) & (neutrals.source[:, 0] <= black + span)
    upper = neutrals[above]
    light = _light2020(colours.source, source)
    promised = light.max(axis=1) <= PEAK_MARGIN * peak
    colours, light = colours[promised], light[promised]
    pages = np.unique(colours.page)
    return Evidence(
        light=light,
        codes=colours.capture,
        held_out=np.isin(colours.page, pages[1::2]),
        neutral_light=_light2020(upper.source, source),
        neutral_codes=upper.capture,
        # No chain here falls; one of greys that do is refused as a whole.
        neutral_smooth=isotonic_regression(curve.smooth[above]).x,
        falling=curve.fall is not None,
        ceiling_light=ceiling_light(curve),
        target=target,
        step=step,
        floor=_floor(colours, step),
    )


def evidence_of(
    readings: Readings, curve: LuminanceCurve, *, peak: float | None = None
) -> Evidence:
    """Turn readings into evidence.

    Parameters
    ----------
    readings
        Of a pair.
    curve
        Its luminance curve.
    peak
        See `gather_evidence`; by default what the source promises.

    Raises
    ------
    IdentificationError
        When there are no colours, or too few greys.
    """
    return gather_evidence(
        readings.colours,
        readings.neutrals,
        curve,
        readings.source_coding,
        readings.capture_coding,
        peak=readings.promised_peak if peak is None else peak,
        step=readings.step,
    )


def _floor(colours: Colours, step: float) -> float:
    """RMS error of patch means; see `Evidence`.

    Samples of a patch that differ say that rounding is random; their mean then errs by their
    spread over the root of their number, though hardly by less than half of rounding, as
    neighbouring samples are not independent. Where most patches are so, the flat ones sit on a
    clip or on a whole code, and show nothing of rounding.
    """
    flat = colours.variance < FLAT * step**2
    random = np.maximum(colours.variance / colours.count, (ROUNDING * step / 2) ** 2)
    if flat.mean() < FEW_FLAT:
        return float(np.sqrt(np.mean(random[~flat])))
    return float(np.sqrt(np.mean(np.where(flat, (ROUNDING * step) ** 2, random))))


def predict(
    conversion: Conversion, light: FloatArray, target: Signal, step: float = 1.0
) -> FloatArray:
    """Real-valued capture codes (N, 3) that a conversion gives for light (N, 3)."""
    ycbcr = conversion.ycbcr_signal(light, target.matrix)
    low, high = video_limits(target, step)
    codes = ycbcr_to_codes(ycbcr, target.bits, target.range)
    return np.minimum(np.maximum(codes, low), high)


def video_limits(target: Signal, step: float = 1.0) -> tuple[float, float]:
    """Lowest and highest code that a picture may use; timing codes are reserved (BT.709-6)."""
    highest = 2.0**target.bits - step
    if target.range == "full":
        return 0.0, highest
    reserved = 2.0 ** (target.bits - 8)
    return reserved, highest - reserved


def rms(residual: FloatArray) -> float:
    """Root mean square over all elements, in their unit, any shape."""
    return float(np.sqrt(np.mean(residual**2)))


def _even(length: int, size: int) -> IntArray:
    return np.unique(np.linspace(0, length - 1, size).round().astype(np.int64))


def _light2020(codes: FloatArray, source: Signal) -> FloatArray:
    return np.maximum(source.decode_light_2020(codes), 0.0) + TRACE
