"""How each signal is read: what the container declares, the user states, and the data show."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from tonelab.chart import Group
from tonelab.colours import gather
from tonelab.errors import SignalError
from tonelab.results import Finding
from tonelab.signal.quantisation import luma_scale

if TYPE_CHECKING:
    from tonelab.chart import Layout
    from tonelab.signal.description import Signal
    from tonelab.tallies import Tallies

HLG_PEAK = 1000.0  # cd/m2, the nominal peak of BT.2100 HLG when none is stated
STATIC_LIMIT = 1.0  # codes by which a repeated colour may differ before it is called varying

Reading = tuple["Signal", tuple[Finding, ...]]


def read_source(declared: Signal, layout: Layout) -> Reading:
    """Read the source as the chart that it is; the user's word wins over the chart's.

    Returns
    -------
    Signal
        With inferred fields where the container was silent or wrong.
    tuple of Finding
        One per declared field that contradicts the chart.
    """
    truth: dict[str, Any] = {
        "matrix": "bt2020",
        "range": "narrow",
        "transfer": layout.transfer,
        "primaries": "bt2020",
    }
    signal, findings = _settle(declared, truth, "source", "the chart is rendered so")
    if signal.transfer == "hlg" and signal.origins.get("peak") != "stated":
        signal = signal.with_fields("assumed", peak=HLG_PEAK)
    return signal, findings


def read_capture(declared: Signal, tallies: Tallies, layout: Layout) -> Reading:
    """Read the range of the capture from where the chart's black lands.

    Raises
    ------
    SignalError
        When the capture is declared HDR: there is no HDR-to-SDR conversion to measure.
    """
    if declared.is_hdr:
        raise SignalError(
            f"The capture is {_origin(declared, 'transfer')} as {declared.transfer}, so no "
            "HDR-to-SDR conversion is in it: set the device to SDR output, or state "
            "--capture-signal transfer=bt1886 if the tag is wrong."
        )
    neutrals = gather(tallies, layout, Group.NEUTRAL)
    order = np.argsort(neutrals.source[:, 0], kind="stable")
    code = neutrals.capture[order, 0]
    black = float(np.interp(64.0, neutrals.source[order, 0], code))
    start, span = luma_scale(declared.bits, "narrow")
    # A black below half of narrow range's own, with whites beyond narrow range's nominal peak,
    # cannot come from a narrow-range picture that keeps its blacks.
    full = black < start / 2 and float(code[-1]) > start + 1.02 * span
    return _settle(
        declared,
        {"range": "full" if full else "narrow"},
        "capture",
        f"source black lands on code {black:.1f} and the brightest on {code[-1]:.1f}",
        count=int(neutrals.count[:, 0].sum()),
    )


def code_step(tallies: Tallies, capture: Signal) -> float:
    """Return the step of the capture's luma codes: 4 when 8 bits sit in a 10-bit container."""
    used = np.flatnonzero(tallies.tables["capture_histogram"][0])
    step = int(np.gcd.reduce(used)) if len(used) > 1 else 1
    limit = 2 ** (capture.bits - 8)
    return float(step if step > 1 and limit % step == 0 else 1)


def repeatability(tallies: Tallies, layout: Layout, step: float) -> tuple[str, tuple[Finding, ...]]:
    """Compare the same colours under other surrounds and page averages.

    Returns
    -------
    str
        ``static``, ``varies with the picture``, or ``unknown``.
    tuple of Finding
        The size of the difference with what it rests on.
    """
    rows = gather(tallies, layout, Group.REPEAT, merge=False)
    base = layout.patches.repeat_of[rows.patch]
    everything = gather(tallies, layout, merge=False)
    position = {int(patch): index for index, patch in enumerate(everything.patch)}
    known = np.array([int(b) in position for b in base], bool)
    if not known.any():
        return "unknown", ()
    rows = rows[known]
    first = everything[np.array([position[int(b)] for b in base[known]])]
    moved = rows.capture - first.capture - (rows.source - first.source)
    noise = np.sqrt(rows.variance / rows.count + first.variance / first.count)
    size = float(np.abs(moved).max())
    swing = float(np.percentile(np.abs(moved), 95))
    limit = STATIC_LIMIT * step
    static = swing <= limit
    verdict = "static" if static else "varies with the picture"
    text = (
        f"The same colours in {len(rows)} other surroundings move by at most {size:.2f} codes."
        if static
        else f"The same colours move by up to {size:.1f} codes with their surroundings: one "
        "curve is an average over conditions, not a description."
    )
    return verdict, (
        Finding(
            id="repeated-colours",
            severity="info" if static else "warning",
            text=text,
            value=swing,
            bound=float(2 * noise.max() + step / np.sqrt(12)),
            unit="codes",
            count=len(rows),
            threshold=limit,
            alternatives=() if static else ("scene-dependent mapping", "local mapping"),
            decided_by="" if static else "the full chart, held for several seconds a page",
        ),
    )


def _settle(
    declared: Signal, truth: dict[str, Any], side: str, why: str, count: int = 0
) -> Reading:
    """Take each true field unless the user stated another; report declared contradictions."""
    signal, findings = declared, []
    for name, value in truth.items():
        said, origin = getattr(declared, name), _origin(declared, name)
        if origin == "assumed":
            signal = signal.with_fields("inferred", **{name: value})
            continue
        if said == value:
            continue
        kept = said if origin == "stated" else value
        if origin != "stated":
            signal = signal.with_fields("inferred", **{name: value})
        findings.append(
            Finding(
                id=f"{side}-{name}-mismatch",
                severity="warning",
                text=(
                    f"The {side} is {origin} as {name} {said}, but the data say {value} "
                    f"({why}): read as {kept}."
                ),
                count=count,
            )
        )
    return replace(signal), tuple(findings)


def _origin(signal: Signal, name: str) -> str:
    return signal.origins.get(name, "assumed")
