"""Whether a device follows the static metadata of its source: one chart, played twice."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.errors import UsageError
from tonelab.readings import readings_of
from tonelab.readings.colours import STATIC_LIMIT
from tonelab.results import Finding

if TYPE_CHECKING:
    from tonelab.results import ClipFacts, Measurement
    from tonelab.signal.arrays import FloatArray

FIELDS = {
    "mastering_peak": "mastering peak",
    "mastering_black": "mastering black",
    "max_cll": "MaxCLL",
    "max_fall": "MaxFALL",
}


def metadata_dependence(first: Measurement, second: Measurement) -> Finding:
    """Compare the same colours under two sets of static metadata (SMPTE ST 2086, CTA-861 MaxCLL).

    Parameters
    ----------
    first, second
        One device with the same settings, one chart layout; only the metadata of the source
        differ.

    Returns
    -------
    Finding
        ``metadata-dependent`` (a warning) with how far the colours move, 95th percentile over
        patches, or ``metadata-independent``, which holds for the fields that differed.

    Raises
    ------
    UsageError
        When device, settings, chart or coding of the capture differ, or the metadata do not.
    """
    changed = _changed(first, second)
    before, variance_before = _means(first)
    after, variance_after = _means(second)
    seen = np.isfinite(before + after).all(axis=1)
    moved = np.abs(after - before)[seen].max(axis=1)
    noise = float(np.sqrt((variance_before + variance_after)[seen].max()))
    step = max(readings_of(one).step for one in (first, second))
    limit = max(STATIC_LIMIT * step, 4 * noise)
    swing = float(np.percentile(moved, 95))
    follows = swing > limit
    effect = (
        f"the same colours move by {swing:.1f} codes: the mapping follows the metadata, and a "
        "curve is valid for one set of them"
        if follows
        else f"the same colours move by at most {moved.max():.2f} codes: the mapping does not "
        "follow these fields"
    )
    return Finding(
        id="metadata-dependent" if follows else "metadata-independent",
        severity="warning" if follows else "info",
        text=f"When {changed}, {effect}.",
        value=swing,
        bound=float(2 * noise + step / np.sqrt(12)),
        unit="codes",
        count=len(moved),
        threshold=limit,
        alternatives=("something else that changed between the captures",) if follows else (),
        decided_by="the first clip captured once more, after the second" if follows else "",
    )


def _changed(first: Measurement, second: Measurement) -> str:
    """Say which metadata differ, or raise because the two captures cannot tell."""
    if (first.device, first.firmware, dict(first.settings)) != (
        second.device,
        second.firmware,
        dict(second.settings),
    ):
        raise UsageError(
            f"{first.device} and {second.device} differ in device, firmware or settings, so a "
            "difference would say nothing of metadata: capture one device twice."
        )
    if "patch_sum_capture" not in first.tallies.tables or (
        first.tallies.layout != second.tallies.layout
    ):
        raise UsageError(
            f"{first.source.name} and {second.source.name} are not one chart: write it twice "
            "with the same options but for --max-cll and --max-fall."
        )

    one, two = first.capture.signal, second.capture.signal
    if (one.bits, one.range, one.matrix) != (two.bits, two.range, two.matrix):
        raise UsageError(
            f"{first.capture.name} and {second.capture.name} are coded differently: capture both "
            "at the same bit depth, range and matrix."
        )

    def stated(clip: ClipFacts, name: str) -> str:
        value = getattr(clip, name)
        return "absent" if value is None else f"{value:g}"

    changes = [
        f"{label} changes from {stated(first.source, name)} to {stated(second.source, name)}"
        for name, label in FIELDS.items()
        if getattr(first.source, name) != getattr(second.source, name)
    ]
    if not changes:
        raise UsageError(
            f"{first.source.name} and {second.source.name} carry the same static metadata: write "
            "one of them with another --max-cll or --max-fall."
        )
    return " and ".join(changes)


def _means(measurement: Measurement) -> tuple[FloatArray, FloatArray]:
    """Mean capture codes (P, 3), NaN where a patch was not seen, and their variance."""
    tables = measurement.tallies.tables
    with np.errstate(invalid="ignore", divide="ignore"):
        count = tables["patch_count_capture"]
        mean = tables["patch_sum_capture"] / count
        variance = np.maximum(tables["patch_square_capture"] / count - mean**2, 0.0) / count
    return mean, variance
