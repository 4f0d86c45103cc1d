"""Which chain, which parameters, and what cannot be known.

The order is that of the evidence: neutrals give the free curve, saturated colours the chain that
carries it, and only then is the curve compared with published families. Everything is fitted and
judged in code values, on pages of the chart that no fit has seen.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from tonelab.conversion import ENCODINGS, GAMUT_METHODS, TONE_CURVES, FreeCurve
from tonelab.conversion.chain import STEPS
from tonelab.conversion.parameters import ORDERS, tried_parts
from tonelab.identify.chains import with_every_drive
from tonelab.identify.evidence import Evidence, evidence_of, gather_evidence, rms
from tonelab.identify.families import Family, best_family, rank_families, settled
from tonelab.identify.fitting import CORRELATION_LIMIT
from tonelab.identify.greys import grey_families
from tonelab.identify.profiles import display_gamma, gamma_note
from tonelab.identify.structures import (
    MOST_TIES,
    RANKING_COLOURS,
    Candidate,
    Search,
    calm_colours,
    explains,
    rank_plain,
    search,
    tied,
    within_709,
)
from tonelab.results import (
    Finding,
    GreyCurve,
    IdentifiedConversion,
    ParameterEstimate,
    RunnerUp,
)
from tonelab.signal.colorimetry import LUMA_WEIGHTS

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from tonelab.conversion import Conversion
    from tonelab.conversion.parameters import Part

__all__ = ["UNKNOWN", "Evidence", "Identification", "evidence_of", "gather_evidence", "identify"]

# A chain whose residual under the named curve is this close does the same to every colour.
SAME = 1.02
UNKNOWN = "not identifiable from this capture"
OUTSIDE = "not in this model"  # what no chain carries, however good the capture


@dataclass(frozen=True, slots=True)
class Identification:
    """What identification gives: the conversion, the evidence as finally read, findings.

    ``chain`` is the complete chain of ``conversion``, ready to predict codes; it carries the
    named family, or the free curve when none earns its name.
    """

    conversion: IdentifiedConversion
    chain: Conversion
    evidence: Evidence
    findings: tuple[Finding, ...]


def identify(evidence: Evidence) -> Identification:
    """Identify the conversion that relates paired colours.

    Parameters
    ----------
    evidence
        Colours and neutrals with their capture codes, see `gather_evidence`.

    Returns
    -------
    Identification
        A family is named only when it leaves at most 1.2 times what the free curve leaves on
        unseen pages; choices that tie are all listed.
    """
    evidence, findings = _read_matrix(evidence)
    found = search(evidence)
    explained = explains(found.ranked[0], evidence) and not evidence.falling
    whole_gamut = explained and bool(found.whole) and explains(found.whole[0], evidence)
    judged = evidence if whole_gamut or not explained else found.inside
    ranked = found.whole if whole_gamut else found.ranked
    ties = tied(ranked, evidence.floor)[:MOST_TIES] if explained else ranked[:1]
    calm = calm_colours(judged)
    free_rms = rms(calm[calm.held_out].residual(ranked[0].conversion))
    families = rank_families(judged, [tie.conversion for tie in ties]) if explained else []
    family = best_family(families, free_rms, judged.floor)
    if family is not None:
        family = settled(judged, family)
    greys = [] if explained or evidence.falling else grey_families(evidence, ranked[0].conversion)
    chain = family.fit.conversion if family else ranked[0].conversion
    profile = display_gamma(judged, chain) if explained else ()
    possible = [candidate for candidate in ranked if explains(candidate, evidence)]
    alike = _alike(judged, chain, possible if family else ties, family)
    conversion = IdentifiedConversion(
        family=family.name if family else None,
        family_label=family.label if family else "no published family fits: free curve",
        parameters=_parameters(family, "tone"),
        drive=_names(alike, "drive") if explained else OUTSIDE,
        order=_names(alike, "order") if explained else OUTSIDE,
        chroma=_names(alike, "chroma") if explained else OUTSIDE,
        gamut=_gamut(alike, found, explained=explained, whole_gamut=whole_gamut),
        encoding=_names(alike, "encoding") if explained else OUTSIDE,
        controls=_parameters(family, "chroma", "drive", "controls"),
        residual_codes_rms=rms(judged.residual(chain)),
        held_out_codes_rms=family.held_out_rms if family else free_rms,
        floor_codes_rms=judged.floor,
        neutral_codes_rms=_neutral_rms(evidence),
        free_codes_rms=free_rms,
        count=len(judged.light),
        held_out_count=int(judged.held_out.sum()),
        runners_up=_runners_up(found, alike, families, family),
        notes=(
            *_notes(judged, families, family, explained=explained, whole_gamut=whole_gamut),
            *_grey_notes(greys),
            *_degeneracies(chain, family),
            *([gamma_note(profile, judged.floor)] if profile else []),
        ),
        structure=_written(chain),
        grey_curves=tuple(_grey_curve(one, evidence) for one in greys),
        grey_parameters=_parameters(greys[0], "tone") if greys else {},
        correlations=family.fit.correlations() if family else (),
        display_gamma=profile,
    )
    return Identification(conversion, chain, evidence, findings)


def _read_matrix(evidence: Evidence) -> tuple[Evidence, tuple[Finding, ...]]:
    """Compare the capture's Y'CbCr matrix with the data; the user's word stands."""
    target = evidence.target
    origin = target.origins.get("matrix", "assumed")
    if origin == "stated" or target.matrix == "rgb":
        return evidence, ()
    few = within_709(calm_colours(evidence)).thinned(RANKING_COLOURS // 2)
    own = rank_plain(few)[0]
    if explains(own, evidence):
        return evidence, ()
    left = {
        name: own.rms if name == target.matrix else rank_plain(few.with_matrix(name))[0].rms
        for name in LUMA_WEIGHTS
    }
    best = min(left, key=lambda name: left[name])
    if best == target.matrix or left[best] > 0.5 * left[target.matrix]:
        return evidence, ()
    finding = Finding(
        id="capture-matrix-mismatch",
        severity="warning",
        text=(
            f"The capture is {origin} as {target.matrix} matrix, but {best} explains its colours "
            f"better ({left[best]:.2f} against {left[target.matrix]:.2f} codes): read as {best}."
        ),
        value=left[target.matrix],
        bound=left[best],
        unit="codes",
        count=len(few.light),
        threshold=2 * left[best],
    )
    return evidence.with_matrix(best), (finding,)


def _alike(
    evidence: Evidence, chain: Conversion, ties: Sequence[Candidate], family: Family | None
) -> list[Conversion]:
    """Return the chains that the evidence does not distinguish from the chosen one."""
    if family is None:
        return [tie.conversion for tie in ties]
    reference = rms(evidence.residual(chain))
    others = [replace(t.conversion, tone=chain.tone, ceiling=chain.ceiling) for t in ties]
    for ceiling in (True, False):
        others += with_every_drive(replace(chain, ceiling=ceiling))
    close = [o for o in others if rms(evidence.residual(o)) <= SAME * reference]
    return [chain, *close]


def _names(chains: Sequence[Conversion], part: str) -> str:
    """Join the distinct names of one part, in the order in which the parts are registered."""
    names = {getattr(getattr(chain, part), "name", getattr(chain, part)) for chain in chains}
    known: Iterable[str] = ORDERS if part == "order" else STEPS[part]
    return " or ".join(name for name in known if name in names)


def _gamut(
    alike: Sequence[Conversion], found: Search, *, explained: bool, whole_gamut: bool
) -> str:
    """Name the gamut methods; without colours that need one nothing is known of it."""
    if explained and whole_gamut:
        return _names(alike, "gamut")
    return OUTSIDE if found.whole or not explained else UNKNOWN


def _grey_curve(family: Family, evidence: Evidence) -> GreyCurve:
    encoding = family.fit.conversion.encoding.name
    count = len(evidence.neutral_light) // 2
    return GreyCurve(family.name, family.label, encoding, family.held_out_rms, count)


def _grey_notes(greys: Sequence[Family]) -> list[str]:
    """Say that a curve is named by greys alone, and what they do not distinguish from it."""
    if not greys:
        return []
    first, *others = (
        f"{one.label} ({ENCODINGS[one.fit.conversion.encoding.name].label})" for one in greys
    )
    notes = [f"Greys alone follow a published curve: {first}."]
    if others:
        notes.append(f"Greys do not distinguish it from {', '.join(others)}.")
    return notes


def _parameters(family: Family | None, *parts: str) -> dict[str, ParameterEstimate]:
    if family is None:
        return {}
    wanted = {free.parameter.name for free in family.fit.free if free.part in parts}
    found = {name: e for name, e in family.fit.estimates().items() if name in wanted}
    if "tone" in parts:
        for name, p in TONE_CURVES[family.name].parameters.items():
            if name not in found:
                note = "held at its published value, which fits"
                found[name] = ParameterEstimate(p.default, p.default, p.default, p.unit, note=note)
    return found


def _neutral_rms(evidence: Evidence) -> float:
    return rms(evidence.neutral_smooth - evidence.neutral_codes[:, 0])


def _runners_up(
    found: Search, alike: Sequence[Conversion], families: Sequence[Family], chosen: Family | None
) -> tuple[RunnerUp, ...]:
    """List the families that lost, the best chain of each other drive, and the next gamut."""
    drives = {chain.drive.name for chain in alike}
    gamuts = {chain.gamut.name for chain in alike}
    others: dict[str, Candidate] = {}
    for candidate in found.ranked:
        if candidate.conversion.drive.name not in drives:
            others.setdefault(candidate.conversion.drive.name, candidate)
    rest = [c for c in found.whole if c.conversion.gamut.name not in gamuts]
    next_chains = [*list(others.values())[:4], *rest[:1]]
    chains = [RunnerUp(f"{c.describe()}, free curve", c.rms) for c in next_chains]
    seen = {chosen.name} if chosen else set()
    lost = []
    for family in families:
        if family.name not in seen:
            seen.add(family.name)
            lost.append(RunnerUp(family.label, family.held_out_rms))
    return (*lost[:4], *chains)


def _notes(
    evidence: Evidence,
    families: Sequence[Family],
    family: Family | None,
    *,
    explained: bool,
    whole_gamut: bool,
) -> tuple[str, ...]:
    notes = []
    if not explained:
        notes.append(
            "No chain of this model carries the neutral curve to the colours: the curve stands "
            "for neutrals alone."
        )
    if explained and not whole_gamut:
        methods = ", ".join(tried_parts(GAMUT_METHODS))
        notes.append(
            "Drive and encoding are judged on colours within BT.709 alone: none of the gamut "
            f"methods ({methods}) explains what becomes of the others."
        )
    if family is not None:
        notes += _same_curve(evidence, families, family)
        notes += _notes_of(TONE_CURVES[family.name])
    return tuple(notes)


def _notes_of(part: Part[Any]) -> list[str]:
    return [part.tried.note] if part.tried and part.tried.note else []


def _degeneracies(chain: Conversion, family: Family | None) -> list[str]:
    """Say what no capture can separate, and what this one did not."""
    notes = [
        "Exposure is part of the curve (exact): only absolute light in, code out, is measured."
    ]
    if chain.controls.name == "none":
        notes.append(
            "Contrast and brightness controls, had the device any in use, would be part of the "
            "curve: its parameters hold if there are none."
        )
    for part in ("drive", "chroma", "gamut", "encoding"):
        notes += _notes_of(STEPS[part][getattr(chain, part).name])
    pairs = family.fit.correlations() if family else ()
    notes += [
        f"{pair.first} and {pair.second} are known only together (correlation {pair.value:.3f})."
        for pair in pairs
        if abs(pair.value) > CORRELATION_LIMIT
    ]
    return notes


def _same_curve(evidence: Evidence, families: Sequence[Family], chosen: Family) -> list[str]:
    """Name the families that draw the chosen curve in other parameters."""
    reference = chosen.fit.conversion
    same: dict[str, str] = {}
    for family in families:
        if family.name == chosen.name:
            continue
        other = family.fit.conversion
        apart = evidence.neutral_residual(other) - evidence.neutral_residual(reference)
        if np.abs(apart).max() < 0.1 * evidence.step:
            same[family.name] = family.label
    return [f"{label} draws the same curve in other parameters." for label in same.values()]


def _written(chain: Conversion) -> dict[str, object]:
    """Plain data of the chain; a free curve is thinned to a few hundred knots."""
    if isinstance(chain.tone, FreeCurve) and len(chain.tone.signal) > 256:
        rows = np.unique(np.linspace(0, len(chain.tone.signal) - 1, 256).round().astype(int))
        chain = replace(chain, tone=FreeCurve(chain.tone.signal[rows], chain.tone.relative[rows]))
    return chain.to_dict()
