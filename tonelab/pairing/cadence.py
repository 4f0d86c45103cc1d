"""How a device shows the frames of a clip in time: pulldown, drops, repeats, clocks that differ."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from tonelab.results import Finding
from tonelab.results.findings import number

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from tonelab.media import Clip
    from tonelab.pairing.alignment import Path
    from tonelab.signal.arrays import IntArray

_LEAST_SHOWN = 8  # source frames in a row from which a cadence can be read
_LARGEST_SLIP = 0.0025  # of the rate; 23.976 and 24 differ by 0.001
_LEAST_SLIPS = 1.5  # frames by which a clock must have drifted over the capture
_NAMED = 1.0, 1.001, 1 / 1.001  # of the stated ratio; 59.94 is often called 60
_NEARLY_ONE = 0.01
_LEAST_FEWER = 2  # dropped and repeated frames that another rate must save
_SAME_PHASE = 1e-6  # source frames
_EVEN = 2.0  # source frames about a straight line; rounding takes one, pulldown a half


@dataclass(frozen=True, slots=True)
class Order:
    """How far captured frames follow the source in time.

    Two rates ask for a cadence: captured frame n shows source frame floor(n / ratio + phase), which
    is 3:2 for 60 of 24 and nothing as simple for 30 of 24. What keeps to it keeps time, whichever
    frames it repeats or passes over.

    Attributes
    ----------
    dropped, repeated
        Source frames that were passed over, and captured frames shown once more, beyond what the
        rates ask for.
    passed, again
        The same, as the rates ask for them.
    ratio
        Captured frames per source frame to which this holds: that of the stated rates, or 1001 or
        1000 / 1001 times as much where that leaves less, as rates are often named by whole numbers.
    """

    dropped: int
    repeated: int
    passed: int
    again: int
    ratio: float


def follow_order(frames: IntArray, places: IntArray, ratio: float, *, anew: bool = False) -> Order:
    """Compare the order of matched frames with what the two rates ask for.

    Parameters
    ----------
    frames, places
        Shape (N,): captured frames, ascending, and the source frames that they show.
    ratio
        Captured frames per source frame by the stated rates.
    anew
        Whether time starts anew after captured frames that are missing here.
    """
    step, between = np.diff(places), np.diff(frames) - 1
    again = int(np.count_nonzero((step == 0) & (between == 0)))
    passed = int(np.maximum(step - 1 - between, 0)[step > 0].sum())
    found = []
    # Of equal rates a clock that is off by as much is known by its slip.
    for factor in _NAMED if abs(ratio - 1) > _NEARLY_ONE else _NAMED[:1]:
        shifts = _shifts(frames, places, ratio * factor, anew=anew)
        # A source frame that is missing, or a part of its time.
        dropped = sum(max(1, round(shift)) for shift in shifts if shift > 0)
        repeated = sum(max(1, round(-shift * max(ratio, 1.0))) for shift in shifts if shift < 0)
        found.append(Order(dropped, repeated, passed, again, ratio * factor))
    best = min(found, key=lambda order: order.dropped + order.repeated)
    if found[0].dropped + found[0].repeated < best.dropped + best.repeated + _LEAST_FEWER:
        best = found[0]
    return replace(best, passed=max(0, passed - best.dropped), again=max(0, again - best.repeated))


def _shifts(frames: IntArray, places: IntArray, ratio: float, *, anew: bool) -> list[float]:
    """Source frames by which the phase of an even cadence had to change, one for each change."""
    start = places - frames / ratio  # the phase lies from here to 1 above
    shifts: list[float] = []
    low, high, last = -np.inf, np.inf, None
    for n, least in enumerate(start.tolist()):
        new_low, new_high = max(low, least), min(high, least + 1)
        if new_high - new_low > _SAME_PHASE:
            low, high = new_low, new_high
            continue
        if last is not None:
            shifts.append((low + high) / 2 - last)
        last = (low + high) / 2
        gap = frames[n] - frames[n - 1] > 1
        if places[n] < places[n - 1] or (gap and (anew or least + 0.5 < last)):
            last = None  # started again, or was halted while something else was shown
        low, high = least, least + 1
    if last is not None:
        shifts.append((low + high) / 2 - last)
    return [shift for shift in shifts if abs(shift) > _SAME_PHASE]


def order_findings(order: Order, source: Clip, capture: Clip, count: int) -> Iterator[Finding]:
    """Yield frames that were dropped or repeated, and whether the two rates ask for it.

    ``count`` is the number of captured frames looked at.
    """
    rates = (
        f"as {float(capture.rate):.3f} captured frames a second of {float(source.rate):.3f} ask for"
    )
    for name, off, asked, what, thing in (
        ("dropped", order.dropped, order.passed, "passed over", "source frame"),
        ("repeated", order.repeated, order.again, "shown once more", "captured frame"),
    ):
        if off:
            beyond = f" beyond the {asked} {rates}" if asked and order.ratio != 1 else ""
            single = off == 1 and not asked
            yield Finding(
                f"frames-{name}",
                "warning",
                f"{number(off, thing)} {what}{beyond}: the device or the capture does not keep "
                "time.",
                value=float(off),
                unit="frames",
                threshold=0.0,
                count=count,
                alternatives=("clocks that differ by 0.1 %",) if single else (),
                decided_by="a capture of two minutes or more" if single else "",
            )
        elif asked:
            yield Finding(
                f"frames-{name}",
                "info",
                f"{number(asked, thing)} {what}, {rates}.",
                value=float(asked),
                unit="frames",
                threshold=float(asked),
                count=count,
                verdict="transparent",
            )


def cadence_findings(
    source: Clip, capture: Clip, path: Path, reason: NDArray[np.object_]
) -> Iterator[Finding]:
    """Yield how often each source frame is shown; ``reason`` (N,) is empty where one matches."""
    frames = np.flatnonzero(reason != "no match")
    steps = np.diff(path.places[frames])[np.diff(frames) == 1]
    if not len(steps):
        return
    times = np.diff(np.flatnonzero(np.r_[True, steps > 0, True]))[1:-1]
    nominal = float(capture.rate / source.rate)
    order = follow_order(frames, path.places[frames], nominal, anew=True)
    pattern = _pattern(times)
    if pattern:
        yield Finding(
            "cadence",
            "info",
            f"The device shows each source frame {pattern}, at {float(capture.rate):.3f} captured "
            f"frames a second for {float(source.rate):.3f}.",
            value=float(times.mean()),
            unit="captured frames per source frame",
            threshold=nominal,
            count=len(times),
        )
    slip = _slip(frames, path.places[frames], float(source.rate), float(capture.rate))
    if slip is not None:
        yield slip
        return
    yield from order_findings(order, source, capture, len(frames))


def _slip(
    frames: IntArray, places: IntArray, source_rate: float, capture_rate: float
) -> Finding | None:
    """Find a clock that runs evenly but not at the stated rate, as 24.000 for 23.976 does."""
    span = float(np.ptp(frames)) * source_rate / capture_rate
    if span < 1 / _LARGEST_SLIP:
        return None
    slope, start = np.polyfit(frames, places, 1)
    even = float(np.ptp(places - start - slope * frames)) <= _EVEN
    off = slope * capture_rate / source_rate - 1
    if not even or not _LEAST_SLIPS / span < abs(off) < _LARGEST_SLIP:
        return None
    what = "passed over" if off > 0 else "shown once more"
    return Finding(
        "rate-slip",
        "warning",
        f"The clip runs at {source_rate * (1 + off):.3f} frames a second and not at its "
        f"{source_rate:.3f}, by the clock of the capture: a frame is {what} every "
        f"{1 / abs(off * source_rate):.1f} s.",
        value=100 * off,
        bound=100 / span,
        unit="%",
        threshold=100 * _LEAST_SLIPS / span,
        count=len(frames),
        alternatives=("a capture whose stated rate is wrong",),
        decided_by="a capture by a second recorder",
    )


def _pattern(times: IntArray) -> str:
    """Name the regular cadence in which source frames are shown, or return an empty string."""
    if len(times) < _LEAST_SHOWN:
        return ""
    if np.mean(times == 1) > 0.9:
        return ""
    for often, word in ((2, "twice"), (3, "three times"), (4, "four times"), (5, "five times")):
        if np.mean(times == often) > 0.9:
            return word
    three_two = np.isin(times, (2, 3)).mean() > 0.95 and np.mean(np.diff(times) != 0) > 0.9
    return "three times and twice in turn (3:2)" if three_two else ""
