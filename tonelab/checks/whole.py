"""What a path did as a whole, beside what the checks say one by one."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from tonelab.checks.registry import AFTER, CHECKS, altered, transparent, undecided
from tonelab.path.limits import CERTAIN, MOSTLY, MOVED, ROUNDING, UNEXPLAINED
from tonelab.results import CheckResult

if TYPE_CHECKING:
    from collections.abc import Iterable

    from tonelab.checks.registry import Figures
    from tonelab.results import Finding, PathAccount, Unexplained

# What no step of the model does, so that it may leave anything of a capture.
NO_STEP = (
    "static-overlay", "moving-overlay", "overlay", "frames", "cadence", "dither", "picture",
    "scaling", "shift", "decoding", "mapping",
)  # fmt: skip
NO_CAUSE = ("labels", "declared", "metadata", "legal-codes", "identity")  # no change of pixels
DECIDES = "the chart through the same path, which separates place, colour and time"


def as_a_whole(
    account: PathAccount, unexplained: Unexplained, results: Iterable[CheckResult]
) -> CheckResult:
    """Say what the path did in order, and whether what is left may be called transparent.

    Where a check names what no step of the model does, what is left cannot be told apart from it.
    """
    named = [
        finding.id
        for result in results
        for finding in result.findings
        if finding.verdict == "not transparent" and not finding.id.startswith(NO_CAUSE)
    ]
    found = _findings(account, unexplained, named)
    return CheckResult("path", "what the path does as a whole", found)


def answered(
    results: Iterable[CheckResult], account: PathAccount, unexplained: Unexplained
) -> list[CheckResult]:
    """Answer what a check asks by the chain where that predicts the codes and has no such step."""
    results = list(results)
    if account.predicted < CERTAIN or unexplained.value > ROUNDING:
        return results
    text = (
        f"Nothing of the kind is needed to predict {account.predicted:.2%} of {account.count:,} "
        "codes."
    )

    def answer(result: CheckResult) -> CheckResult:
        steps = CHECKS[result.name].steps
        if steps is None or set(steps) & set(account.kinds):
            return result
        kept = [f for f in result.findings if f.verdict != "not transparent"]
        if len(kept) == len(result.findings):
            return result
        found = transparent(
            result.name, text, value=unexplained.value, unit="codes", count=account.count,
            threshold=ROUNDING,
        )  # fmt: skip
        return replace(result, findings=(*kept, found))

    return [answer(result) for result in results]


def _findings(
    account: PathAccount, unexplained: Unexplained, named: list[str]
) -> tuple[Finding, ...]:
    left = (
        f"{unexplained.value:.2f} codes RMS of {unexplained.plane} beyond rounding, "
        f"{unexplained.where}"
    )
    figures: Figures = {
        "value": unexplained.value,
        "bound": unexplained.bound,
        "unit": "codes",
        "count": unexplained.count,
        "threshold": UNEXPLAINED,
        "alternatives": account.rivals,
    }
    share = f"{account.predicted:.2%} of {account.count:,} codes"
    steps = "The path changes nothing"
    if account.steps:
        steps = f"In order, the path does this: {account.describe()}"
    text = f"{steps}. That predicts {share} and leaves {left}."
    if unexplained.value > UNEXPLAINED:
        if any(name.startswith(NO_STEP) for name in named):
            return (undecided("path", text, AFTER, **figures),)
        text = (
            f"Something that none of the known steps explains moves the picture: {left}. The "
            f"nearest chain: {account.describe()}."
        )
        return (altered("path-unexplained", text, decided_by=DECIDES, **figures),)
    causes = [*dict.fromkeys(filter(None, account.causes))]
    if causes and not named and account.moves < MOVED:
        text += f" All of that moves codes by {account.moves:.2f} RMS, about as rounding does."
        return (transparent("path", text, **figures),)
    if causes and named:
        return (altered("path", text, severity="info", **figures),)
    if causes and account.predicted > MOSTLY:
        text += f" Usual causes: {'; '.join(causes)}."
        return (altered("path-altered", text, **figures),)
    if causes:
        return (undecided("path", text, DECIDES, **figures),)
    return (transparent("path", text, **figures),)
