"""What the checks of one pair found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tonelab.results.viewable import Viewable

if TYPE_CHECKING:
    from tonelab.results.clips import ClipFacts, PairingFacts
    from tonelab.results.findings import Finding, Verdict

_GRAVITY: tuple[Verdict, ...] = ("not transparent", "cannot tell", "transparent", "")


@dataclass(frozen=True, slots=True)
class CheckResult:
    """What one check found: its name, what it asks, and its findings."""

    name: str
    title: str
    findings: tuple[Finding, ...]

    @property
    def verdict(self) -> Verdict:
        """The gravest of its findings' verdicts."""
        return min((finding.verdict for finding in self.findings), key=_GRAVITY.index)


@dataclass(frozen=True, slots=True)
class CheckReport(Viewable):
    """What the checks of one pair found.

    Attributes
    ----------
    source, capture
        Facts of the two clips.
    loopback
        Facts of the recording that bounds the capture chain, if there was one.
    pairing
        How source and capture were registered.
    pass_through
        Whether the capture shows the source's own signal; only then all checks apply.
    results
        One for each check that applied, in the order of the register.
    registration
        What else the registration tells.
    """

    source: ClipFacts
    capture: ClipFacts
    loopback: ClipFacts | None
    pairing: PairingFacts
    pass_through: bool
    results: tuple[CheckResult, ...]
    registration: tuple[Finding, ...]

    @property
    def findings(self) -> tuple[Finding, ...]:
        """All findings of all checks, and of the registration."""
        checked = (finding for result in self.results for finding in result.findings)
        return (*self.registration, *checked)
