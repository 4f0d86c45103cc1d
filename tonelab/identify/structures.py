"""Which chain is the device's: drive, order, encoding and chroma law first, then gamut method.

Neutrals fix the curve and say nothing about the chain; saturated colours then say which chain
carries that curve. Colours that BT.709 holds need no gamut mapping, so they are asked first; the
others then distinguish the gamut methods.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from tonelab.conversion import (
    CONTROLS,
    ENCODINGS,
    GAMUT_METHODS,
    ChainPart,
    Conversion,
    FreeCurve,
)
from tonelab.conversion.chain import STEPS
from tonelab.conversion.drives import luminance_weights
from tonelab.identify.chains import (
    PICTURE_CONTROLS,
    extended_chains,
    fitted_methods,
    luma_only,
    methods_like,
    plain_chains,
    siblings,
)
from tonelab.identify.fitting import Free, fit_residual
from tonelab.signal.colorimetry import matrix_rgb_to_rgb
from tonelab.signal.quantisation import chroma_scale
from tonelab.signal.transfer import eotf_inverse_pq

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable, Iterable, Sequence

    from tonelab.conversion.tone import Tone
    from tonelab.identify.evidence import Evidence
    from tonelab.signal.arrays import ComplexArray, FloatArray

# Enough colours to distinguish chains by codes, few enough to try hundreds of chains.
RANKING_COLOURS = 900
ROUGH_COLOURS = 75
SCAN_COLOURS = 300
SCAN_NEUTRALS = 300
GAMUT_COLOURS = 1500
ENOUGH = 150
DEEP = 0.25  # least channel over luminance, linear BT.709
DEEP_SIGNAL = 0.7  # of the capture, reached by a grey of the brightest channel

# Chains whose residuals differ by less than this factor differ by noise alone.
TIE = 1.04
ROUGHLY = 1.5  # of the last chain that is refined: by how much few colours may mislead
EXPLAINED = 1.5  # floors
PLAINLY = 1.2  # floors, for chains without parameters
KEPT = 0.97  # of the colours, when a chain is judged
POLISHED = 10
TURNED = 3
MOST_TIES = 8
MOST_POSSIBLE = 14
SMALLEST_TURN = 0.002  # of chroma, complex: less is no picture control but rounding


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
        if chain.rgb_clipped:
            parts.append("super-white clipped in R'G'B'")
        elif chain.super_white:
            parts.append("super-white kept")
        if chain.controls.name != "none":
            parts.append("picture controls")
        return ", ".join(parts)


@dataclass(frozen=True, slots=True)
class Search:
    """The chains tried, best first.

    Attributes
    ----------
    inside
        The evidence with the colours that need no gamut mapping.
    ranked
        Judged on those, whatever the gamut method.
    whole
        The best of those with every gamut method, judged on all colours.
    """

    inside: Evidence
    ranked: list[Candidate]
    whole: list[Candidate]


def search(evidence: Evidence) -> Search:
    """Try every chain of the model.

    Chroma laws, blended drives and their combinations with picture controls are tried only
    where no plain chain comes near the floor, for they can imitate.
    """
    calm = calm_colours(evidence)
    inside, ranked = evidence, list[Candidate]()
    for narrow in (within_709, deep_within_709):
        # The curve is known above its ceiling only if the ceiling is its own.
        scopes = {len(scope.light): scope for scope in (narrow(evidence), narrow(calm))}
        inside, ranked = _rank_scopes(list(scopes.values()), evidence.floor)
        if explains(ranked[0], evidence):
            break
    possible = [candidate for candidate in ranked if explains(candidate, evidence)] or ranked[:2]
    whole = _rank_gamuts(calm.thinned(GAMUT_COLOURS), possible[:MOST_POSSIBLE])
    return Search(inside, ranked, whole)


def _rank_scopes(scopes: Sequence[Evidence], floor: float) -> tuple[Evidence, list[Candidate]]:
    """Rank on the first scope that some chain explains.

    Chroma laws and blends are tried before bright colours are left aside: below a ceiling the
    curve may be a straight line, under which all chains look alike.
    """
    for scope in scopes:
        ranked = rank_plain(scope)
        # A blend imitates its nearer half: a plain chain must do better than merely explain.
        if ranked[0].rms <= PLAINLY * floor:
            break
        ranked = _rank_extended(scope, ranked)
        if ranked[0].rms <= EXPLAINED * floor:
            break
    return scope, ranked


def rank_plain(evidence: Evidence) -> list[Candidate]:
    """Rank the chains without chroma laws and blends on colours that need no gamut mapping."""
    few = evidence.thinned(RANKING_COLOURS)
    ranked = _evaluate(few, plain_chains(few))
    if ranked[0].rms <= PLAINLY * evidence.floor:
        return ranked
    turned = [candidate for candidate in ranked if candidate.conversion.controls.name != "none"]
    polished = [_polish(few, candidate) for candidate in _distinct(turned)[:TURNED]]
    return _distinct(sorted(ranked + polished, key=_rms_of))


def _rank_extended(evidence: Evidence, ranked: list[Candidate]) -> list[Candidate]:
    """Rank the plain chains again among those with a chroma law or a blended drive."""
    few = evidence.thinned(RANKING_COLOURS)
    scan = evidence.thinned(SCAN_COLOURS, neutrals=SCAN_NEUTRALS)
    rough = evidence.thinned(ROUGH_COLOURS, neutrals=ROUGH_COLOURS)
    extended: Iterable[Conversion] = extended_chains([c.conversion for c in ranked])
    for colours in (rough, scan):
        tried = _evaluate(colours, extended, _rough_curve)
        promising = _distinct(tried)[:POLISHED]
        limit = ROUGHLY * promising[-1].rms
        close = [c.conversion for c in tried if c.rms <= limit]
        extended = [replace(chain, controls=luma_only(chain)) for chain in close]
    polished = sorted((_polish_extended(few, candidate) for candidate in promising), key=_rms_of)
    alike = _evaluate(few, siblings(polished[0].conversion))
    return _distinct(sorted(ranked + polished + alike, key=_rms_of))


def _polish_extended(evidence: Evidence, candidate: Candidate) -> Candidate:
    """Refine a chain with all its picture controls, or without a turn that comes to nothing."""
    chain = candidate.conversion
    polished = _polish(evidence, Candidate(with_luma_controls(chain), candidate.rms))
    controls = polished.conversion.controls.parameters
    turn = controls.get("saturation", 1.0) * np.exp(1j * np.deg2rad(controls.get("hue", 0.0)))
    if controls and abs(turn - 1) < SMALLEST_TURN:
        bare = replace(chain, controls=luma_only(chain))
        return _polish(evidence, Candidate(bare, candidate.rms))
    return polished


def explains(candidate: Candidate, evidence: Evidence) -> bool:
    """Whether rounding, and a little noise of the free curve, is all that is left."""
    return candidate.rms <= EXPLAINED * evidence.floor


def tied(ranked: Sequence[Candidate], floor: float) -> list[Candidate]:
    """Return the candidates that the evidence does not distinguish from the best."""
    limit = tie_limit(ranked[0].rms, floor)
    return [candidate for candidate in ranked if candidate.rms <= limit]


def tie_limit(best: float, floor: float) -> float:
    """Largest RMS that says nothing against a chain when the best leaves ``best``."""
    return max(TIE * best, best + 0.05 * floor)


def judged(evidence: Evidence, chain: Conversion) -> Candidate:
    """Return a chain with its free curve; saturation and hue, where it has any, follow too."""
    if chain.controls.name == "none":
        free = with_free_curve(evidence, chain)
        return Candidate(free, trimmed_rms(evidence.residual(free)))
    bare = replace(chain, controls=luma_only(chain))
    return _turned(evidence, with_free_curve(evidence, bare))


def calm_colours(evidence: Evidence) -> Evidence:
    """Return the colours whose every possible drive stays below the capture's ceiling."""
    if not np.isfinite(evidence.ceiling_light):
        return evidence
    highest = np.maximum(evidence.light.max(1), _narrow(evidence).max(1))
    rows = highest < evidence.ceiling_light
    return evidence[rows] if rows.sum() >= ENOUGH else evidence


