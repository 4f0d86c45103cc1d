"""What was seen, and what it rests on."""

from __future__ import annotations

from typing import Literal, TypeAlias

from tonelab.described import SEE_UNIT, described, result

Severity: TypeAlias = Literal["stop", "warning", "info"]
PathVerdict: TypeAlias = Literal["transparent", "not transparent", "cannot tell"]
Verdict: TypeAlias = Literal["", PathVerdict]


@result
class Finding:
    """One thing that was seen, with what it rests on."""

    id: str = described("Stable short name", note="Such as ``range-mismatch``.")
    severity: Severity = described(
        "stop, warning or info",
        note="``stop`` forbids a curve, ``warning`` limits it, ``info`` only reports.",
    )
    text: str = described("One sentence for people")
    value: float | None = described(
        "Measured value", SEE_UNIT, absent="when there is none", default=None
    )
    bound: float | None = described("Uncertainty or floor of the value", SEE_UNIT, default=None)
    unit: str = described("Unit of value, bound and threshold", default="")
    count: int = described("Samples behind the value", "1", low=0, default=0)
    threshold: float | None = described("Value that triggers the finding", SEE_UNIT, default=None)
    alternatives: tuple[str, ...] = described("Explanations the data do not exclude", default=())
    decided_by: str = described("Capture that would decide", default="")
    verdict: Verdict = described(
        "transparent, not transparent, cannot tell, or nothing",
        note="What a check of the path says: shown transparent within ``bound``, shown not "
        "transparent, or that this capture cannot tell; empty where transparency was not the "
        "question.",
        default="",
    )


def number(count: int, thing: str) -> str:
    """Write a count with its noun in the singular or plural, for the sentence of a finding."""
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"
