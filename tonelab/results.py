"""The objects a measurement consists of; everything downstream reads these and nothing else."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy as np
    from numpy.typing import NDArray

    from tonelab.signal.description import Signal
    from tonelab.tallies import Tallies

    FloatArray: TypeAlias = NDArray[np.float64]
    IntArray: TypeAlias = NDArray[np.int64]

Severity: TypeAlias = Literal["stop", "warning", "info"]
Verdict: TypeAlias = Literal["", "transparent", "not transparent", "cannot tell"]


class Shown:
    """Something that a notebook shows as more than its text."""

    __slots__ = ()

    def _repr_html_(self) -> str:
        # The one place where data reach down to a view: the notebook asks them and no one else.
        from tonelab.report.notebook import html

        return html(self)


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was seen, with what it rests on.

    Attributes
    ----------
    id
        Stable short name, such as ``range-mismatch``.
    severity
        ``stop`` forbids a curve, ``warning`` limits it, ``info`` only tells.
    text
        One sentence for people.
    value, bound, unit, threshold
        Measured value, its uncertainty or floor, their unit, and the value that triggers.
    count
        Number of samples it rests on.
    alternatives
        Other explanations the data do not exclude.
    decided_by
        The capture that would decide, or an empty string.
    verdict
        What a check of the path says: shown transparent within ``bound``, shown not transparent,
        or that this capture cannot tell; empty where transparency was not the question.
    """

    id: str
    severity: Severity
    text: str
    value: float | None = None
    bound: float | None = None
    unit: str = ""
    count: int = 0
    threshold: float | None = None
    alternatives: tuple[str, ...] = ()
    decided_by: str = ""
    verdict: Verdict = ""


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


@dataclass(frozen=True, slots=True)
class LuminanceCurve(Shown):
    """Luminance transfer: neutral source light in, capture luma code out.

    All arrays have shape (N,), sorted by source code.

    Attributes
    ----------
    source_code
        Source luma code (mean of the decoded samples, so not always whole).
    luminance
        The same as light, cd/m2 (PQ absolute, HLG at its stated peak).
    code
        Mean capture luma code.
    smooth
        Monotone smooth curve through ``code``.
    low, high
        95 % band of ``smooth``.
    count
        Samples behind each point.
    clipped
        Where the capture sits on a clip: a bound, not a value.
    """

    source_code: FloatArray
    luminance: FloatArray
    code: FloatArray
    smooth: FloatArray
    low: FloatArray
    high: FloatArray
    count: IntArray
    clipped: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class ChromaTransfer(Shown):
    """Chroma transfer in the Cb/Cr plane, by 24 source hues and luminance levels.

    Arrays have shape (24, levels); NaN where nothing was seen.

    Attributes
    ----------
    hue
        Shape (24,), centre of each hue bin, degrees in the source Cb/Cr plane.
    level
        Shape (levels,), centre of each level, PQ luma code 10-bit narrow.
    rotation, ratio
        Hue rotation in degrees (positive counter-clockwise) and ratio of chroma signals.
    rotation_bound, ratio_bound
        Half widths of the 95 % intervals.
    count
        Patches behind each cell.
    """

    hue: FloatArray
    level: FloatArray
    rotation: FloatArray
    ratio: FloatArray
    rotation_bound: FloatArray
    ratio_bound: FloatArray
    count: IntArray


@dataclass(frozen=True, slots=True)
class Landmark:
    """A named point of the luminance curve, such as where 203 cd/m2 lands.

    ``luminance`` is source light in cd/m2, ``code`` the capture luma code, ``output`` its
    light in cd/m2 on the assumed display; None where the capture cannot tell.
    """

    id: str
    label: str
    luminance: float | None
    code: float | None
    output: float | None
    bound: float | None = None


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
class IdentifiedConversion(Shown):
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


@dataclass(frozen=True, slots=True)
class Score:
    """Distance of the capture from one standard conversion, on the stated display.

    ``luminance_error`` is the mean absolute relative error of output luminance on neutrals, in
    percent; ``codes_rms`` is over Y', Cb and Cr. ``ciede2000`` is the mean CIEDE2000 with the
    white of the display as reference, ``ciede2000_floor`` its floor; None in older files and where
    the capture is HDR, for which CIELAB was not made.
    """

    standard: str
    label: str
    mean: float
    median: float
    p95: float
    p99: float
    max: float
    floor: float
    luminance_error: float
    codes_rms: float
    count: int
    display: str
    ciede2000: float | None = None
    ciede2000_floor: float | None = None


@dataclass(frozen=True, slots=True)
class Measurement(Shown):
    """One measured pair of source and capture."""

    device: str
    firmware: str
    settings: Mapping[str, str]
    notes: str
    source: ClipFacts
    capture: ClipFacts
    pairing: PairingFacts
    findings: tuple[Finding, ...]
    tallies: Tallies
    luminance_curve: LuminanceCurve
    chroma_transfer: ChromaTransfer
    conversion: IdentifiedConversion
    landmarks: tuple[Landmark, ...]
    scores: tuple[Score, ...]
    provenance: Mapping[str, Any]
