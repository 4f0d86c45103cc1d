"""Summing the pixel tables of a pair, burst by burst, on any number of workers."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace
from functools import partial
from importlib import import_module
from typing import TYPE_CHECKING

from tonelab.pixels.bursts import Burst
from tonelab.pixels.tables import PIXEL_TABLES, PixelTables
from tonelab.tallies.workers import carry_out, default_workers

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from tonelab.pairing import Pair
    from tonelab.signal.arrays import IntArray
    from tonelab.tallies.workers import Workers

    BurstJob = tuple[int, IntArray]

# A module registers its tables when it is imported.
for _module in ("codes", "filters", "moments", "colours", "scaling"):
    import_module(f"tonelab.pixels.{_module}")


def tally_pixels(
    pair: Pair,
    runs: Sequence[IntArray],
    *,
    workers: Workers | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> PixelTables:
    """Read some bursts of both clips and sum what co-registered pixels say.

    Scaled pairs of content are compared with the source scaled alike; those of the chart leave all
    but the tables of patches and of scaling empty.

    Parameters
    ----------
    pair
        Source and capture, registered.
    runs
        Matches (N, 2) of each burst, see `tonelab.pixels.bursts.bursts`. A burst has the number of
        its place here, whenever it is read.
    workers
        A number of threads; or any executor, or a function that makes one, see
        `tonelab.tallies.workers.carry_out`. By default a thread for each core.
    progress
        Called with (bursts done, bursts in all).

    Returns
    -------
    PixelTables
        The same bytes for every executor, number of workers and order of the bursts.

    Raises
    ------
    ClipError
        When a clip cannot be decoded.
    WorkerError
        When workers keep dying.
    """
    jobs = list(enumerate(runs))
    merged, done = PixelTables.empty(pair), 0
    parts = carry_out(partial(tally_burst, pair=sendable(pair)), jobs, workers or default_workers())
    with closing(parts):  # an interruption ends the work at once
        for _, part in parts:
            merged = merged.with_more(part)
            done += 1
            if progress is not None:
                progress(done, len(jobs))
    return merged


def sendable(pair: Pair) -> Pair:
    """Leave out of a pair what no burst needs, or what a worker makes again in less time."""
    layout = None if pair.layout is None else replace(pair.layout)
    return replace(pair, layout=layout, matches=pair.matches[:0])


def tally_burst(job: BurstJob, pair: Pair) -> PixelTables:
    """Sum what one burst says; the only function a worker needs."""
    number, run = job
    burst = Burst(pair, number, run)
    added: dict[str, IntArray] = {}
    for entry in PIXEL_TABLES.values():
        if not entry.pages or burst.kind in entry.pages:
            added |= entry.added(burst)
    return PixelTables.empty(pair).of_burst(len(run), added)
