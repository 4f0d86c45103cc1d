"""The name of the grey curve alone, where no chain carries it to the colours."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from tonelab.conversion import ENCODINGS, TONE_CURVES, ChainPart
from tonelab.conversion.parameters import tried_parts
from tonelab.identify.evidence import Evidence, rms
from tonelab.identify.families import NAMING_FACTOR, Family, neutral_fits
from tonelab.identify.fitting import BOUND, free_parameters, joint_fit, start_fits, with_intervals

if TYPE_CHECKING:
    from tonelab.conversion import Conversion
    from tonelab.identify.fitting import Free

_PROMISING = 1.5  # times the best, within which fits are refined
_SCREENED = 64  # greys by which curves are chosen that are worth a closer look
_OF_FREE = 1.5  # times what the free curve leaves


def grey_families(evidence: Evidence, chain: Conversion) -> list[Family]:
    """Find the published curves that the greys follow, whatever becomes of colours.

    Curves are fitted to every other grey under each encoding, and judged on the greys between
    them: at most 1.5 times what the free curve leaves, and 1.2 times what the nearest does.

    Parameters
    ----------
    evidence
        Only its neutrals are looked at.
    chain
        Whatever comes nearest; of it stay what greys depend on besides curve and encoding.

    Returns
    -------
    list of Family
        Those of fewest parameters, with none at an end of its range first, then by RMS on the
        greys that were held out; each family once an encoding. Empty where nothing published
        follows the greys.
    """
    every = evidence[np.zeros(len(evidence.light), bool)]
    fitted, judged = _every_other(every, 0), _every_other(every, 1)
    # The free curve follows these greys too, and leaves somewhat less of them than their noise.
    limit = _OF_FREE * rms(judged.neutral_smooth - judged.neutral_codes[:, 0])
    bases = [_grey_chain(chain, encoding) for encoding in tried_parts(ENCODINGS)]
    few = fitted.thinned(0, neutrals=_SCREENED)
    screened = [
        (base, name, min(start_fits(few, trial, free, count=2)[0].rms for free in choices))
        for base in bases
        for name, (curve, _) in tried_parts(TONE_CURVES).items()
        if (trial := replace(base, tone=ChainPart(name), ceiling=False))
        and (choices := _choices(free_parameters("tone", curve.parameters)))
    ]
    promising = _PROMISING * min(left for _, _, left in screened)
    found: list[Family] = []
    for base in bases:
        names = {name for one, name, left in screened if one is base and left <= promising}
        for name, fit in neutral_fits(fitted, base, names) if names else ():
            refined = joint_fit(fitted, fit.conversion, fit.free)
            left = rms(judged.neutral_residual(refined.conversion))
            if left <= limit:
                found.append(Family(name, refined, left))
    # A plainer curve that others leave behind is not the one, though it stays within the limit.
    nearest = NAMING_FACTOR * min((one.held_out_rms for one in found), default=0.0)
    found = sorted((one for one in found if one.held_out_rms <= nearest), key=_plainness)
    # With more parameters many a curve draws the plainest one as a special case.
    found = [one for one in found if len(one.fit.free) == len(found[0].fit.free)]
    named = {(one.name, one.fit.conversion.encoding.name): one for one in reversed(found)}
    return [
        replace(one, fit=with_intervals(every, joint_fit(every, one.fit.conversion, one.fit.free)))
        for one in reversed(named.values())
    ]


def _grey_chain(chain: Conversion, encoding: str) -> Conversion:
    """Return a chain of which greys depend on nothing but curve and encoding."""
    none = ChainPart("none")
    return replace(
        chain, drive=ChainPart("per-channel"), chroma=none, gamut=none, controls=none,
        encoding=ChainPart(encoding),
    )  # fmt: skip


def _choices(every: tuple[Free, ...]) -> list[tuple[Free, ...]]:
    """All parameters free, and those with a published value held, which is found more surely."""
    held = tuple(free for free in every if not free.parameter.published)
    return list(dict.fromkeys([every, held]))


def _plainness(family: Family) -> tuple[int, bool, int, float]:
    curve, place = TONE_CURVES[family.name], family.fit.position
    bound = bool(((place < BOUND) | (place > 1 - BOUND)).any())
    return len(family.fit.free), bound, len(curve.parameters), round(family.held_out_rms, 3)


def _every_other(evidence: Evidence, first: int) -> Evidence:
    return replace(
        evidence,
        neutral_light=evidence.neutral_light[first::2],
        neutral_codes=evidence.neutral_codes[first::2],
        neutral_smooth=evidence.neutral_smooth[first::2],
    )
