"""What tuning gives back."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tonelab.results import Viewable

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tonelab.tune.captures import Bounds
    from tonelab.tune.model import Control, Model
    from tonelab.tune.search import Proposal


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A capture that would sharpen the answer, and why."""

    settings: Mapping[str, int]
    mode: str
    reason: str


@dataclass(frozen=True, slots=True)
class ModeOutcome:
    """One output mode of the device.

    Attributes
    ----------
    mode
        Value of the mode setting; empty when there is one mode.
    target
        What it is compared with.
    base
        The base settings in this mode, with their p95.
    proposals
        The nearest settings for this mode alone, best first; ties are marked.
    shared
        What the settings proposed for all modes do to this one.
    others
        By mode, what the settings proposed for that mode alone do to this one.
    could_gain
        p95 by which other settings can at most be better than the first proposal, 97.5 %.
    reach
        p95 that no setting of gain, lift, chroma gain and hue can go below.
    model
        What was learnt, for predictions of one's own.
    colours
        Colours that the figures of this mode rest on.
    """

    mode: str
    target: str
    base: Proposal
    proposals: tuple[Proposal, ...]
    shared: Proposal
    others: Mapping[str, Proposal]
    could_gain: float
    reach: float
    model: Model
    colours: int


@dataclass(frozen=True, slots=True)
class Confirmation:
    """Predicted against measured, for a capture that nothing was learnt from.

    Attributes
    ----------
    settings, mode
        Of the capture.
    predicted
        p95 with its interval, and mean.
    measured_p95, measured_mean
        From the capture.
    inside
        Whether the measured p95 lies in the predicted interval.
    codes_rms
        Predicted minus measured codes, RMS.
    """

    settings: Mapping[str, int]
    mode: str
    predicted: Proposal
    measured_p95: float
    measured_mean: float
    inside: bool
    codes_rms: float


@dataclass(frozen=True, slots=True)
class Tuning(Viewable):
    """What tuning found.

    Attributes
    ----------
    device
        Name of the device.
    controls
        What each menu control does, in the base's mode.
    held
        Controls that are left alone, with the reason.
    ranges
        Settings that were searched, and whether they were ``stated`` or those ``seen``.
    modes
        An outcome for each mode, that of the base first.
    compromise
        Settings for all modes together.
    suggestions
        Next captures, most useful first.
    confirmations
        Captures compared with their prediction.
    """

    device: str
    controls: tuple[Control, ...]
    held: Mapping[str, str]
    ranges: Bounds
    modes: tuple[ModeOutcome, ...]
    compromise: Mapping[str, int]
    suggestions: tuple[Suggestion, ...]
    confirmations: tuple[Confirmation, ...]