def within_709(evidence: Evidence) -> Evidence:
    """Return the colours that need no gamut mapping."""
    rows = _narrow(evidence).min(1) >= 0
    return evidence[rows] if rows.sum() >= ENOUGH else evidence


def deep_within_709(evidence: Evidence) -> Evidence:
    """Return the colours that even a soft gamut method leaves alone.

    Soft methods act from about 0.8 of the way from white to the boundary on (BT.2407 annex 5),
    and the boundary is near for bright colours too.
    """
    narrow = _narrow(evidence)
    luminance = narrow @ luminance_weights("bt709")
    reached = np.searchsorted(evidence.neutral_signal(), DEEP_SIGNAL)
    bright = evidence.neutral_light[min(int(reached), len(evidence.neutral_light) - 1), 1]
    rows = (narrow.min(1) >= DEEP * luminance) & (narrow.max(1) <= bright)
    return evidence[rows] if rows.sum() >= ENOUGH else evidence


def with_free_curve(
    evidence: Evidence, chain: Conversion, known: dict[Hashable, Any] | None = None
) -> Conversion:
    """Return the chain carrying the curve that the neutrals demand of it.

    It is monotone through the smoothed luma of the neutrals (M,). ``known`` keeps curves, and
    where they meet the neutrals, by what they depend on, for searches that meet the same again.
    """
    return _with_curve(evidence, chain, known, _smooth_curve)


