"""The register of checks, and how a check states what it found."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias, TypedDict

import numpy as np

from tonelab.registry import Registry
from tonelab.results import Finding

if TYPE_CHECKING:
    from typing import Unpack

    from tonelab.checks.evidence import PathEvidence
    from tonelab.pairing.identity import Identity
    from tonelab.results import Severity
    from tonelab.signal.arrays import IntArray

Findings: TypeAlias = Iterable[Finding]
Question: TypeAlias = "Callable[[PathEvidence], Findings]"
Needs: TypeAlias = Literal["files", "tallies", "pixels"]

AFTER = "a capture after the fault above is corrected"
CHAIN = "the capture chain"  # alternatives that a loopback rules out begin so


@dataclass(frozen=True, slots=True)
class Check:
    """A check: its name, what it asks in a few words, and what it takes.

    ``always`` checks also say something about a conversion; the others need a pass-through, where
    the capture shows the source's own signal. What ``needs`` no pixels of both sides is run before
    every measurement too. Samples that are all identical answer what is asked ``of_samples``,
    where codes occur that it ``concerns``: it is called with how often each code of 10 bits occurs
    in the source, shape (3, 1024). ``steps`` are those of a path that alter what is asked for, by
    name, or by name and fitted parameter; None where other things may, or few samples show it.
    """

    name: str
    function: Question
    label: str
    always: bool = False
    needs: Needs = "pixels"
    of_samples: bool = True
    concerns: Callable[[IntArray], bool] = np.any
    steps: tuple[str, ...] | None = None


CHECKS = Registry("check", "tonelab.checks", Check)


class Figures(TypedDict, total=False):
    """What a finding rests on, as in `tonelab.results.Finding`."""

    value: float
    bound: float
    unit: str
    count: int
    threshold: float
    alternatives: tuple[str, ...]


class Deciding(Figures, total=False):
    """The same, and the capture that would decide between the alternatives."""

    decided_by: str


def transparent(name: str, text: str, **figures: Unpack[Deciding]) -> Finding:
    """State that something was kept, within a bound."""
    return Finding(name, "info", text, verdict="transparent", **figures)


def altered(
    name: str, text: str, *, severity: Severity = "warning", **figures: Unpack[Deciding]
) -> Finding:
    """State that something was not kept, and by what it was changed."""
    return Finding(name, severity, text, verdict="not transparent", **figures)


def undecided(name: str, text: str, capture: str, **figures: Unpack[Figures]) -> Finding:
    """State that this capture cannot tell, and which ``capture`` can."""
    return Finding(name, "info", text, verdict="cannot tell", decided_by=capture, **figures)


def identical(check: Check, identity: Identity, codes: IntArray) -> Finding:
    """Answer a check of samples that are all identical; ``codes`` as for `Check.concerns`."""
    if not check.concerns(codes):
        return undecided(
            check.name,
            "All samples are identical, but the source holds no codes that this is about.",
            "a capture of the chart",
            count=identity.samples,
        )
    return transparent(
        check.name,
        f"All {identity.samples:,} samples are identical: nothing was changed.",
        value=100.0,
        bound=100 * 3 / identity.samples,
        unit="%",
        count=identity.samples,
        threshold=100.0,
    )
