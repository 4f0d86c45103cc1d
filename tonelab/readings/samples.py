"""Colours of a registered pair one by one, for proofs on what was never fitted."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from tonelab.readings import read
from tonelab.readings.signals import read_content_source
from tonelab.tallies.content import flat_samples, plan_content
from tonelab.tallies.run import tally

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from tonelab.media.clip import Frame
    from tonelab.pairing import Pair
    from tonelab.results.progress import StageProgress
    from tonelab.signal.arrays import FloatArray
    from tonelab.signal.description import Signal
    from tonelab.tallies.content import Sample
    from tonelab.tallies.workers import Workers

PLACES = 20_000  # flat places of a frame that are taken, evenly
FEWEST_CODES = 16  # different ones, that all are multiples of a step by chance no more


class Block(NamedTuple):
    """Codes (N, 3) of source and capture, the step of the capture's, and rendered ones if any."""

    source: FloatArray
    capture: FloatArray
    step: float
    rendered: FloatArray | None = None


@dataclass(frozen=True, slots=True, eq=False)
class ColourSamples:
    """Colours that both sides of a pair show.

    Attributes
    ----------
    source, capture
        How their codes are read.
    blocks
        Native codes of source and capture, (N, 3) each, with the step of the capture's; they can be
        gone through once, while the clips are open.
    what
        What a colour is, for people.
    """

    source: Signal
    capture: Signal
    blocks: Iterator[Block]
    what: str


def colour_samples(
    paired: Pair,
    *,
    hdr: bool,
    workers: Workers,
    progress: StageProgress,
    renderer: Callable[[Signal, Signal], Callable[[Frame], Frame]] | None = None,
) -> ColourSamples:
    """Take the patches of a chart, or flat places of content.

    Parameters
    ----------
    paired
        Two registered clips.
    hdr
        Whether the first must say whether it is PQ or HLG.
    workers
        As in `tonelab.tally`.
    progress
        Called with (stage, done, total).
    renderer
        Given how both sides are coded, gives what makes of a frame of content one coded and
        sampled as the capture; its codes come beside the others.

    Raises
    ------
    SignalError
        When nothing says how the source is coded.
    ClipError, WorkerError
        When the clips cannot be read to their end.
    """
    played, recorded = paired.source.signal, paired.capture.signal
    if paired.layout is None:
        if hdr:
            played, _ = read_content_source(played)
        render = None if renderer is None else renderer(played, recorded)
        return ColourSamples(played, recorded, _flat(paired, progress, render), "flat places")
    tallies = tally(paired, workers=workers, progress=partial(progress, "tallying"))
    readings = read(tallies, paired.source.facts(), paired.capture.facts())
    colours = readings.native_colours
    return ColourSamples(
        readings.source.signal,
        readings.capture.signal,
        iter([Block(colours.source, colours.capture, readings.step)]),
        "colours of the chart",
    )


def _flat(
    paired: Pair, progress: StageProgress, render: Callable[[Frame], Frame] | None
) -> Iterator[Block]:
    jobs, done, step = list(plan_content(paired)), 0, 0
    for job in jobs:
        for shown, captured, made in flat_samples(job, render):
            stride = max(len(shown) // PLACES, 1)
            step = _common_step(captured, paired.capture.signal.bits, step)
            yield Block(
                shown[::stride].astype(np.float64),
                captured[::stride].astype(np.float64),
                float(max(step, 1)),
                None if made is None else made[::stride].astype(np.float64),
            )
            done += 1
            progress("verifying", done, len(paired.matches))


def _common_step(codes: Sample, bits: int, before: int) -> int:
    """Step of codes whose lowest bits carry nothing, as of a device of eight bits; 1 where few."""
    if len(np.unique(codes)) < FEWEST_CODES:
        return max(before, 1)
    return int(np.gcd.reduce(codes.astype(np.int64), axis=None, initial=before or 2 ** (bits - 8)))
