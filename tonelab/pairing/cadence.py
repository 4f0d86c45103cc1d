"""How a device shows the frames of a clip in time: pulldown, drops, repeats, clocks that differ."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.results import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from tonelab.media import Clip
    from tonelab.pairing.alignment import Path
    from tonelab.signal.arrays import IntArray

_LEAST_SHOWN = 8  # source frames in a row from which a cadence can be read
_LARGEST_SLIP = 0.0025  # of the rate; 23.976 and 24 differ by 0.001
_LEAST_SLIPS = 1.5  # frames by which a clock must have drifted over the capture
_EVEN = 2.0  # source frames about a straight line; rounding takes one, pulldown a half


def cadence_findings(
    source: Clip, capture: Clip, path: Path, reason: NDArray[np.object_]
) -> Iterator[Finding]:
    """Yield how often each source frame is shown; ``reason`` (N,) is empty where one matches."""
    frames = np.flatnonzero(reason != "no match")
    steps = np.diff(path.places[frames])[np.diff(frames) == 1]
    if not len(steps):
        return
    times = np.diff(np.flatnonzero(np.r_[True, steps > 0, True]))[1:-1]
    dropped = int(np.maximum(steps - 1, 0).sum())
    repeated = int((steps == 0).sum())
    nominal = float(capture.rate / source.rate)
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
    if pattern or slip is not None:
        return
    for name, count, expected, what in (
        ("dropped", dropped, len(steps) * (1 / nominal - 1), "source frames were passed over"),
        ("repeated", repeated, len(steps) * (1 - 1 / nominal), "captured frames repeat the last"),
    ):
        if not count:
            continue
        by_rate = count <= 1.5 * max(expected, 0.0) + 1 and nominal != 1
        yield Finding(
            f"frames-{name}",
            "info" if by_rate else "warning",
            f"{count} {what}"
            + (
                ", as the two frame rates make them."
                if by_rate
                else ": the device or the capture does not keep time."
            ),
            value=float(count),
            unit="frames",
            threshold=max(0.0, float(expected)),
            count=len(steps),
            alternatives=() if by_rate or count > 1 else ("clocks that differ by 0.1 %",),
            decided_by="" if by_rate or count > 1 else "a capture of two minutes or more",
        )


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
