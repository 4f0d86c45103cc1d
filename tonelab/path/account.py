"""What a path did as a whole: its steps in words, and what they leave."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.path.evidence import read_evidence
from tonelab.path.intervals import intervals
from tonelab.path.limits import EDGE, LEAST_PART, MOST_RIVALS, ROUNDED, STANDS_OUT, TIED
from tonelab.path.search import coarse_of, identify_path, kind_of, residual
from tonelab.results import PathAccount, PathParameter, Unexplained
from tonelab.signal.quantisation import SPAN

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from tonelab.pairing import Pair
    from tonelab.path.chain import Chain
    from tonelab.path.evidence import Evidence
    from tonelab.path.search import Fitted
    from tonelab.signal.arrays import FloatArray, Mask
    from tonelab.signal.description import Signal

PLANES = ("Y'", "Cb", "Cr")
THIRDS = (("top", "middle", "bottom"), ("left", "centre", "right"))


def account_of(
    pair: Pair,
    source: Signal,
    capture: Signal | None = None,
    *,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[PathAccount, Unexplained] | None:
    """Say what a path did to a registered pair, and what that leaves unexplained.

    None where captured pixels do not each stand for one of the source.

    Parameters
    ----------
    pair
        Source and capture.
    source
        How the source is read.
    capture
        How the capture is read; without it as its file says.
    progress
        Called with (bursts read, bursts in all).
    """
    evidence = read_evidence(pair, source, capture or pair.capture.signal, progress=progress)
    if evidence is None:
        return None
    colours, pieces, survey = evidence
    if not len(colours) or not len(pieces) or not len(survey):
        return None
    chains = identify_path(colours, pieces)
    best = chains[0]
    rest = residual(best.chain, survey)
    coarse = coarse_of(best.chain, survey)
    exact = np.abs(rest) <= ROUNDED * coarse
    bounds = intervals(best.chain, colours, pieces)
    steps = zip(best.chain, bounds, strict=True)
    account = PathAccount(
        steps=tuple(step.describe(bound) for step, bound in steps),
        kinds=tuple(dict.fromkeys(_kinds(best))),
        causes=tuple(step.step.cause for step in best.chain),
        parameters=tuple(_parameters(best.chain, bounds)),
        rivals=tuple(_rivals(chains)),
        moves=_moves(best.chain, survey),
        predicted=float(exact.mean()),
        count=rest.size,
    )
    return account, _unexplained(rest, coarse, survey)


def _moves(chain: Chain, survey: Evidence) -> float:
    """10-bit codes of narrow range, RMS, by which a chain moves the plane that it moves most."""
    moved = survey.judged(chain.applied(survey.signal, survey.medium) - survey.signal)
    return float((np.sqrt(np.mean(moved**2, axis=0)) * SPAN).max())


def _parameters(chain: Chain, bounds: list[dict[str, float]]) -> Iterator[PathParameter]:
    """Values in the units in which the steps say them; no bound where that says nothing."""
    for number, (step, known) in enumerate(zip(chain, bounds, strict=True)):
        for name, bound in known.items():
            factor, unit = step.step.shown_in(name)
            yield PathParameter(
                step=number,
                name=name,
                value=factor * step.values[name],
                bound=factor * bound if np.isfinite(bound) else None,
                unit=unit or "1",
            )


def _kinds(fitted: Fitted) -> Iterator[str]:
    for step in fitted.chain:
        yield step.name
        yield from (f"{step.name} {parameter}" for parameter in step.values)


def _rivals(chains: list[Fitted]) -> Iterator[str]:
    seen = {kind_of(chains[0].chain)}
    for other in chains[1:]:
        if other.cost - chains[0].cost < TIED and len(seen) <= MOST_RIVALS:
            if kind_of(other.chain) not in seen:
                yield other.chain.describe()
            seen.add(kind_of(other.chain))


def _unexplained(rest: FloatArray, coarse: float, survey: Evidence) -> Unexplained:
    """Say by how much, and where most, captured codes are off beyond rounding."""
    beyond = np.sign(rest) * np.maximum(np.abs(rest) - ROUNDED * coarse, 0.0)
    sizes = np.sqrt(np.mean(beyond**2, axis=0))
    plane = int(sizes.argmax())
    burst = np.repeat(survey.burst, len(beyond) // len(survey))
    of_bursts = [_rms(beyond[burst == n, plane]) for n in np.unique(burst)]
    spread = float(np.std(of_bursts)) / np.sqrt(max(len(of_bursts) - 1, 1))
    parts = [
        (_rms(beyond[rows, plane]), words)
        for words, rows in _parts(survey)
        if np.count_nonzero(rows) >= LEAST_PART
    ]
    most, where = max(parts, default=(0.0, ""))
    stands_out = most > max(STANDS_OUT * sizes[plane], EDGE)
    return Unexplained(
        value=float(sizes[plane]),
        bound=spread,
        unit="codes",
        plane=PLANES[plane],
        where=where if stands_out else "everywhere alike",
        count=len(beyond),
    )


def _parts(survey: Evidence) -> Iterator[tuple[str, Mask]]:
    """Parts of the evidence that are worth naming, with masks (M,) of its samples."""
    place = survey.judged(survey.place[..., [0, 1, 1]])
    thirds = np.minimum((3 * place[:, :2].T).astype(int), 2)
    for down, across in np.ndindex(3, 3):
        rows = (thirds[0] == down) & (thirds[1] == across)
        yield f"in the {THIRDS[0][down]} {THIRDS[1][across]} of the picture", rows
    signal = survey.judged(survey.signal)
    for low in range(0, 10, 2):
        rows = (signal[:, 0] >= low / 10) & (signal[:, 0] < (low + 2) / 10)
        yield f"where luma is {10 * low} to {10 * (low + 2)} % of nominal peak", rows
    chroma = signal[:, 1] + 1j * signal[:, 2]
    hue = np.degrees(np.angle(chroma)) % 360
    for low in range(0, 360, 60):
        rows = (np.abs(chroma) > 0.05) & (hue >= low) & (hue < low + 60)
        yield f"in colours of {low} to {low + 60} degrees of hue", rows


def _rms(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values**2))) if values.size else 0.0
