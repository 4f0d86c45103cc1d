"""What was found in one sentence a device and one a pair, the same wherever results are shown."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from tonelab.scores.hue import colour_shift
from tonelab.scores.pass_through import passes_through
from tonelab.views.words import light, unit_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tonelab.compare import Comparison
    from tonelab.compare.verdicts import PairVerdict
    from tonelab.results import Landmark, Measurement
    from tonelab.scores.hue import ColourShift

WHITE, GREY, CLIP = "diffuse-white", "grey-18", "clip"

_KEPT = 1.2  # floors within which a capture is what its source is
_FELT = 1.0  # degrees of hue that are worth a word
_PALE, _STRONG = 0.97, 1.03  # saturation that is
_LIKE = 0.03  # of the light, by which two devices are equally bright


def device_sentence(name: str, measurement: Measurement, shift: ColourShift | None = None) -> str:
    """Say what a device leaves alone, what it changes and by how much, and how sure that is.

    Parameters
    ----------
    name
        As the device is called where the sentence stands.
    shift
        What happens to its colours; found here unless given.
    """
    shift = colour_shift(measurement) if shift is None else shift
    found = measurement.conversion
    kind = "HDR" if measurement.source.signal.is_hdr else "SDR"
    sure = (
        f"{found.held_out_codes_rms:.2f} codes RMS left on {found.held_out_count:,} colours, "
        f"floor {found.floor_codes_rms:.2f}"
    )
    if passes_through(found):
        if found.residual_codes_rms <= _KEPT * found.floor_codes_rms:
            return f"{name} leaves {kind} as it is ({sure})."
        said = "; ".join(["passes " + kind + " on, but not as it is", *_colours(shift)])
        return f"{name} {said} ({sure})."
    start = f"{name} turns {kind} into {'HDR' if measurement.capture.signal.is_hdr else 'SDR'}"
    if measurement.conversion.static not in {"static", "unknown"}:
        start += f" in a way that depends on the picture ({found.static})"
    if found.family:
        start += f" by {found.family_label}{_known(measurement)}"
    elif found.grey_curves:
        start += f", greys by {found.grey_curves[0].label} and colours as no model here does"
    else:
        start += " by a curve that no published form explains"
    marks = {mark.id: mark for mark in measurement.landmarks}
    parts = [
        *_levels(marks, measurement.capture.signal.peak),
        *_colours(shift),
        *_near(measurement),
    ]
    return f"{start}: {'; '.join(parts)} ({sure})."


def pair_sentence(verdict: PairVerdict, names: Sequence[str]) -> str:
    """Say what separates two devices."""
    return f"{names[verdict.first]} and {names[verdict.second]}: {verdict.text}."


def faces_sentence(names: Sequence[str], measurements: Sequence[Measurement]) -> str | None:
    """Say which device shows mid-tones, such as faces, darkest; None where fewer than two do.

    18 % grey is 26 cd/m2 under the diffuse white of 203 cd/m2 (BT.2408-7, table 1).
    """
    shown = sorted(
        (mark.output, name)
        for name, one in zip(names, measurements, strict=True)
        for mark in one.landmarks
        if mark.id == GREY and mark.output is not None
    )
    if len(shown) < 2:
        return None
    (least, darkest), (most, brightest) = shown[0], shown[-1]
    start = "Mid-tones such as faces (18 % grey, 26 cd/m2)"
    if most - least <= _LIKE * most:
        return f"{start} are equally bright on all, {light(least)} to {light(most)}."
    below = 100 * (1 - least / most)
    return (
        f"{start} are darkest on {darkest}, {light(least)}, {below:.0f} % below {brightest}, "
        f"{light(most)}."
    )


def sentences(
    names: Sequence[str],
    measurements: Sequence[Measurement],
    comparison: Comparison | None,
    shifts: Sequence[ColourShift | None] | None = None,
) -> Iterator[str]:
    """Yield a sentence a device, one on mid-tones, and one for each pair worth it.

    Of many pairs those of one device's firmware or settings, those that are the same, and the
    nearest.
    """
    each = shifts or [None] * len(names)
    for name, one, shift in zip(names, measurements, each, strict=True):
        yield device_sentence(name, one, shift)
    if (faces := faces_sentence(names, measurements)) is not None:
        yield faces
    if comparison is not None:
        yield from (pair_sentence(one, comparison.devices) for one in worth_saying(comparison))


def worth_saying(comparison: Comparison) -> list[PairVerdict]:
    """Verdicts on neighbours of a series, on pairs shown to be alike, and on the nearest pair."""
    series = {pair for one in comparison.series for pair in one.neighbours}
    nearest = min(comparison.verdicts, key=lambda one: one.distance.mean, default=None)
    return [
        one
        for one in comparison.verdicts
        if one is nearest or one.kind in {"same", "controls"} or (one.first, one.second) in series
    ]


def _known(measurement: Measurement) -> str:
    """Give the peak of a curve, of its parameters the one that a reader knows best."""
    for name, estimate in measurement.conversion.parameters.items():
        half = (estimate.high - estimate.low) / 2
        if "peak" in name and estimate.identifiable and 0 < half < math.inf:
            digits = max(0, -math.floor(math.log10(half)))
            value = f"{estimate.value:.{digits}f} ± {half:.{digits}f}{unit_of(estimate.unit)}"
            return f" ({name.replace('_', ' ')} {value})"
    return ""


def _levels(marks: dict[str, Landmark], peak: float) -> Iterator[str]:
    white, clip = marks.get(WHITE), marks.get(CLIP)
    if white is not None and white.output is not None:
        yield f"white of 203 cd/m2 at {100 * white.output / peak:.0f} % of the screen's peak"
    if clip is not None and clip.luminance is not None:
        yield f"nothing distinct above {light(clip.luminance)}"


def _colours(shift: ColourShift | None) -> Iterator[str]:
    if shift is None:
        return
    if not _PALE <= shift.saturation <= _STRONG:
        yield f"colours at {100 * shift.saturation:.0f} % of their strength"
    if shift.turn > max(_FELT, 2 * shift.turn_rounding):
        yield f"hue turned by {shift.turn:.1f}°"
    elif _PALE <= shift.saturation <= _STRONG:
        yield "colours kept"


def _near(measurement: Measurement) -> Iterator[str]:
    score = min(measurement.scores, key=lambda one: one.mean, default=None)
    if score is not None:
        yield (f"nearest standard {score.label}, ΔE_ITP {score.mean:.1f} away on average")
