"""What was seen, and what it rests on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

Severity: TypeAlias = Literal["stop", "warning", "info"]
Verdict: TypeAlias = Literal["", "transparent", "not transparent", "cannot tell"]


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was seen, with what it rests on.

    Attributes
    ----------
    id
        Stable short name, such as ``range-mismatch``.
    severity
        ``stop`` forbids a curve, ``warning`` limits it, ``info`` only tells.
    text
        One sentence for people.
    value, bound, unit, threshold
        Measured value, its uncertainty or floor, their unit, and the value that triggers.
    count
        Number of samples it rests on.
    alternatives
        Other explanations the data do not exclude.
    decided_by
        The capture that would decide, or an empty string.
    verdict
        What a check of the path says: shown transparent within ``bound``, shown not transparent,
        or that this capture cannot tell; empty where transparency was not the question.
    """

    id: str
    severity: Severity
    text: str
    value: float | None = None
    bound: float | None = None
    unit: str = ""
    count: int = 0
    threshold: float | None = None
    alternatives: tuple[str, ...] = ()
    decided_by: str = ""
    verdict: Verdict = ""
