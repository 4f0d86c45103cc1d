"""Colours of a registered pair one by one, for proofs on what was never fitted."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from tonelab.readings import read
from tonelab.readings.signals import read_content_source
from tonelab.tallies.content import flat_samples, plan_content
from tonelab.tallies.run import tally

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tonelab.pairing import Pair
    from tonelab.results.progress import StageProgress
    from tonelab.signal.arrays import FloatArray
    from tonelab.signal.description import Signal
    from tonelab.tallies.workers import Workers

PLACES = 20_000  # flat places of a frame that are taken, evenly


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
    blocks: Iterator[tuple[FloatArray, FloatArray, float]]
    what: str


def colour_samples(
    paired: Pair, *, hdr: bool, workers: Workers, progress: StageProgress
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
        return ColourSamples(played, recorded, _flat(paired, progress), "flat places")
    tallies = tally(paired, workers=workers, progress=partial(progress, "tallying"))
    readings = read(tallies, paired.source.facts(), paired.capture.facts())
    colours = readings.native_colours
    return ColourSamples(
        readings.source.signal,
        readings.capture.signal,
        iter([(colours.source, colours.capture, readings.step)]),
        "colours of the chart",
    )


def _flat(paired: Pair, progress: StageProgress) -> Iterator[tuple[FloatArray, FloatArray, float]]:
    jobs, done = list(plan_content(paired)), 0
    for job in jobs:
        for shown, captured in flat_samples(job):
            stride = max(len(shown) // PLACES, 1)
            yield shown[::stride].astype(np.float64), captured[::stride].astype(np.float64), 1.0
            done += 1
            progress("verifying", done, len(paired.matches))