def _with_curve(
    evidence: Evidence,
    chain: Conversion,
    known: dict[Hashable, Any] | None,
    make: Callable[[FloatArray, FloatArray], Tone],
) -> Conversion:
    argument = _greys_of(evidence, chain, known)
    coding = (chain.encoding.name, *chain.encoding.parameters.items())
    key = (coding, tuple(chain.controls.parameters.items()), argument.tobytes())
    if known is None or key not in known:
        encoding = ENCODINGS[chain.encoding.name]
        given = encoding.complete(chain.encoding.parameters)
        relative = encoding.inverse(_before_controls(evidence.neutral_signal(), chain), **given)
        light, first = np.unique(argument, return_index=True)
        curve = make(light, np.maximum.accumulate(np.maximum(relative[first], 0.0)))
        if known is None:
            return replace(chain, tone=curve)
        known[key] = curve
    return replace(chain, tone=known[key])


def _greys_of(
    evidence: Evidence, chain: Conversion, known: dict[Hashable, Any] | None
) -> FloatArray:
    """Light (M,) at which the curve meets the neutrals, kept by the steps that come before it."""
    if known is None:
        return evidence.greys_of(chain)
    before = [
        (step.name, *step.parameters.items()) for step in (chain.drive, chain.chroma, chain.gamut)
    ]
    key = (chain.order, *before)
    if key not in known:
        known[key] = evidence.greys_of(chain)
    greys: FloatArray = known[key]
    return greys


def _smooth_curve(light: FloatArray, relative: FloatArray) -> Tone:
    signal, first = np.unique(eotf_inverse_pq(light), return_index=True)
    return FreeCurve(signal, relative[first])


def _rough_curve(light: FloatArray, relative: FloatArray) -> Tone:
    """Straight lines between knots: ten times quicker, good enough to choose what to refine."""
    place, root = np.sqrt(np.sqrt(light)), relative ** (1 / 2.4)
    return lambda L: np.interp(np.sqrt(np.sqrt(L)), place, root) ** 2.4


def with_luma_controls(chain: Conversion) -> Conversion:
    """Set contrast and brightness wherever there are picture controls, so that fits refine them.

    A free curve takes them over almost without a trace; encodings that are no plain powers and
    the parameters of tone families do not.
    """
    if chain.controls.name == "none":
        return chain
    given = {"contrast": 1.0, "brightness": 0.0, **chain.controls.parameters}
    return replace(chain, controls=replace(chain.controls, parameters=given))


def trimmed_rms(residual: FloatArray) -> float:
    """RMS over the colours (N, 3) without the few furthest off.

    The free curve is a guess where the capture has hardly a code of light, and drives that see a
    saturated blue as dark multiply that guess; a wrong chain errs on far more colours than those.
    """
    return _trimmed(*np.square(residual.T))


def _trimmed(luma: FloatArray, blue: FloatArray, red: FloatArray) -> float:
    """`trimmed_rms` of squared residuals (N,)."""
    worst = np.maximum(np.maximum(luma, blue), red)
    last = int(KEPT * (len(worst) - 1))
    kept = (luma + blue + red)[worst <= np.partition(worst, last)[last]]
    return float(np.sqrt(kept.mean() / 3))


def _narrow(evidence: Evidence) -> FloatArray:
    narrow: FloatArray = evidence.light @ matrix_rgb_to_rgb("bt2020", "bt709").T
    return narrow


def _rms_of(candidate: Candidate) -> float:
    return candidate.rms


def _before_controls(luma: FloatArray, chain: Conversion) -> FloatArray:
    """Undo on neutral luma what picture controls do, which is affine there."""
    if chain.controls.name == "none":
        return luma
    controls = CONTROLS[chain.controls.name].bind(chain.controls.parameters)
    black, white = controls(np.array([[0.0, 0.0, 0.0], [0.5, 0.0, 0.0]]))[:, 0]
    undone: FloatArray = (luma - black) / (2 * (white - black))
    return undone


def _evaluate(
    evidence: Evidence,
    chains: Iterable[Conversion],
    make: Callable[[FloatArray, FloatArray], Tone] = _smooth_curve,
) -> list[Candidate]:
    known: dict[Hashable, Any] = {}
    found = [_turned(evidence, _with_curve(evidence, chain, known, make)) for chain in chains]
    return sorted(found, key=_rms_of)


