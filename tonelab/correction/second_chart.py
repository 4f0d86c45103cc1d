"""A second chart for one device: which colours it shows, and what came of them.

A first chart tells what a device makes of many colours, and of those between them as far as it does
not bend. Where it does is seen from the colours themselves: near a clip, a kink or a local change
of hue no plane goes through neighbouring ones. There a second chart puts new colours, in places
drawn by lot with odds that follow the bends.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tonelab.chart import Group, Layout
from tonelab.chart.colours import codes_of_rgb
from tonelab.chart.patches import hashed, refined_count, shuffled
from tonelab.correction.look import learn_look
from tonelab.correction.table import lattice
from tonelab.errors import UsageError
from tonelab.readings import readings_of
from tonelab.readings.chart import layout_of
from tonelab.readings.colours import STATIC_LIMIT, gather, joined
from tonelab.results import Finding
from tonelab.signal.colorimetry import rgb_to_ycbcr
from tonelab.signal.quantisation import ycbcr_to_codes

if TYPE_CHECKING:
    from tonelab.correction.look import Look
    from tonelab.readings import Readings
    from tonelab.results import Measurement, Tallies
    from tonelab.results.progress import StageProgress
    from tonelab.signal.arrays import CodeArray, FloatArray, IntArray
    from tonelab.signal.description import Signal

PAGES = 3  # of a second chart, unless stated
AT_FLOOR = 1.2  # floors that may be left on colours not fitted
_NEIGHBOURS = 10  # measured colours through which a plane is laid
_REACH = 2.5  # steps of the lattice beyond which a colour says nothing of a place
_NOISE = 2.0  # floors by which rounding alone keeps colours off a plane
_MOST = 8.0  # codes, beyond which a place is no more urgent: a clip would take every colour
_BLOCK = 50_000  # places looked at in one go
_BETTER = 0.95  # of what was left before: a chart that leaves less still helps
_MARKS = 1024
FINDING = "second-chart"


@dataclass(frozen=True, slots=True)
class Left:
    """By how much prediction misses colours that it was not fitted to, codes RMS.

    Attributes
    ----------
    count
        How many there are.
    before, after
        What is left without and with the chart that shows them.
    floor
        What rounding leaves.
    noise
        What noise of the samples leaves in the means of patches.
    """

    count: int
    before: float
    after: float
    floor: float
    noise: float

    @property
    def at_floor(self) -> bool:
        """Whether prediction rests at the floor."""
        return self.after <= AT_FLOOR * self.floor


def second_chart(
    measurement: Measurement,
    name: str,
    *,
    pages: int = PAGES,
    hold: int = 24,
    progress: StageProgress | None = None,
) -> Layout:
    """Return a chart of the colours that a measured device leaves open.

    Parameters
    ----------
    measurement
        Of the chart, and of further ones if there are.
    name
        What sentences call its curve file.
    pages
        Mixed pages, 1 to 15, of about three thousand colours each.
    hold
        Frames for which each page stands.
    progress
        Called with (stage, done, total).

    Raises
    ------
    UsageError
        When it would be of no use: the device is not static, is known to the floor, or was not
        measured with the chart; or gives HDR.
    ChartError
        When ``hold`` is out of its range.
    """
    _check_first(measurement, name)
    look = learn_look(measurement)
    floor = measurement.conversion.floor_codes_rms
    readings = readings_of(measurement)
    left = _missed(look, look.unseen, look.seen, readings.capture_coding)
    places, codes = _new_places(readings)
    urgency = _urgency(readings, look, places, floor, progress)
    if left <= AT_FLOOR * floor or not (urgency > 0).any():
        raise UsageError(
            f"{name} predicts {len(look.unseen)} colours that were not fitted to {left:.2f} codes "
            f"RMS, and rounding alone leaves {floor:.2f}: a second chart has nothing to add."
        )
    lot = (hashed(len(places), 5) >> np.uint64(11)).astype(np.float64) / 2.0**53
    with np.errstate(divide="ignore"):
        # The largest of these keys are a sample without replacement whose odds are the urgency.
        key = np.where(urgency > 0, np.log(lot) / urgency, -np.inf)
    count = refined_count(pages)
    chosen = np.lexsort((lot, -key))[:count]
    colours = np.resize(codes[chosen], (count, 3))[shuffled(count, 3)]
    first = layout_of(measurement.tallies, measurement.source.width, measurement.source.height)
    return Layout.create_refined(first, colours, mark_of(measurement), hold)


def mark_of(measurement: Measurement) -> int:
    """Return the number, 0 to 1023, by which a second chart names the measurement it is for."""
    total = hashlib.sha256()
    for tallies in (measurement.tallies, *(chart.tallies for chart in measurement.further)):
        for side in ("source", "capture"):
            total.update(np.asarray(tallies.tables[f"patch_sum_{side}"], "<i8").tobytes())
    return int.from_bytes(total.digest()[:2], "big") % _MARKS


def check_second(layout: Layout | None, source: str, first: Measurement | None) -> None:
    """Refuse a chart that does not belong to the measurement that it is to extend.

    Parameters
    ----------
    layout
        What the source shows; None without a chart.
    source
        Its file's name.
    first
        The measurement, if one was given.

    Raises
    ------
    UsageError
        When it is a second chart without a measurement, no second chart, or that of another.
    """
    refinement = None if layout is None else layout.refinement
    if first is None:
        if refinement is not None:
            raise UsageError(
                f"{source} is a second chart and tells nothing without the first: give the curve "
                "file that it was made for with --with."
            )
        return
    if not first.tallies.layout:
        raise UsageError(
            f"The measurement of {first.device} given with --with is not one of the chart: give "
            "the curve file that was named to 'tonelab chart --refine'."
        )
    if refinement is None:
        raise UsageError(
            f"{source} is not a second chart: write one with 'tonelab chart --refine', play it on "
            f"{first.device}, and give it with its capture."
        )
    if refinement.mark != mark_of(first):
        raise UsageError(
            f"{source} was made for another measurement than the one given with --with: give "
            "the curve file that was named to 'tonelab chart --refine'."
        )


def check_same_device(first: Measurement, tallies: Tallies, capture: str) -> float:
    """Compare what both charts show, and refuse a capture of something else.

    Returns
    -------
    float
        95th percentile of the largest difference of the components, codes.

    Raises
    ------
    UsageError
        When colours have moved by more than rounding and the sampling explain.
    """
    readings = readings_of(first)
    size = first.source.width, first.source.height
    groups = (Group.NEUTRAL, Group.REPEAT)
    before = gather(first.tallies, layout_of(first.tallies, *size), *groups)
    after = gather(tallies, layout_of(tallies, *size), *groups)
    keys, others = _keys(np.rint(before.source)), _keys(np.rint(after.source))
    _, rows, others = np.intersect1d(keys, others, return_indices=True)
    if not len(rows):
        raise UsageError(
            f"{capture} shows none of the colours of the first chart: capture the whole second "
            "chart."
        )
    one, two = before[rows], after[others]
    moved = np.abs(two.capture - one.capture).max(axis=1)
    noise = np.sqrt((one.variance / one.count + two.variance / two.count).max(axis=1))
    limit = max(STATIC_LIMIT * readings.step, 4 * float(np.median(noise)))
    swing = float(np.percentile(moved, 95))
    if swing > limit:
        raise UsageError(
            f"{capture} shows {len(rows)} colours of the first chart up to {swing:.1f} codes from "
            f"where {first.device} put them before, so it is another device or setting, or one "
            "that changes with the picture: set it as it was, or measure both charts anew."
        )
    return swing


def judge_second(first: Measurement, merged: Measurement) -> Left:
    """Hold the colours of the last chart that no fit saw against both predictions.

    Parameters
    ----------
    first, merged
        The measurement without and with its last further chart.
    """
    before, after = learn_look(first), learn_look(merged)
    # Those of the last chart stand last.
    new = slice(len(before.unseen), None)
    at, seen = after.unseen[new], after.seen[new]
    coding = readings_of(merged).capture_coding
    size = merged.source.width, merged.source.height
    tallies = merged.further[-1].tallies
    colours = gather(tallies, layout_of(tallies, *size), Group.REFINED)
    noise = float(np.sqrt((colours.variance / colours.count).mean())) if len(colours) else 0.0
    return Left(
        count=len(at),
        before=_missed(before, at, seen, coding),
        after=_missed(after, at, seen, coding),
        floor=merged.conversion.floor_codes_rms,
        noise=noise,
    )


def finding_of(left: Left, static: str) -> Finding:
    """Say what a second chart brought, and whether another one would bring more.

    ``static`` is the verdict of `tonelab.results.IdentifiedConversion`.
    """
    text = (
        f"On {left.count} colours of the second chart that were not fitted, prediction misses "
        f"{left.before:.2f} codes RMS with the charts before it, {left.after:.2f} with it, and "
        f"rounding alone leaves {left.floor:.2f}: "
    )
    limit = AT_FLOOR * left.floor
    if left.at_floor:
        text += "it rests at the floor, and no further chart is needed."
    elif static not in {"static", "unknown"}:
        text += f"the device is {static}, and more colours do not bring it to the floor."
    elif left.after**2 - left.noise**2 <= limit**2:
        text += (
            f"noise, {left.noise:.2f} codes in a patch, keeps it from the floor; hold pages longer."
        )
    elif left.after < _BETTER * left.before:
        text += "not at the floor yet; another chart, or one of more pages, brings it nearer."
    else:
        text += "it does not come nearer: the device bends more sharply than charts can show."
    return Finding(
        FINDING,
        "info",
        text,
        value=left.after,
        unit="codes",
        threshold=limit,
        count=left.count,
    )


def _check_first(measurement: Measurement, name: str) -> None:
    """Refuse what a second chart cannot help; HDR is refused where the look is learned."""
    if not measurement.tallies.layout:
        raise UsageError(
            f"{name} was not measured with the chart: measure {measurement.device} with the clip "
            "that 'tonelab chart' writes first."
        )
    static = measurement.conversion.static
    if static not in {"static", "unknown"}:
        raise UsageError(
            f"{name} is of a device that is {static}: the same colour lands on several codes, and "
            "more colours do not change that."
        )


def _new_places(readings: Readings) -> tuple[FloatArray, CodeArray]:
    """Source signals (N, 3) halfway and a quarter between nodes, and codes that no chart showed."""
    known = readings.lattice()
    assert known is not None
    quarter = known.top / (known.size - 1) / 4
    places = np.concatenate(
        [
            lattice(0.0, known.top, 2 * known.size - 1),
            lattice(quarter, known.top - quarter, 2 * (known.size - 1)),
        ]
    )
    codes = codes_of_rgb(places)
    keys, first = np.unique(_keys(codes), return_index=True)
    shown = _keys(np.rint(np.concatenate([readings.colours.source, readings.neutrals.source])))
    rows = np.sort(first[~np.isin(keys, shown)])
    return places[rows], codes[rows]


def _urgency(
    readings: Readings,
    look: Look,
    places: FloatArray,
    floor: float,
    progress: StageProgress | None,
) -> FloatArray:
    """How much is to be learned at places (N, 3): codes by which the colours around miss a plane.

    Less by the nearer the next measured colour is; 0 where rounding explains it.
    """
    from scipy.spatial import cKDTree

    known = readings.lattice()
    assert known is not None
    colours = joined(joined(known.nodes, known.between), known.neutrals)
    at = readings.source_coding.decode_rgb(colours.source)
    within = at.max(axis=1) <= known.top * (1 + 0.25 / (known.size - 1))
    at, shown = at[within], colours.capture[within]
    coding = readings.capture_coding
    found = np.clip(coding.decode_rgb(shown), look.low, look.high)
    left = _codes(found, coding) - _codes(look.base(np.clip(at, 0.0, 1.0)), coding)
    step, tree = known.top / (known.size - 1), cKDTree(at)
    urgency = np.zeros(len(places))
    for start in range(0, len(places), _BLOCK):
        if progress is not None:
            progress("choosing", start, len(places))
        block = places[start : start + _BLOCK]
        distance, nearest = map(np.asarray, tree.query(block, _NEIGHBOURS))
        offset = (at[nearest] - block[:, None]) / step
        bend = _off_plane(offset, left[nearest], np.maximum(1 - distance / (_REACH * step), 0.0))
        surplus = np.clip(bend - _NOISE * floor, 0.0, _MOST)
        urgency[start : start + _BLOCK] = surplus * np.minimum(distance[:, 0] / step, 1.0)
    return urgency


def _off_plane(offset: FloatArray, left: FloatArray, weight: FloatArray) -> FloatArray:
    """RMS distance (N,) of values (N, k, 3) at offsets (N, k, 3) from the best plane.

    That of the worst component, weighted by (N, k).
    """
    design = np.concatenate([np.ones_like(weight)[..., None], offset], axis=-1)
    weighted = np.swapaxes(design * weight[..., None], 1, 2)
    plane = np.linalg.solve(weighted @ design + 1e-3 * np.eye(4), weighted @ left)
    square = (weight[..., None] * (left - design @ plane) ** 2).sum(axis=1)
    total = np.maximum(weight.sum(axis=1), 1e-9)
    return np.asarray(np.sqrt(square.max(axis=1) / total), np.float64)


def _missed(look: Look, at: FloatArray, seen: FloatArray, coding: Signal) -> float:
    """RMS in Y'CbCr codes between a look and what was seen, signals (N, 3)."""
    if not len(at):
        return 0.0
    return float(np.sqrt(np.mean((_codes(look(at), coding) - _codes(seen, coding)) ** 2)))


def _codes(signal: FloatArray, coding: Signal) -> FloatArray:
    """Y'CbCr codes (N, 3) of R'G'B' signals (N, 3)."""
    ycbcr = rgb_to_ycbcr(signal, coding.coding_matrix)
    return ycbcr_to_codes(ycbcr, coding.bits, coding.range)


def _keys(codes: FloatArray | CodeArray) -> IntArray:
    """One number (N,) for each of codes (N, 3)."""
    weight: IntArray = np.array([1 << 20, 1 << 10, 1], np.int64)
    keys: IntArray = np.asarray(codes, np.int64) @ weight
    return keys
