"""Distances of a measured pair from the standard conversions."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.conversion.standards import STANDARDS
from tonelab.readings.colours import shown_light
from tonelab.results import Score
from tonelab.signal.ciede2000 import ciede2000, cielab
from tonelab.signal.colorimetry import delta_e_itp, rgb_to_ycbcr
from tonelab.signal.quantisation import quantise, ycbcr_to_codes

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tonelab.identify.evidence import Evidence
    from tonelab.signal.arrays import FloatArray


def score(
    evidence: Evidence, source_peak: float, standards: Iterable[str] | None = None
) -> tuple[Score, ...]:
    """Distance of the capture from standard conversions over the colours of the chart.

    Parameters
    ----------
    evidence
        Colours with their capture codes.
    source_peak
        Mastering peak of the source, cd/m2: given to the conversions.
    standards
        Names; by default every registered standard conversion.

    Returns
    -------
    tuple of Score
        Nearest first. ΔE_ITP is that of BT.2124 on the capture's assumed display. The floor is
        the mean ΔE_ITP between each standard's own output and the same rounded to the
        capture's codes. CIEDE2000 takes the white of that display as reference.
    """
    names = list(STANDARDS) if standards is None else list(standards)
    scores = [_score_one(evidence, name, source_peak) for name in names]
    return tuple(sorted(scores, key=lambda entry: entry.mean))


def _score_one(evidence: Evidence, name: str, source_peak: float) -> Score:
    standard = STANDARDS[name]
    signal = evidence.target
    ideal = _standard_codes(evidence, evidence.light, name, source_peak)
    rounded = np.float64(evidence.step) * quantise(ideal / evidence.step, signal.bits)
    lights = [shown_light(codes, signal) for codes in (ideal, evidence.codes, rounded)]
    distance, floor = (delta_e_itp(lights[0], light) for light in lights[1:])
    labs = [cielab(light, signal.peak) for light in lights]
    difference, difference_floor = (ciede2000(labs[0], lab) for lab in labs[1:])
    neutral = _standard_codes(evidence, evidence.neutral_light, name, source_peak)
    wanted = shown_light(neutral, signal)[:, 1]
    seen = shown_light(evidence.neutral_codes, signal)[:, 1]
    rows = wanted > 0.01 * signal.peak
    error = np.abs(seen[rows] / wanted[rows] - 1)
    return Score(
        standard=name,
        label=standard.label,
        mean=float(distance.mean()),
        median=float(np.median(distance)),
        p95=float(np.percentile(distance, 95)),
        p99=float(np.percentile(distance, 99)),
        max=float(distance.max()),
        floor=float(floor.mean()),
        luminance_error=float(100 * error.mean()),
        codes_rms=float(np.sqrt(np.mean((ideal - evidence.codes) ** 2))),
        count=len(distance),
        display=f"{signal.transfer}, {signal.peak:g} cd/m2, black {signal.black:g} cd/m2",
        ciede2000=float(difference.mean()),
        ciede2000_floor=float(difference_floor.mean()),
    )


def _standard_codes(
    evidence: Evidence, light: FloatArray, name: str, source_peak: float
) -> FloatArray:
    """Real-valued capture codes of a standard conversion, in the capture's own coding."""
    signal = evidence.target
    rgb = STANDARDS[name].convert(light, source_peak=source_peak)
    return ycbcr_to_codes(rgb_to_ycbcr(rgb, signal.matrix), signal.bits, signal.range)