def _turned(evidence: Evidence, chain: Conversion) -> Candidate:
    """Judge a chain, with the saturation and hue that fit best where they help."""
    residual = evidence.residual(chain)
    plain = Candidate(chain, trimmed_rms(residual))
    if plain.rms <= EXPLAINED * evidence.floor:
        return plain
    neutral, _ = chroma_scale(evidence.target.bits, evidence.target.range)
    z_seen = _as_complex(evidence.codes - neutral)
    z_predicted = z_seen + _as_complex(residual)
    gain = np.sum(z_seen * z_predicted.conj()) / max(np.sum(np.abs(z_predicted) ** 2), 1e-12)
    if abs(gain - 1) < SMALLEST_TURN or abs(gain) < 0.1:
        return plain
    apart = z_predicted * gain - z_seen
    turned_rms = _trimmed(residual[:, 0] ** 2, apart.real**2, apart.imag**2)
    if turned_rms > 0.9 * plain.rms:
        return plain
    turn = {"saturation": float(np.abs(gain)), "hue": float(np.degrees(np.angle(gain)))}
    controls = ChainPart(PICTURE_CONTROLS, {**chain.controls.parameters, **turn})
    return Candidate(replace(chain, controls=controls), turned_rms)


def _as_complex(codes: FloatArray) -> ComplexArray:
    """Cb + i Cr (N,) of codes (N, 3)."""
    chroma: ComplexArray = codes[:, 1] + 1j * codes[:, 2]
    return chroma


def _distinct(ranked: Sequence[Candidate]) -> list[Candidate]:
    """Keep the best candidate of each chain."""
    best: dict[str, Candidate] = {}
    for candidate in ranked:
        best.setdefault(candidate.describe(), candidate)
    return list(best.values())


def _polish(evidence: Evidence, candidate: Candidate) -> Candidate:
    """Refine a candidate's own parameters, the free curve following along."""
    chain = candidate.conversion
    free = own_parameters(chain)
    if ENCODINGS[chain.encoding.name].power:
        # There contrast is the scale of the curve (exact): refining it would only let it wander.
        free = tuple(item for item in free if item.parameter.name != "contrast")

    def residual(trial: Conversion) -> FloatArray:
        return evidence.residual(with_free_curve(evidence, trial)).ravel()

    polished = with_free_curve(evidence, fit_residual(chain, free, residual, evidence.floor))
    return Candidate(polished, trimmed_rms(evidence.residual(polished)))


def own_parameters(chain: Conversion) -> tuple[Free, ...]:
    """Return the parameters that a search gave a chain, besides those of its curve and encoding.

    A plain part stands by its published constants; only what was set is refined.
    """
    free = []
    for part in ("drive", "chroma", "gamut", "controls"):
        step: ChainPart = getattr(chain, part)
        parameters = STEPS[part][step.name].parameters
        free += [Free(part, parameters[name]) for name in step.parameters]
    return tuple(free)


def _rank_gamuts(evidence: Evidence, ties: Sequence[Candidate]) -> list[Candidate]:
    """Give each chain every gamut method and judge it on all colours."""
    found = []
    for tie in ties:
        for method in methods_like(tie.conversion):
            trial = replace(tie.conversion, gamut=ChainPart(method))
            found.append(Candidate(trial, trimmed_rms(evidence.residual(trial))))
    found.sort(key=_rms_of)
    if found and not explains(found[0], evidence):
        trials = [c.conversion for c in found[:4]] + fitted_methods(found[0].conversion)
        refined = [_refine_gamut(evidence, t) for t in trials if _has_parameters(t)]
        own = [with_luma_controls(c.conversion) for c in found[:2]]
        refined += [_polish(evidence, Candidate(c, np.inf)) for c in own if own_parameters(c)]
        found = sorted(found + refined, key=_rms_of)
    return found


def _has_parameters(chain: Conversion) -> bool:
    return bool(GAMUT_METHODS[chain.gamut.name].parameters)


def _refine_gamut(evidence: Evidence, chain: Conversion) -> Candidate:
    """Refine the parameters of the gamut method, with all else as it is."""
    method = GAMUT_METHODS[chain.gamut.name]
    chain = replace(chain, gamut=ChainPart(method.name, method.complete(chain.gamut.parameters)))
    free = tuple(Free("gamut", parameter) for parameter in method.parameters.values())
    fitted = fit_residual(chain, free, lambda t: evidence.residual(t).ravel(), evidence.floor)
    return Candidate(fitted, trimmed_rms(evidence.residual(fitted)))
