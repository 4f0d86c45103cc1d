"""Which chain: drive, order, chroma law, gamut and encoding, each tried with the free curve.

Neutrals fix the curve and say nothing about the chain; saturated colours then say which chain
carries that curve. No parameter is fitted to the colours here unless a candidate has one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import minimize_scalar

from tonelab.conversion import CHROMA_LAWS, DRIVES, ENCODINGS, Conversion, FreeCurve, Step
from tonelab.identify.evidence import Evidence, rms
from tonelab.signal.colorimetry import matrix_rgb_to_rgb
from tonelab.signal.quantisation import chroma_scale
from tonelab.signal.transfer import eotf_inverse_pq

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

RANKING_COLOURS = 1200  # enough to tell chains apart by codes, few enough to try hundreds
SCAN_COLOURS = 400

TONE_FIRST = ("per-channel", "max-rgb", "luminance", "luma", "ictcp", "gamma-luma")
MATRIX_FIRST = ("per-channel", "max-rgb", "luminance")
GAMUTS = ("clip", "excursions", "none")
ENCODING_NAMES = ("bt1886", "gamma22", "srgb", "bt709-oetf")
DESATURATIONS = ("desaturate-before-bt709", "desaturate-before-bt2020", "desaturate-before-sum")
THRESHOLDS = np.geomspace(40, 4000, 8)  # cd/m2
MATRIX_FIRST_BLENDS = ("blend", "per-channel+luminance", "max-rgb+luminance")
BLENDS = (
    *MATRIX_FIRST_BLENDS,
    "per-channel+luma",
    "per-channel+ictcp",
    "max-rgb+luma",
    "max-rgb+ictcp",
)

# Chains whose residuals differ by less than this factor are told apart by nothing but noise.
TIE = 1.04
EXPLAINED = 1.5  # floors
POLISHED = 12


@dataclass(frozen=True, slots=True)
class Candidate:
    """A chain with its free curve and the RMS residual it leaves, codes."""

    conversion: Conversion
    rms: float

    def describe(self) -> str:
        """Return the chain in words."""
        chain = self.conversion
        parts = [chain.drive.name, chain.order, chain.gamut.name, chain.encoding.name]
        if chain.chroma.name != "none":
            parts.insert(1, chain.chroma.name)
        if chain.controls.name != "none":
            parts.append("saturation and hue controls")
        return ", ".join(parts)


def rank(evidence: Evidence) -> list[Candidate]:
    """Try every chain and return them with the smallest residual first.

    Chains with a chroma law, picture controls or a blended drive are tried only where no plain
    one comes near the floor, for they can imitate.
    """
    calm = calm_colours(evidence)
    few = calm.thinned(RANKING_COLOURS)
    ranked = rank_plain(few)
    if explains(ranked[0], evidence):
        return ranked
    turned = _evaluate(few, (_with_controls(few, c.conversion) for c in ranked))
    scan = calm.thinned(SCAN_COLOURS)
    best = _distinct(_evaluate(scan, _scanned(ranked)))[:POLISHED]
    polished = [_polish(few, candidate) for candidate in best]
    return _distinct(sorted(ranked + turned + polished, key=lambda candidate: candidate.rms))


def rank_plain(evidence: Evidence) -> list[Candidate]:
    """Try the chains without parameters of their own."""
    return _evaluate(evidence, _plain(evidence))


def explains(candidate: Candidate, evidence: Evidence) -> bool:
    """Whether rounding, and a little noise of the free curve, is all that is left."""
    return candidate.rms <= EXPLAINED * evidence.floor


def calm_colours(evidence: Evidence) -> Evidence:
    """Return the colours whose every possible drive stays below the capture's ceiling."""
    if not np.isfinite(evidence.ceiling_light):
        return evidence
    narrow = evidence.light @ matrix_rgb_to_rgb("bt2020", "bt709").T
    highest = np.maximum(evidence.light.max(1), narrow.max(1))
    rows = highest < evidence.ceiling_light
    enough = 200
    return evidence[rows] if rows.sum() >= enough else evidence


def with_free_curve(evidence: Evidence, chain: Conversion) -> Conversion:
    """Return the chain carrying the curve that the neutrals demand of it."""
    argument = chain.arguments(evidence.neutral_light)[:, 0]
    encoding = ENCODINGS[chain.encoding.name]
    given = encoding.complete(chain.encoding.parameters)
    relative = encoding.inverse(evidence.neutral_signal(), **given)
    signal, first = np.unique(eotf_inverse_pq(argument), return_index=True)
    rising = np.maximum.accumulate(np.maximum(relative[first], 0.0))
    return replace(chain, tone=FreeCurve(signal, rising))


