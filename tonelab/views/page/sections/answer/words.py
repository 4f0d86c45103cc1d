"""The answer in words: a row of findings for each device, and a summary without trade terms."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tonelab.conversion.drives import DRIVES
from tonelab.scores.hue import LIGHT_RANGE
from tonelab.scores.pass_through import passes_through
from tonelab.views.page.header import given
from tonelab.views.page.table import Cell
from tonelab.views.words import (
    NOT_IDENTIFIABLE,
    NOT_IN_MODEL,
    NOT_REACHED,
    display_of,
    light,
    number,
    unit_of,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from tonelab.compare import Comparison
    from tonelab.results import Landmark, Measurement, ParameterEstimate
    from tonelab.scores.hue import ColourShift

HEAD = (
    "Tone conversion",
    "18 % grey, 26 cd/m2",
    "Diffuse white, 203 cd/m2",
    "Highlights",
    "Colour",
    "Nearest standard conversion",
    "Depends on the picture",
)
WHITE = "diffuse-white"
GREY = "grey-18"
CLIP = "clip"


def answer_row(measurement: Measurement, shift: ColourShift | None) -> tuple[Cell, ...]:
    """Put the findings of a device into words, in the order of `HEAD`."""
    marks = {mark.id: mark for mark in measurement.landmarks}
    return (
        _conversion(measurement),
        _level(marks.get(GREY)),
        _level(marks.get(WHITE)),
        _highlights(measurement, marks),
        _colour(shift),
        _nearest(measurement),
        _certainty(measurement),
    )


def summary(
    measurements: Sequence[Measurement],
    names: Sequence[str],
    shifts: Sequence[ColourShift | None],
    comparison: Comparison | None,
) -> Iterator[tuple[str, str]]:
    """Paragraphs of plain language: a heading and its sentences."""
    yield "What was done", _done(measurements)
    named = list(zip(names, measurements, strict=True))
    white = _by_output(named, WHITE)
    if white:
        yield "Ordinary white", _ordinary_white(white, measurements)
    grey = _by_output(named, GREY)
    if len(grey) > 1:
        (top, most), (bottom, least) = grey[0], grey[-1]
        text = f"A mid-grey of 26 cd/m2 is shown at {light(most)} by {top}, the brightest"
        yield "Mid-tones", f"{text}, and at {light(least)} by {bottom}, the darkest."
    yield "Bright lights", _bright(named)
    known = [(name, shift) for name, shift in zip(names, shifts, strict=True) if shift is not None]
    if known:
        yield "Colours", _colours(known)
    yield "What explains it", _explained(named)
    if comparison is not None:
        yield "Similarities and differences", _alike(comparison)
    doubts = [name for name, one in named if _graver(one)]
    if doubts:
        text = f"There are warnings about {_listed(doubts)}; they stand under Findings below."
        yield "To keep in mind", text


def _conversion(measurement: Measurement) -> Cell:
    found = measurement.conversion
    if passes_through(found):
        return Cell(
            "none: passed through",
            f"off the source by {found.residual_codes_rms:.2f} codes RMS, rounding alone "
            f"{found.floor_codes_rms:.2f}; {found.count} colours",
        )
    drive = f"on {DRIVES[found.drive].label if found.drive in DRIVES else found.drive}"
    if found.drive in {NOT_IDENTIFIABLE, NOT_IN_MODEL}:
        drive = f"drive {found.drive}"
    fit = (
        f"held-out colours within {found.held_out_codes_rms:.2f} codes RMS, rounding alone "
        f"{found.floor_codes_rms:.2f}; {found.held_out_count} colours"
    )
    if found.family is None:
        return Cell("no published curve fits", f"free curve, {drive}; {fit}")
    known = [
        f"{name.replace('_', ' ')} {_estimate(estimate)}"
        for name, estimate in {**found.parameters, **found.controls}.items()
        if estimate.identifiable and estimate.high > estimate.low
    ]
    return Cell(found.family_label, "; ".join([drive, *known, fit]))


def _estimate(estimate: ParameterEstimate) -> str:
    half = (estimate.high - estimate.low) / 2
    return f"{number(estimate.value)} ± {number(half, 1)}{unit_of(estimate.unit)}"


def _level(mark: Landmark | None) -> Cell:
    if mark is None or mark.code is None:
        return Cell(NOT_REACHED)
    bound = "" if mark.bound is None else f" ± {mark.bound:.1f}"
    shown = NOT_IDENTIFIABLE if mark.output is None else light(mark.output)
    return Cell(shown, f"code {mark.code:.1f}{bound}")


def _highlights(measurement: Measurement, marks: dict[str, Landmark]) -> Cell:
    clip, knee, peak = (marks.get(key) for key in (CLIP, "roll-off", "peak-1000"))
    parts = []
    if knee is not None and knee.luminance is not None:
        parts.append(f"roll off from {light(knee.luminance)}")
    if peak is not None and peak.code is not None:
        bound = "" if peak.bound is None else f" ± {peak.bound:.1f}"
        parts.append(f"1000 cd/m2 on code {peak.code:.1f}{bound}")
    if clip is not None and clip.luminance is not None:
        return Cell(f"distinct up to {light(clip.luminance)}", "; ".join(parts))
    top = measurement.luminance_curve.luminance[-1]
    return Cell(f"distinct up to {light(float(top))}, the brightest played", "; ".join(parts))


def _colour(shift: ColourShift | None) -> Cell:
    if shift is None:
        return Cell(NOT_IDENTIFIABLE)
    return Cell(
        f"saturation × {shift.saturation:.2f}",
        f"{shift.saturation_low:.2f} to {shift.saturation_high:.2f} for 90 % of the colours; hue "
        f"turned by {shift.turn:.1f}° (median), {shift.turn_p95:.1f}° (p95), rounding alone "
        f"{shift.turn_rounding:.1f}°; {shift.count} colours",
    )


def _nearest(measurement: Measurement) -> Cell:
    score = min(measurement.scores, key=lambda one: one.mean, default=None)
    if score is None:
        return Cell("none scored")
    return Cell(
        score.label,
        f"ΔE_ITP mean {score.mean:.2f}, p95 {score.p95:.1f}; rounding alone {score.floor:.2f}",
    )


def _certainty(measurement: Measurement) -> Cell:
    static = measurement.conversion.static
    words = {"static": "no, the same for all", "unknown": "not known"}
    grave = _graver(measurement)
    count = "no warning" if not grave else f"{grave} warning{'s' if grave > 1 else ''}"
    held = measurement.pairing.used
    return Cell(words.get(static, f"yes: {static}"), f"{count}; {held} frames used")


def _done(measurements: Sequence[Measurement]) -> str:
    displays = dict.fromkeys(display_of(one.capture.signal) for one in measurements)
    count = len(measurements)
    kind = given(measurements)
    who, clip = "One device", f"an {kind} clip"
    if count > 1:
        who = f"{_number(count).capitalize()} devices"
        same = len({one.source.name for one in measurements}) == 1
        clip = f"the same {kind} clip" if same else f"{kind} clips"
    came = "what came out"
    if not any(one.capture.signal.is_hdr for one in measurements):
        came += " for an ordinary (SDR) screen"
    return (
        f"{who} played {clip}, and {came} was recorded and measured. Wherever light is quoted, the "
        f"screen is taken to be a {' or a '.join(displays)}. Your own screen, its settings and the "
        "room are not part of this."
    )


def _ordinary_white(white: Sequence[tuple[str, float]], measurements: Sequence[Measurement]) -> str:
    peaks = {one.capture.signal.peak for one in measurements}
    if len(peaks) > 1:
        shown = [f"{light(value)} by {name}" for name, value in white]
        return f"A white page, 203 cd/m2 in the source, is shown at {_listed(shown)}."
    peak = peaks.pop()
    shown = [f"{100 * value / peak:.0f} % by {name}" for name, value in white]
    return (
        f"A white page, 203 cd/m2 in the source, is shown at {_listed(shown)}, in percent of the "
        "brightest white that the screen can show. The more a page takes, the less is left "
        "for lights brighter than paper."
    )


def _bright(named: Sequence[tuple[str, Measurement]]) -> str:
    ceilings = [
        (mark.luminance, name)
        for name, one in named
        for mark in one.landmarks
        if mark.id == CLIP and mark.luminance is not None
    ]
    clipping = [f"{light(level)} on {name}" for level, name in sorted(ceilings)]
    parts = []
    if clipping:
        parts.append(f"Everything above this light turns into one white: {_listed(clipping)}.")
    for name, one in named:
        if name not in {other for _, other in ceilings}:
            top = light(float(one.luminance_curve.luminance[-1]))
            parts.append(
                f"{name} still distinguishes lights at {top}, the brightest that was played."
            )
    return " ".join(parts)


def _colours(shifts: Sequence[tuple[str, ColourShift]]) -> str:
    low, high = LIGHT_RANGE
    sentences = [
        f"{name} shows the typical one at {100 * shift.saturation:.0f} % of its strength and turns "
        f"its hue by {shift.turn:.1f}°, that of one in twenty by {shift.turn_p95:.0f}° or more."
        for name, shift in shifts
    ]
    which = f"Of colours that an SDR signal can hold, {low:g} to {high:g} cd/m2:"
    return " ".join([which, *sentences])


def _explained(named: Sequence[tuple[str, Measurement]]) -> str:
    found = [(name, one.conversion) for name, one in named if one.conversion.family]
    passed = [name for name, one in named if passes_through(one.conversion)]
    known = {name for name, _ in found} | set(passed)
    free = [name for name, _ in named if name not in known]
    parts = []
    if passed:
        parts.append(f"Nothing is to be converted by {_listed(passed)}: the source is the measure.")
    if found:
        curves = [f"{name} by {conversion.family_label}" for name, conversion in found]
        parts.append(
            f"A published curve explains what was recorded about as well as rounding allows: "
            f"{_listed(curves)}."
        )
    if free:
        parts.append(f"No published curve that was tried explains {_listed(free)}.")
    return " ".join(parts)


def _alike(comparison: Comparison) -> str:
    names, mean, floor = comparison.devices, comparison.distance_mean, comparison.distance_floor
    pairs = sorted((float(mean[a, b]), b, a) for a in range(len(mean)) for b in range(a))
    close, one, other = pairs[0]
    nearest = (
        f"{names[one]} and {names[other]} are {close:.1f} ΔE_ITP apart on average (rounding alone: "
        f"{floor[one, other]:.1f})"
    )
    if len(pairs) > 1:
        far, left, right = pairs[-1]
        nearest += f", the closest pair; {names[left]} and {names[right]} are {far:.1f} apart, the "
        nearest += "furthest"
    parts = [nearest, "A difference of 1 can just be seen under the best conditions"]
    same = [
        f"{names[verdict.first]} and {names[verdict.second]}"
        for verdict in comparison.verdicts
        if verdict.kind == "same"
    ]
    if same:
        margin = comparison.verdicts[0].margin
        parts.append(f"Shown to convert alike, within {margin:g}: {'; '.join(same)}")
    return ". ".join(parts) + "."


def _by_output(named: Sequence[tuple[str, Measurement]], key: str) -> list[tuple[str, float]]:
    """Devices with the light of a landmark, the brightest first."""
    found = [
        (name, mark.output)
        for name, one in named
        for mark in one.landmarks
        if mark.id == key and mark.output is not None
    ]
    return sorted(found, key=lambda item: -item[1])


def _graver(measurement: Measurement) -> int:
    return sum(finding.severity != "info" for finding in measurement.findings)


def _listed(items: Sequence[str]) -> str:
    *most, last = items
    return f"{', '.join(most)} and {last}" if most else last


def _number(count: int) -> str:
    words = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
    return words[count] if count < len(words) else str(count)
