"""Findings on a device relative to a loopback: the source through a trusted path and this chain."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from tonelab.checks.registry import CHAIN

if TYPE_CHECKING:
    from tonelab.results import Finding

_DECIDED_BY = "a capture chain whose loopback is clean here"


def relate(findings: tuple[Finding, ...], loopback: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Attribute to the chain what the loopback shows too, and clear the chain where it is clean.

    Parameters
    ----------
    findings
        Of one check on source and capture.
    loopback
        Of the same check on source and loopback.
    """
    return tuple(_relative(finding, loopback) for finding in findings)


def _relative(finding: Finding, loopback: tuple[Finding, ...]) -> Finding:
    if finding.verdict != "not transparent" or not loopback:
        return finding
    twin = next((f for f in loopback if f.id == finding.id), None)
    shown = loopback if twin is None else (twin,)
    if all(f.verdict == "transparent" for f in shown):
        return replace(
            finding,
            text=f"{finding.text} The loopback is clean here, so the device does it.",
            alternatives=tuple(a for a in finding.alternatives if not a.startswith(CHAIN)),
        )
    if twin is None:
        return finding
    if _differs(finding, twin):
        return replace(
            finding,
            text=f"{finding.text} The loopback shows {twin.value:.4g} of it, so the capture chain "
            "does a part.",
        )
    return replace(
        finding,
        severity="info",
        verdict="cannot tell",
        text=f"{finding.text} The loopback shows the same, so the capture chain does it, and "
        "what the device does here cannot be seen through it.",
        decided_by=_DECIDED_BY,
    )


def _differs(finding: Finding, twin: Finding) -> bool:
    """Whether two values lie further apart than both bounds allow."""
    if finding.value is None or twin.value is None:
        return False
    allowed = (finding.bound or 0.0) + (twin.bound or 0.0)
    return abs(finding.value - twin.value) > max(allowed, 0.02 * abs(twin.value))
