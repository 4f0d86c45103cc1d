"""What stands above the sections: what was measured, of what, and when."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tonelab.scores.pass_through import passes_through

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tonelab.results import Measurement


def given(measurements: Sequence[Measurement]) -> str:
    """Name what the devices were given."""
    kinds = {"HDR" if one.source.signal.is_hdr else "SDR" for one in measurements}
    return kinds.pop() if len(kinds) == 1 else "HDR or SDR"


def kicker(measurements: Sequence[Measurement]) -> str:
    """Say in a word or two what was done to what they were given."""
    passed = any(passes_through(one.conversion) for one in measurements)
    return f"{given(measurements)} in and out" if passed else "HDR to SDR"


def headline(names: Sequence[str], measurements: Sequence[Measurement]) -> str:
    """Title of a page that was given none."""
    *most, last = names
    who = f"{', '.join(most)} and {last} make" if most else f"{last} makes"
    return f"What {who} of {given(measurements)}"


def dates(measurements: Sequence[Measurement]) -> str:
    """Say when the measurements were made."""
    days = sorted({str(one.provenance.get("time", ""))[:10] for one in measurements} - {""})
    if not days:
        return "on an unknown day"
    return f"on {days[0]}" if len(days) == 1 else f"from {days[0]} to {days[-1]}"
