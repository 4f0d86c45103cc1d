"""How each signal is read: what the container declares, the user states, and the data show."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from tonelab.chart import chart_signal
from tonelab.errors import SignalError
from tonelab.results import Finding
from tonelab.signal.quantisation import luma_scale

if TYPE_CHECKING:
    from tonelab.chart import Layout
    from tonelab.readings.colours import Colours
    from tonelab.signal.description import Signal

    SignalReading: TypeAlias = tuple[Signal, tuple[Finding, ...]]

HLG_PEAK = 1000.0  # cd/m2, the nominal peak of BT.2100 HLG when none is stated
BLACK_SEEN = 0.007  # of the codes from black to peak; codes so near show what becomes of black


def read_chart_source(declared: Signal, layout: Layout) -> SignalReading:
    """Read the source as the chart that it is; the user's word wins over the chart's.

    Returns
    -------
    Signal
        With inferred fields where the container was silent or wrong.
    tuple of Finding
        One per declared field that contradicts the chart.
    """
    drawn = chart_signal(layout)
    truth: dict[str, Any] = {
        name: getattr(drawn, name) for name in ("matrix", "range", "transfer", "primaries")
    }
    signal, findings = _settle(declared, truth, "source", "the chart is rendered so")
    if signal.transfer == "hlg" and signal.origins.get("peak") != "stated":
        signal = signal.with_fields("assumed", peak=HLG_PEAK)
    return signal, findings


def read_content_source(declared: Signal, size: tuple[int, int] | None = None) -> SignalReading:
    """Read a source without a chart: what is declared or stated, BT.2020 where HDR says nothing.

    Of SDR that says nothing the size (width, height) decides, see `Signal.with_sdr_colours`.

    Raises
    ------
    SignalError
        When nothing says that it is PQ or HLG, and nobody that it is SDR.
    """
    if declared.is_stated_sdr:
        return declared if size is None else declared.with_sdr_colours(*size), ()
    if not declared.is_hdr:
        raise SignalError(
            f"Nothing says whether the source is PQ or HLG (it is {_origin(declared, 'transfer')} "
            f"as {declared.transfer}): state --source-signal transfer=pq or transfer=hlg."
        )
    signal = declared
    for name in ("matrix", "primaries"):
        if _origin(signal, name) == "assumed":
            signal = signal.with_fields("assumed", **{name: "bt2020"})
    if signal.transfer == "hlg" and signal.origins.get("peak") != "stated":
        signal = signal.with_fields("assumed", peak=HLG_PEAK)
    return signal, ()


def read_capture(declared: Signal, neutrals: Colours, source: Signal) -> SignalReading:
    """Read the range of the capture from where the source's black lands, if it was seen.

    Parameters
    ----------
    declared
        The capture as declared or stated.
    neutrals
        Greys (N, 3) of the pair in native codes of both sides, in any order; may be none.
    source
        How the source is read, with the depth of its codes.

    Returns
    -------
    Signal
        With the range that the codes show where nothing was declared or it contradicts them.
    tuple of Finding
        One per declared field that contradicts the codes.
    """
    if declared.is_hdr:  # The matrix and the primaries that go with it, unless something says so.
        unsaid = [n for n in ("matrix", "primaries") if _origin(declared, n) == "assumed"]
        declared = declared.with_fields("inferred", **dict.fromkeys(unsaid, "bt2020"))
    source_black, source_span = luma_scale(source.bits, source.range)
    darkest = neutrals.source[:, 0].min(initial=np.inf)
    if darkest > source_black + BLACK_SEEN * source_span:
        return declared, ()
    order = np.argsort(neutrals.source[:, 0], kind="stable")
    code = neutrals.capture[order, 0]
    black = float(np.interp(source_black, neutrals.source[order, 0], code))
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


def _settle(
    declared: Signal, truth: dict[str, Any], side: str, why: str, count: int = 0
) -> SignalReading:
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
