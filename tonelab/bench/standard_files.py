"""Measurements of the standard conversions themselves: what a perfect device would give.

The chart's colours go through a conversion in float64, are rounded to the codes of a capture, and
are then measured like any capture, so that a standard and a device are compared alike.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.chart import Layout, chart_signal
from tonelab.conversion.standards import STANDARDS
from tonelab.measure import reduce
from tonelab.results import ClipFacts, Measurement, PairingFacts, Tallies
from tonelab.signal.colorimetry import rgb_to_ycbcr
from tonelab.signal.description import Signal
from tonelab.signal.quantisation import quantise, ycbcr_to_codes

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from tonelab.chart.patches import ChartKind
    from tonelab.signal.arrays import IntArray

PEAKS = (1000, 4000)  # cd/m2, mastering peaks of the files kept with the project


def standard_measurement(name: str, peak: int, *, kind: ChartKind = "quick") -> Measurement:
    """Measure a standard conversion on the chart.

    Parameters
    ----------
    name
        Of a registered standard conversion.
    peak
        Mastering peak of the source, cd/m2; also the peak of the chart's colours.
    kind
        ``quick`` or ``full`` chart.

    Raises
    ------
    UsageError
        When there is no such standard; the sentence lists those that exist.
    """
    standard = STANDARDS[name]

    def convert(codes: IntArray) -> IntArray:
        light = chart_signal(_layout(peak, kind)).decode_light(codes)
        rgb = standard.convert(light, source_peak=float(peak))
        ycbcr = ycbcr_to_codes(rgb_to_ycbcr(rgb, "bt709"), 10, "narrow")
        return np.clip(quantise(ycbcr, 10), 4, 1019).astype(np.int64)

    return computed_measurement(
        convert,
        peak,
        kind=kind,
        device=standard.label,
        settings={"mastering peak": f"{peak} cd/m2"},
        notes=f"Computed, not captured: {standard.document}, {standard.status}.",
    )


def computed_measurement(
    convert: Callable[[IntArray], IntArray],
    peak: int,
    *,
    device: str,
    firmware: str = "",
    settings: Mapping[str, str] | None = None,
    notes: str = "",
    kind: ChartKind = "quick",
) -> Measurement:
    """Measure a function of colours on the chart.

    Parameters
    ----------
    convert
        Takes the chart's codes (P, 3), 10-bit narrow BT.2020 Y'CbCr, to 10-bit narrow BT.709 ones.
    peak
        Mastering peak of the source, cd/m2; also the peak of the chart's colours.
    device, firmware, settings, notes
        As in `tonelab.measure`.
    kind
        ``quick`` or ``full`` chart.
    """
    layout = _layout(peak, kind)
    codes = layout.patches.code.astype(np.int64)
    source_signal = chart_signal(layout).with_fields("declared", bits=10)
    capture_signal = Signal().with_fields(
        "stated", matrix="bt709", range="narrow", transfer="bt1886", primaries="bt709"
    )
    return reduce(
        _tallies(layout, codes, convert(codes)),
        _facts(f"chart, {peak} cd/m2", layout, source_signal),
        _facts(device, layout, capture_signal),
        pairing=PairingFacts("computed", (1.0, 1.0), (0.0, 0.0), 0.0, 0, 1),
        device=device,
        firmware=firmware,
        settings=settings,
        notes=notes,
    )


def _layout(peak: int, kind: ChartKind) -> Layout:
    return Layout.create(kind, 1920, 1080, "pq", peak, hold=4)


def _facts(name: str, layout: Layout, signal: Signal) -> ClipFacts:
    return ClipFacts(
        name=name,
        container="none",
        codec="computed",
        width=layout.width,
        height=layout.height,
        rate="1",
        frames=1,
        subsampling="444",
        signal=signal,
        mastering_peak=float(layout.peak),
    )


def _tallies(layout: Layout, source: IntArray, capture: IntArray) -> Tallies:
    """One sample for each patch on both sides."""
    tallies = Tallies.empty(layout.descriptor, len(source), (1024, 1024))
    for side, codes in (("source", source), ("capture", capture)):
        tallies.tables[f"patch_count_{side}"][:] = 1
        tallies.tables[f"patch_sum_{side}"][:] = codes
        tallies.tables[f"patch_square_{side}"][:] = codes**2
        histogram = tallies.tables[f"{side}_histogram"]
        for plane in range(3):
            histogram[plane] = np.bincount(codes[:, plane], minlength=histogram.shape[1])
    tallies.tables["patch_frames"][:] = 1
    tallies.tables["patch_frame_square_capture"][:] = capture**2
    return tallies
