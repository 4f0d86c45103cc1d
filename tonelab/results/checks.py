"""What the checks of one pair found."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tonelab.described import described, result
from tonelab.results.viewable import Viewable

if TYPE_CHECKING:
    from tonelab.results.clips import ClipFacts, PairingFacts
    from tonelab.results.findings import Finding, PathVerdict
    from tonelab.results.path import PathAccount, Unexplained

_GRAVITY: tuple[PathVerdict, ...] = ("not transparent", "cannot tell", "transparent")


@result
class CheckResult:
    """What one check found."""

    name: str = described("Short name of the check")
    title: str = described("What the check asks")
    findings: tuple[Finding, ...] = described(
        "What it found, and what that rests on", dims=("finding",), least=1
    )

    @property
    def verdict(self) -> PathVerdict:
        """The gravest of its findings' verdicts; where none gives one, it cannot tell."""
        given = {finding.verdict for finding in self.findings}
        return next((verdict for verdict in _GRAVITY if verdict in given), "cannot tell")


@result
class CheckReport(Viewable):
    """What the checks of one pair found."""

    source: ClipFacts = described("The clip as decoded from the file that was played")
    capture: ClipFacts = described("The clip recorded at the output of the device")
    loopback: ClipFacts | None = described(
        "The source through a trusted path into the same capture chain",
        absent="when there is none",
        note="It bounds what the capture chain does.",
    )
    pairing: PairingFacts = described("How source and capture were registered")
    pass_through: bool = described(
        "Whether the capture shows the source's own signal", note="Only then all checks apply."
    )
    results: tuple[CheckResult, ...] = described(
        "One for each check that applied, in the order of the register", dims=("check",)
    )
    registration: tuple[Finding, ...] = described(
        "What else the registration shows", dims=("finding",)
    )
    path: PathAccount | None = described(
        "What the path did as a whole",
        absent="for a conversion, an identical capture, or where captured pixels are not in place",
        default=None,
    )
    unexplained: Unexplained | None = described(
        "What the steps of the path leave beyond rounding", absent="as ``path``", default=None
    )

    @property
    def findings(self) -> tuple[Finding, ...]:
        """All findings of all checks, and of the registration."""
        checked = (finding for result in self.results for finding in result.findings)
        return (*self.registration, *checked)