def tied(ranked: Sequence[Candidate], floor: float) -> list[Candidate]:
    """Return the candidates that the evidence does not tell from the best."""
    limit = max(TIE * ranked[0].rms, ranked[0].rms + 0.05 * floor)
    return [candidate for candidate in ranked if candidate.rms <= limit]


def _evaluate(evidence: Evidence, chains: Iterator[Conversion]) -> list[Candidate]:
    found = []
    for chain in chains:
        complete = with_free_curve(evidence, chain)
        found.append(Candidate(complete, rms(evidence.residual(complete))))
    return sorted(found, key=lambda candidate: candidate.rms)


def _distinct(ranked: Sequence[Candidate]) -> list[Candidate]:
    """Keep the best candidate of each chain."""
    best: dict[str, Candidate] = {}
    for candidate in ranked:
        best.setdefault(candidate.describe(), candidate)
    return list(best.values())


def _plain(evidence: Evidence) -> Iterator[Conversion]:
    above = bool(evidence.neutral_signal().max() > 1.005)
    base = Conversion(
        tone=Step("linear"),
        ceiling=not above,
        super_white=above,
        white=evidence.target.peak,
    )
    for encoding in map(Step, ENCODING_NAMES):
        for drive, gamut in product(TONE_FIRST, GAMUTS):
            yield replace(
                base, drive=Step(drive), order="tone-first", gamut=Step(gamut), encoding=encoding
            )
        for drive, gamut in product(MATRIX_FIRST, ("clip", "excursions")):
            yield replace(
                base, drive=Step(drive), order="matrix-first", gamut=Step(gamut), encoding=encoding
            )


def _with_controls(evidence: Evidence, chain: Conversion) -> Conversion:
    """Return the chain with the saturation and hue that fit best, in closed form."""
    neutral, scale = chroma_scale(evidence.target.bits, evidence.target.range)
    predicted, seen = (
        (codes[:, 1] - neutral + 1j * (codes[:, 2] - neutral)) / scale
        for codes in (evidence.residual(chain) + evidence.codes, evidence.codes)
    )
    gain = np.sum(seen * predicted.conj()) / max(float(np.sum(np.abs(predicted) ** 2)), 1e-12)
    turn = {"saturation": float(np.abs(gain)), "hue": float(np.degrees(np.angle(gain)))}
    return replace(chain, controls=Step("contrast-first", turn))


def _scanned(ranked: Sequence[Candidate]) -> Iterator[Conversion]:
    """Plain chains extended by one part with a parameter, on a grid of that parameter."""
    plain = [candidate.conversion for candidate in ranked]
    for chain in plain:
        if chain.gamut.name in {"clip", "excursions"}:
            for law, threshold in product(DESATURATIONS, THRESHOLDS):
                yield replace(chain, chroma=Step(law, {"threshold": float(threshold)}))
    for chain in plain[:24]:
        for drive, weight in product(BLENDS, (0.25, 0.5, 0.75)):
            if chain.order == "tone-first" or drive in MATRIX_FIRST_BLENDS:
                yield replace(chain, drive=Step(drive, {"weight": weight}))


def _polish(evidence: Evidence, candidate: Candidate) -> Candidate:
    """Search the candidate's own parameter, the free curve following along."""
    chain = candidate.conversion
    in_chroma = chain.chroma.name != "none"
    step = chain.chroma if in_chroma else chain.drive
    ((name, value),) = step.parameters.items()
    bounds = (CHROMA_LAWS if in_chroma else DRIVES)[step.name].parameters[name]

    def complete(value: float) -> Conversion:
        moved = Step(step.name, {name: float(value)})
        part = replace(chain, chroma=moved) if in_chroma else replace(chain, drive=moved)
        return with_free_curve(evidence, part)

    span = (value / 2.2, value * 2.2) if bounds.log else (value - 0.25, value + 0.25)
    low, high = max(span[0], bounds.low), min(span[1], bounds.high)
    found = minimize_scalar(
        lambda trial: rms(evidence.residual(complete(trial))),
        bounds=(low, high),
        method="bounded",
        options={"maxiter": 24},
    )
    return Candidate(complete(found.x), float(found.fun))
