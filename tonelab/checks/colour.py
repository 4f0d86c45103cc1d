"""Matrix and gamut mix-ups, exchanged chroma planes, hue and saturation."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.checks.chroma import displaced
from tonelab.checks.evidence import LEAK_LIMIT, LEAST_COLOURS, STRONG_CHROMA
from tonelab.checks.filters import contrast
from tonelab.checks.levels import expected_saturation, known_levels
from tonelab.checks.registry import AFTER, CHAIN, CHECKS, altered, transparent, undecided
from tonelab.checks.scenes import moved_scenes
from tonelab.checks.stages import hidden_stages
from tonelab.signal.colorimetry import ycbcr_to_rgb
from tonelab.signal.quantisation import SPAN

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tonelab.checks.evidence import PathEvidence
    from tonelab.checks.registry import Findings
    from tonelab.results import Finding
    from tonelab.signal.arrays import FloatArray, IntArray

_HUE_LIMIT = 0.1  # degrees
_SATURATION_LIMIT = 0.001
_BY_HUE_LIMIT = 0.005  # departure of one hue's chroma ratio from the mean of all
_SPILT = 0.01  # chroma ratio that displaced chroma may cost
_HUES = 24
_INNER = 0.15  # of R'G'B' from its ends, between which picture controls clip nothing
_LEAST_OF_HUE = 3  # coloured samples
_NOISY, _BACK = 1.0, 0.0025  # codes; share of chroma
# Coarse codes before a scaler: chroma of a hue may be off by so much of what luma scatters by.
_SCATTER = 4.0
_TURNED, _STRAIGHT_CHROMA = 0.004, 0.5  # of gains of chroma; codes RMS
_NAMES = {
    "bt601": "BT.601",
    "bt709": "BT.709",
    "bt2020": "BT.2020",
    "p3d65": "P3-D65",
    "bt601-625": "BT.601 (625 lines)",
    "bt601-525": "BT.601 (525 lines)",
}


@CHECKS.register("planes", label="order and sign of the chroma planes", steps=("planes",))
def planes(evidence: PathEvidence) -> Findings:
    """Check that Cb and Cr arrive as themselves."""
    found = evidence.explanation
    count = int(found.used.sum())
    if len(_coloured(evidence)) < LEAST_COLOURS:
        yield undecided("planes", "Too few colours to distinguish the chroma planes.", "the chart")
    elif found.planes:
        yield altered(
            "planes-mixed",
            f"{found.planes}.",
            count=count,
            alternatives=(f"{CHAIN} orders the planes otherwise than its file says",),
            decided_by="the same source through a path known to be good into the same card",
        )
    else:
        yield transparent("planes", "Cb and Cr arrive in order and upright.", count=count)


@CHECKS.register("matrix", label="coding matrix", steps=("matrix-mix-up",))
def matrix(evidence: PathEvidence) -> Findings:
    """Distinguish a matrix mix-up from picture controls by its coupling of chroma into luma."""
    found = evidence.explanation
    count = int(found.used.sum())
    coupling = evidence.leak
    if len(_coloured(evidence)) < LEAST_COLOURS:
        yield undecided("matrix", "Too few colours to judge the matrix.", "the chart, in full")
    elif found.matrices is not None and (found.affine or found.gamut is None):
        last = found.again or found.matrices
        coded, read = (_NAMES[name] for name in found.matrices)
        text = f"The colours were decoded with the {read} matrix and coded again with {coded}"
        if found.again is not None:
            coded, read = (_NAMES[name] for name in found.again)
            text += f", then decoded with {read} and coded with {coded}"
        alternatives = [f"the capture is coded with {coded} and only labelled otherwise"]
        if found.again is not None and found.matrices[1] == found.again[0]:
            as_one = _NAMES[found.matrices[0]], _NAMES[found.again[1]]
            alternatives.append("one mix-up, of {} decoded with {}, is near".format(*as_one))
        stated = evidence.capture.origins.get("matrix") in {"declared", "stated"}
        pair = (evidence.capture.matrix, evidence.source.matrix)
        if stated and found.matrices == pair and found.again is None:
            yield transparent(
                "matrix", f"The capture is coded with {coded}, as it says.", count=count
            )
            return
        yield altered(
            "matrix-mixed",
            f"{text}: chroma leaks into luma by up to {coupling:.3f} per code.",
            value=coupling,
            bound=found.left_over / 100,
            count=count,
            threshold=LEAK_LIMIT,
            alternatives=tuple(alternatives),
            decided_by=f"the same capture with --capture-signal matrix={last[0]}",
        )
    elif found.gamut is not None:
        text = "A matrix mix-up cannot be identified where primaries were converted."
        yield undecided("matrix", text, AFTER, count=count)
    elif not _bent(evidence):
        yield transparent(
            "matrix",
            f"No matrix mix-up: chroma leaks into luma by at most {coupling:.4f} per code.",
            value=coupling,
            bound=found.left_over / 100,
            count=count,
            threshold=LEAK_LIMIT,
        )
    else:
        yield _not_affine(evidence, count)


def _not_affine(evidence: PathEvidence, count: int) -> Finding:
    found = evidence.explanation
    if found.left_over >= found.left_over_limit:
        return altered(
            "matrix-unknown",
            f"The colours went through a matrix that is none of the known mix-ups: they leave "
            f"{found.left_over:.2f} codes that picture controls cannot make.",
            value=found.left_over,
            unit="codes",
            count=count,
            threshold=found.left_over_limit,
            alternatives=("a colour-management control", "a custom white balance"),
            decided_by="a capture with all picture controls at their neutral setting",
        )
    if hidden_stages(evidence):
        text = "A bend of the colours cannot be identified where a stage has few bits."
        return undecided("matrix", text, AFTER, count=count)
    return altered(
        "mapping-bent",
        f"No gain, offset or matrix carries the source to the capture: the best leaves "
        f"{found.residual.max():.2f} codes RMS.",
        value=float(found.residual.max()),
        unit="codes",
        count=count,
        threshold=2.0,
        alternatives=("tone mapping", "a picture mode with its own curve", "local processing"),
        decided_by="a capture in the plainest picture mode; or 'tonelab measure'",
    )


@CHECKS.register("gamut", label="conversion between primaries", steps=("primaries",))
def gamut(evidence: PathEvidence) -> Findings:
    """Find a missing or doubled conversion of primaries, which acts in linear light."""
    found = evidence.explanation
    count = int(found.used.sum())
    if found.gamut is not None:
        start, end = (_NAMES[name] for name in found.gamut)
        widened = found.gamut[1] == "bt2020"
        yield altered(
            "gamut-converted",
            f"Colours were converted from {start} to {end} primaries in linear light, so they "
            f"look {'washed out' if widened else 'over-saturated'} where the source's own "
            f"primaries are assumed; with it the colours fit to {found.residual.max():.2f} codes.",
            value=float(found.residual.max()),
            unit="codes",
            count=count,
            threshold=1.0,
            alternatives=(f"the output is meant for {end} and only labelled otherwise",),
            decided_by="the output's colorimetry as the capture card received it",
        )
    elif found.affine and len(_coloured(evidence)) >= LEAST_COLOURS:
        yield transparent(
            "gamut",
            f"No conversion of primaries: a straight map fits to {found.residual.max():.2f} codes.",
            value=float(found.residual.max()),
            unit="codes",
            count=count,
            threshold=1.0,
        )


@CHECKS.register(
    "hue",
    label="hue rotation",
    steps=("controls hue", "matrix-mix-up", "saturation-by-hue", "bent", "primaries", "planes"),
)
def hue(evidence: PathEvidence) -> Findings:
    """Give the rotation of the chroma plane after exchanged planes and matrices."""
    source, capture, cluster = _chroma(evidence)
    if len(source) < LEAST_COLOURS:
        yield undecided("hue", "Too few colours to measure the rotation of hues.", "the chart")
        return
    ratio, half_width = complex_ratio(source, capture, cluster)
    rotation = float(np.degrees(np.angle(ratio)))
    bound = float(np.degrees(half_width / abs(ratio) + _slack(evidence, source)))
    by_digits = _by_digits(evidence)
    if by_digits is not None and np.degrees(by_digits[1]) < bound:
        rotation = float(np.degrees(np.angle(by_digits[0])))
        bound = float(np.degrees(by_digits[1] / abs(by_digits[0])))
    turns, _ = _by_hue(source, capture)
    detail = f"by hue it runs from {turns.min():+.2f} to {turns.max():+.2f} degrees"
    if _bent(evidence):
        yield undecided(
            "hue",
            f"Chroma is turned by {rotation:+.2f} degrees on average, but another fault bends it "
            f"({detail}).",
            AFTER,
            value=rotation,
            bound=bound,
            unit="degrees",
            count=len(source),
        )
    elif abs(rotation) > _HUE_LIMIT + bound:
        yield altered(
            "hue-rotated",
            f"Hues are rotated by {rotation:+.3f} ± {bound:.3f} degrees on average, without any "
            f"leak into luma, as a hue control does; {detail}.",
            value=rotation,
            bound=bound,
            unit="degrees",
            count=len(source),
            threshold=_HUE_LIMIT,
            alternatives=("a phase error of a composite stage",),
            decided_by="a capture with the hue control at its neutral setting",
        )
    else:
        yield transparent(
            "hue",
            f"Hues are kept: {rotation:+.3f} ± {bound:.3f} degrees; {detail}.",
            value=rotation,
            bound=bound,
            unit="degrees",
            count=len(source),
            threshold=_HUE_LIMIT,
        )


@CHECKS.register(
    "saturation",
    label="saturation",
    steps=(
        "controls saturation", "controls contrast", "saturation-by-hue", "bent", "range-mix-up",
        "matrix-mix-up", "primaries", "planes", "chroma-softened", "chroma-clipped", "rgb-clipped",
    ),
)  # fmt: skip
def saturation(evidence: PathEvidence) -> Findings:
    """Give the chroma ratio, and the one that a change of levels explains."""
    source, capture, cluster = _chroma(evidence)
    if len(source) < LEAST_COLOURS:
        yield undecided("saturation", "Too few colours to measure saturation.", "the chart")
        return
    ratio, half_width = complex_ratio(source, capture, cluster)
    value, bound = float(abs(ratio)), half_width + _slack(evidence, source)
    by_digits = _by_digits(evidence)
    if by_digits is not None and by_digits[1] < bound:
        value, bound = abs(by_digits[0]), by_digits[1]
    _, gains = _by_hue(source, capture)
    uneven, uneven_bound = _uneven(evidence, source, capture, value)
    detail = (
        f"over the {len(gains)} of {_HUES} hues that occur it runs from {gains.min():.4f} to "
        f"{gains.max():.4f}"
    )
    fault = known_levels(evidence)
    expected = expected_saturation(fault, value)
    against = f", where the levels explain {expected:.4f}" if fault is not None else ""
    if _bent(evidence):
        yield undecided(
            "saturation",
            f"The chroma ratio is {value:.4f} on average, but another fault bends it ({detail}).",
            AFTER,
            value=value,
            bound=bound,
            count=len(source),
        )
    elif uneven > _BY_HUE_LIMIT + uneven_bound:
        yield altered(
            "saturation-by-hue",
            f"Saturation is changed more at some hues than at others: {detail}, {value:.4f} on "
            "average.",
            value=uneven,
            bound=uneven_bound,
            count=len(source),
            threshold=_BY_HUE_LIMIT,
            alternatives=("a colour-management control", "a gamut mapping"),
            decided_by="a capture with colour management off",
        )
        most, of_most = _of_most(gains)
        if of_most and abs(most / expected - 1) > _SATURATION_LIMIT + _BY_HUE_LIMIT:
            yield altered(
                "saturation-changed",
                f"Saturation of the other hues is not kept: {of_most} of {len(gains)} have a "
                f"chroma ratio of {most:.4f}{against}.",
                value=most,
                bound=_BY_HUE_LIMIT,
                count=len(source),
                threshold=expected * (1 + _SATURATION_LIMIT),
                alternatives=("a saturation control", "a colour-management control"),
                decided_by="a capture with the saturation control at its neutral setting",
            )
    elif abs(value / expected - 1) < _SPILT and (
        # Colours of scaled content are looked at where none spill.
        displaced(evidence) or (evidence.resampled and evidence.layout is not None)
    ):
        yield undecided(
            "saturation",
            f"The chroma ratio is {value:.4f}, but chroma is displaced or scaled and spills over "
            "the edges of flat areas.",
            AFTER,
            value=value,
            bound=bound,
            count=len(source),
        )
    elif abs(value / expected - 1) > _SATURATION_LIMIT + bound / expected:
        yield altered(
            "saturation-changed",
            f"Saturation is not kept: the chroma ratio is {value:.5f} ± {bound:.5f}{against}; "
            f"{detail}.",
            value=value,
            bound=bound,
            count=len(source),
            threshold=expected * (1 + _SATURATION_LIMIT),
            alternatives=("a saturation control", "a colour-management control"),
            decided_by="a capture with the saturation control at its neutral setting",
        )
    else:
        yield transparent(
            "saturation",
            f"Saturation is kept: chroma ratio {value:.5f} ± {bound:.5f}{against}; {detail}.",
            value=value,
            bound=bound,
            count=len(source),
            threshold=expected * (1 + _SATURATION_LIMIT),
        )


def _of_most(gains: FloatArray) -> tuple[float, int]:
    """Chroma ratio that most hues share, and how many; none if less than half of them do."""
    near = np.abs(gains[:, None] - gains) < _BY_HUE_LIMIT * np.abs(gains)
    best = int(near.sum(axis=1).argmax())
    count = int(near[best].sum())
    return float(np.median(gains[near[best]])), count if 2 * count > len(gains) else 0


def _by_digits(evidence: PathEvidence) -> tuple[complex, float] | None:
    """Ratio of chroma by the digits of captured codes, where it alone was changed."""
    found = evidence.explanation
    changed = found.planes or found.matrices is not None or found.gamut is not None
    return None if changed else evidence.ratio_by_digits


def _uneven(
    evidence: PathEvidence,
    source: NDArray[np.complex128],
    capture: NDArray[np.complex128],
    mean: float,
) -> tuple[float, float]:
    """Departure of the hue that departs most from the mean chroma ratio, and its half width."""
    bins = _hue_bins(source)
    found = []
    for n in np.unique(bins):
        rows = bins == n
        if np.count_nonzero(rows) < _LEAST_OF_HUE:
            continue
        ratio, half_width = complex_ratio(source[rows], capture[rows])
        # Dither carries means, but not those that a stage before it rounded.
        staged = evidence.chroma_rounded_to < evidence.grain and hidden_stages(evidence)
        codes = 0.6 * ((evidence.grain if staged else evidence.chroma_rounded_to) - 1)
        if evidence.resampled:
            codes += _SCATTER * float(evidence.explanation.residual[0])
        coarse = codes / float(np.sqrt(np.mean(np.abs(source[rows]) ** 2)))
        bound = 2 * half_width / mean + 2 * _slack(evidence, source[rows]) + coarse
        found.append((abs(abs(ratio) / mean - 1), bound))
    found.sort(key=lambda one: one[1] - one[0])
    # A conversion clips what noise drives beyond its ends, at single hues.
    clips = evidence.explanation.gamut is not None and evidence.noise > _NOISY
    return found[min(int(clips), len(found) - 1)] if found else (0.0, 0.0)


def _slack(evidence: PathEvidence, source: NDArray[np.complex128]) -> float:
    """Error, as a share of chroma, that an unknown shift of all chroma codes may cause.

    Colours of the chart lie around neutral and cancel it; other content need not.
    """
    shift = 0.05 if evidence.layout is not None else 0.4 + 0.15 * (evidence.chroma_rounded_to - 1)
    if evidence.explanation.gamut is not None and hidden_stages(evidence):
        shift += float(evidence.explanation.residual.max())  # codes cut off before a conversion
    # What came before a conversion is found by converting rounded codes back.
    back = _BACK if evidence.explanation.gamut is not None else 0.0
    return back + shift / float(np.sqrt(np.mean(np.abs(source) ** 2)))


def _bent(evidence: PathEvidence) -> bool:
    """Whether more than levels and what is done to chroma alone bends the colours."""
    found = evidence.explanation
    chroma_alone = evidence.leak < LEAK_LIMIT and found.residual[0] < 1.0
    if found.affine or (chroma_alone and found.gamut is None):
        return False
    if evidence.leak < _leak_of_bend(evidence) and found.gamut is None and found.matrices is None:
        # Local contrast and a mapping that follows the scene leave chroma alone.
        if any(one.verdict == "not transparent" for one in contrast(evidence)):
            return False
        if moved_scenes(evidence) is not None:
            return False
    # What bends luma alone leaves chroma turned and scaled as a whole.
    (a, b), (c, d) = found.linear[1:, 1:] @ np.linalg.inv(found.known[1:, 1:])
    turned = max(abs(a - d), abs(b + c)) < _TURNED and found.matrices is None
    return not (turned and float(found.residual[1:].max()) < _STRAIGHT_CHROMA)


def _leak_of_bend(evidence: PathEvidence) -> float:
    """Luma codes for each chroma code that a bend of luma may pass for, in pictures."""
    found = evidence.explanation
    if evidence.layout is not None or not found.used.any():
        return LEAK_LIMIT
    spread = float(np.sqrt(np.mean(found.before[found.used][:, 1:] ** 2)))
    count = int(found.used.sum())
    return LEAK_LIMIT + 2 * float(found.residual[0]) / (max(spread, 1.0) * float(np.sqrt(count)))


def complex_ratio(
    source: NDArray[np.complex128],
    capture: NDArray[np.complex128],
    cluster: IntArray | None = None,
) -> tuple[complex, float]:
    """Ratio of chroma signals as one complex number, and the 95 % half width of either part.

    Its angle is the hue rotation, its size the saturation ratio. The half width allows errors to
    go together within a cluster (a page, a group of neighbouring blocks).
    """
    power = float(np.sum(np.abs(source) ** 2))
    ratio = complex(np.vdot(source, capture) / power)
    scores = np.conj(source) * (capture - ratio * source)
    if cluster is not None and len(np.unique(cluster)) >= 8:
        _, label = np.unique(cluster, return_inverse=True)
        sums = np.zeros(label.max() + 1, np.complex128)
        np.add.at(sums, label, scores)
        clustered = float(np.sum(np.abs(sums) ** 2) / 2)
    else:
        clustered = 0.0
    alone = float(np.sum(np.abs(scores) ** 2) / 2)
    return ratio, 2.0 * float(np.sqrt(max(alone, clustered))) / power


def _coloured(evidence: PathEvidence) -> NDArray[np.intp]:
    found, source = evidence.explanation, evidence.colours.source
    strong = np.hypot(source[:, 1], source[:, 2]) > STRONG_CHROMA
    if not found.affine:
        # Where chroma is bent the affine map does not show what was clipped.
        return np.flatnonzero(strong)
    # Nor is it of colours that no clip of R'G'B' can reach, if they are not single ones.
    rgb = ycbcr_to_rgb(source / SPAN, evidence.source.coding_matrix)
    inner = strong & ((rgb > _INNER) & (rgb < 1 - _INNER)).all(axis=1)
    if evidence.layout is None:
        bins = _hue_bins(source[:, 1] + 1j * source[:, 2])
        many, off = (np.bincount(bins[n], minlength=_HUES) for n in (inner, inner & ~found.used))
        inner &= ((many >= _LEAST_OF_HUE) & (off > many / 2))[bins]
    kept = found.used | inner
    return np.flatnonzero(strong & kept)


def _chroma(
    evidence: PathEvidence,
) -> tuple[NDArray[np.complex128], NDArray[np.complex128], IntArray]:
    """Chroma of both sides as complex numbers, with the known steps taken off."""
    found, colours = evidence.explanation, evidence.colours
    rows = _coloured(evidence)
    before, seen = found.before[rows], colours.capture[rows] - [found.luma_offset, *evidence.tint]
    if found.controls_first:
        seen = seen @ np.linalg.inv(found.known).T
    else:
        before = before @ found.known.T
    return (
        before[:, 1] + 1j * before[:, 2],
        seen[:, 1] + 1j * seen[:, 2],
        colours.cluster[rows],
    )


def _by_hue(
    source: NDArray[np.complex128], capture: NDArray[np.complex128]
) -> tuple[FloatArray, FloatArray]:
    """Rotation in degrees and ratio, by hue."""
    bins = _hue_bins(source)
    ratios = np.array(
        [complex_ratio(source[bins == n], capture[bins == n])[0] for n in np.unique(bins)]
    )
    return np.degrees(np.angle(ratios)), np.abs(ratios)


def _hue_bins(source: NDArray[np.complex128]) -> NDArray[np.int_]:
    bins: NDArray[np.int_] = (np.degrees(np.angle(source)) % 360 / 360 * _HUES).astype(int) % _HUES
    return bins
