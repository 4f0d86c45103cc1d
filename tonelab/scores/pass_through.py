"""Captures that convert nothing, HDR of HDR and SDR of SDR, held against the source itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.errors import SignalError
from tonelab.readings.colours import shown_light
from tonelab.results import Finding, IdentifiedConversion, Score
from tonelab.signal.colorimetry import delta_e_itp, rgb_to_ycbcr
from tonelab.signal.quantisation import quantise, ycbcr_to_codes

if TYPE_CHECKING:
    from tonelab.readings.colours import Colours
    from tonelab.signal.arrays import FloatArray
    from tonelab.signal.description import Signal

NONE = "none: passed through"
SOURCE = "source"


def passes_through(conversion: IdentifiedConversion) -> bool:
    """Whether a conversion says that nothing was converted, and the source is the measure."""
    return conversion.drive == NONE


def hold_against_source(
    neutrals: Colours, colours: Colours, source: Signal, target: Signal, step: float, static: str
) -> tuple[IdentifiedConversion, tuple[Score, ...], tuple[Finding, ...]]:
    """Score a capture that was not converted against its source.

    Parameters
    ----------
    neutrals, colours
        As in `tonelab.identify.gather_evidence`: means in Y'CbCr codes, (N, 3) on each side.
    source, target
        How source and capture are coded, both Y'CbCr.
    step
        Step of the capture's codes.
    static
        Verdict on repeated colours.

    Returns
    -------
    IdentifiedConversion
        No part of a conversion, and by how many codes the capture differs from the source.
    tuple of Score
        One, of the distance from the source.
    tuple of Finding
        What a reader must not mistake.

    Raises
    ------
    SignalError
        When the source is coded by another transfer function than the capture.
    """
    if source.transfer != target.transfer:
        raise SignalError(
            f"The capture is {target.transfer} and the source {source.transfer}: a conversion from "
            "one to the other is not measured; state --capture-signal transfer=... if a tag is "
            "wrong."
        )
    wanted, grey = (passed_codes(one.source, source, target) for one in (colours, neutrals))
    score = _distance(wanted, grey, colours.capture, neutrals.capture, target, step)
    codes_rms = score.codes_rms
    kind = "HDR" if target.is_hdr else "SDR of an SDR source"
    conversion = IdentifiedConversion(
        family=None,
        family_label=f"none: the capture is {kind} and is held against its source",
        parameters={},
        drive=NONE,
        order=NONE,
        chroma=NONE,
        gamut=NONE,
        encoding=NONE,
        controls={},
        residual_codes_rms=codes_rms,
        held_out_codes_rms=codes_rms,
        floor_codes_rms=step / 12**0.5,
        neutral_codes_rms=_rms(grey - neutrals.capture),
        free_codes_rms=codes_rms,
        count=score.count,
        held_out_count=score.count,
        static=static,
        notes=("Nothing was fitted: the residual is the capture's difference from the source.",),
    )
    text = "no HDR-to-SDR conversion is in it, and it is held against the source"
    finding = Finding(
        id="capture-is-hdr" if target.is_hdr else "source-is-sdr",
        severity="warning",
        text=f"The capture is {target.transfer}: {text}; state --capture-signal transfer=bt1886 if "
        "the tag is wrong."
        if target.is_hdr
        else f"The source is stated to be {source.transfer}, as the capture is: {text}.",
        value=codes_rms,
        unit="codes RMS",
        count=score.count,
    )
    return conversion, (score,), (finding,)


def _distance(
    wanted: FloatArray,
    grey: FloatArray,
    captured: FloatArray,
    captured_grey: FloatArray,
    target: Signal,
    step: float,
) -> Score:
    """Distance of captured codes from those that the source would have left, greys apart."""
    expected, shown = shown_light(wanted, target), shown_light(captured, target)
    distance = delta_e_itp(expected, shown)
    rounded = np.float64(step) * quantise(wanted / step, target.bits)
    floor = delta_e_itp(expected, shown_light(rounded, target))
    white, seen = (shown_light(codes, target)[:, 1] for codes in (grey, captured_grey))
    lit = white > 1.0
    return Score(
        standard=SOURCE,
        label="the source itself",
        mean=float(distance.mean()),
        median=float(np.median(distance)),
        p95=float(np.percentile(distance, 95)),
        p99=float(np.percentile(distance, 99)),
        max=float(distance.max()),
        floor=float(floor.mean()),
        luminance_error=float(100 * np.abs(seen[lit] / white[lit] - 1).mean()),
        codes_rms=_rms(wanted - captured),
        count=len(distance),
        display=target.describe(),
    )


def passed_codes(codes: FloatArray, source: Signal, target: Signal) -> FloatArray:
    """Return codes (N, 3) of a capture, not rounded, that passes source codes (N, 3) through."""
    rgb = source.decode_rgb(codes)
    return ycbcr_to_codes(rgb_to_ycbcr(rgb, target.matrix), target.bits, target.range)


def _rms(difference: FloatArray) -> float:
    return float(np.sqrt(np.mean(difference**2)))
