"""What the display is assumed to be: the residual against its gamma, for every drive."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from tonelab.conversion import ChainPart
from tonelab.identify.chains import with_every_drive
from tonelab.identify.structures import (
    EXPLAINED,
    calm_colours,
    judged,
    tie_limit,
)
from tonelab.results import GammaPoint

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tonelab.conversion import Conversion
    from tonelab.identify.evidence import Evidence

EXPONENTS = tuple(round(float(g), 2) for g in np.arange(1.8, 2.81, 0.05))
PROFILE_COLOURS = 300
PROFILE_NEUTRALS = 300


def display_gamma(evidence: Evidence, chain: Conversion) -> tuple[GammaPoint, ...]:
    """Judge a chain, and the same chain on every other drive, under powers 1.8 to 2.8.

    Parameters
    ----------
    evidence
        Colours that the chain explains.
    chain
        The identified chain; its curve is replaced by the free one at each point, and saturation
        and hue, where it has any, follow too.

    Returns
    -------
    tuple of GammaPoint
        The identified drive first, exponents ascending.
    """
    few = calm_colours(evidence).thinned(PROFILE_COLOURS, neutrals=PROFILE_NEUTRALS)
    chains = {drive_name(chain): chain}
    for other in with_every_drive(chain):
        chains.setdefault(drive_name(other), other)
    points = []
    for name, candidate in chains.items():
        for exponent in EXPONENTS:
            trial = replace(candidate, encoding=ChainPart("gamma", {"exponent": exponent}))
            points.append(GammaPoint(name, exponent, judged(few, trial).rms))
    return tuple(points)


def gamma_note(profile: Sequence[GammaPoint], floor: float) -> str:
    """Say in one sentence what the profile says of the display under the identified drive."""
    drive = profile[0].drive
    own = [point for point in profile if point.drive == drive]
    best = min(own, key=lambda point: point.codes_rms)
    limit = tie_limit(best.codes_rms, floor)
    likely = [point.exponent for point in own if point.codes_rms <= limit]
    exact = "On greys any display gamma gives the same codes (exact); on colours, under"
    if best.codes_rms > EXPLAINED * floor:
        return f"{exact} {drive}, no power between 1.8 and 2.8 explains them."
    if len(likely) > len(own) // 2:
        return f"{exact} {drive}, it changes as good as nothing either."
    low, high = min(likely), max(likely)
    return (
        f"{exact} {drive}, {best.exponent:.2f} explains them best ({low:.2f} to {high:.2f} "
        "about as well)."
    )


def drive_name(chain: Conversion) -> str:
    """Drive and order in words."""
    return f"{chain.drive.name}, {chain.order}"
