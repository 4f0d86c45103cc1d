"""How numbers and assumptions are put into words, the same everywhere."""

from __future__ import annotations

import math
from collections import Counter
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tonelab.results import (
        CheckReport,
        ClipFacts,
        FurtherChart,
        Landmark,
        PairingFacts,
        ParameterEstimate,
    )
    from tonelab.signal.description import Signal

_RESOLVED = 1e-6
NOT_REACHED = "not reached"
NONE = "–"
NOT_IDENTIFIABLE = "not identifiable from this capture"
NOT_IN_MODEL = "not in this model"

_TRANSFERS = {"bt1886": "BT.1886", "gamma22": "gamma 2.2", "srgb": "sRGB", "pq": "PQ", "hlg": "HLG"}


def number(value: float, digits: int = 4) -> str:
    """Write a number with significant digits and without an exponent where people expect none."""
    if not math.isfinite(value):
        return str(value)
    if value == 0 or 1e-4 <= abs(value) < 1e6:
        decimals = digits - 1 - math.floor(math.log10(abs(value))) if value else 0
        return f"{value:.{min(max(decimals, 0), 6)}f}"
    return f"{value:.{digits}g}"


def light(value: float) -> str:
    """Light with its unit, with more decimals the darker it is and none from 100 cd/m2 on."""
    if 0 < value < 0.00005:
        return "< 0.0001 cd/m2"
    decimals = 0 if value >= 100 or value == 0 else 1 if value >= 10 else 2 if value >= 0.1 else 4
    return f"{value:,.{decimals}f} cd/m2"


def measured(value: float, bound: float | None, digits: int = 4) -> str:
    """Write a value of a finding with its bound.

    No unit in use resolves a millionth; what is less is rounding of our own arithmetic, and a bound
    below it is given as that.
    """
    if math.isfinite(value) and abs(value) < _RESOLVED:
        value = 0.0
    if bound is not None and 0 < bound < _RESOLVED:
        bound = _RESOLVED
    within = "" if bound is None else f" ± {bound:.2g}"
    return f"{value:.{digits}g}{within}"


def unit_of(name: str) -> str:
    """Write a unit as it follows a number; nothing for a pure number."""
    return "" if name in {"", "1"} else f" {name}"


def left_out(pairing: PairingFacts) -> str:
    """Count the frames that were left out, by reason; empty when none was."""
    return ", ".join(f"{count} {reason}" for reason, count in pairing.left_out.items() if count)


def further_chart(chart: FurtherChart) -> str:
    """Say which further chart counts with the first, and what it brought."""
    return (
        f"{chart.source.name} as {chart.capture.name}: {chart.count} colours not fitted are missed "
        f"by {chart.before_codes_rms:.2f} codes RMS before it and {chart.after_codes_rms:.2f} with "
        f"it, floor {chart.floor_codes_rms:.2f}"
    )


def interval(estimate: ParameterEstimate) -> tuple[str, str]:
    """Value and 95 % interval of a parameter, both with the digits that the interval bears out."""
    width = (estimate.high - estimate.low) / 2
    if not (math.isfinite(width) and width > 0):
        return number(estimate.value), ""
    decimals = min(max(1 - math.floor(math.log10(1.001 * width)), 0), 6)
    return (
        f"{estimate.value:.{decimals}f}",
        f"{estimate.low:.{decimals}f} to {estimate.high:.{decimals}f}",
    )


def display_of(signal: Signal) -> str:
    """Name the display that turns the codes into light, and who says so."""
    name = _TRANSFERS[signal.transfer]
    if signal.transfer == "pq":
        return f"{name} display, absolute"
    origin = signal.origins.get("peak", "assumed")
    return f"{name} display, {signal.peak:g} cd/m2, black {signal.black:g} cd/m2 ({origin})"


def readings(signal: Signal) -> list[tuple[str, str, str]]:
    """Field, value and origin of how a signal is read, in the order people ask for them."""
    fields = {
        "transfer": _TRANSFERS[signal.transfer],
        "range": signal.range,
        "matrix": signal.matrix,
        "primaries": signal.primaries,
        "siting": signal.siting,
    }
    return [(name, value, signal.origins.get(name, "assumed")) for name, value in fields.items()]


def landed(landmark: Landmark) -> tuple[str, str]:
    """Capture code and output light of a landmark, in words where there is no number.

    A landmark without a code whose output is known is a slope and has no unit.
    """
    if landmark.code is None:
        output = landmark.output
        return ("", number(output, 3)) if output is not None else (NOT_REACHED, NOT_REACHED)
    bound = f" ± {landmark.bound:.1f}" if landmark.bound is not None else ""
    shown = light(landmark.output) if landmark.output is not None else NOT_IDENTIFIABLE
    return f"{landmark.code:.1f}{bound}", shown


def picture(clip: ClipFacts) -> str:
    """Coding, size, rate and depth of a clip in one line."""
    return (
        f"{clip.codec} in {clip.container}, {clip.width} × {clip.height}, {clip.rate} fps, "
        f"{clip.subsampling} {clip.signal.bits} bits"
    )


def verdict_words(document: Mapping[str, Any]) -> str:
    """Say in one line what a document of checks holds, the altered named."""
    checks = document["checks"]
    altered = [one["name"] for one in checks if one["verdict"] == "not transparent"]
    counts = Counter(one["verdict"] for one in checks)
    return (
        f"not transparent: {', '.join(altered) or 'none'}; {counts['transparent']} checks "
        f"transparent within their bounds, {counts['cannot tell']} cannot tell"
    )


def verdict_line(report: CheckReport) -> str:
    """Count the verdicts in one sentence."""
    verdicts = [result.verdict for result in report.results]
    return (
        f"{verdicts.count('transparent')} checks show the path transparent within their bounds, "
        f"{verdicts.count('not transparent')} show it not transparent, "
        f"{verdicts.count('cannot tell')} cannot tell."
    )
