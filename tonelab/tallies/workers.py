"""Carrying out jobs on an executor: threads, processes, or the workers of a cluster."""

from __future__ import annotations

import os
from concurrent.futures import (
    BrokenExecutor,
    Executor,
    Future,
    ThreadPoolExecutor,
    as_completed,
)
from contextlib import contextmanager
from threading import Event
from typing import TYPE_CHECKING, TypeAlias, TypeVar

from threadpoolctl import threadpool_limits

from tonelab.errors import WorkerError

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterator, Sequence

    from tonelab.media import Clip

    Makes: TypeAlias = Callable[[], Executor]
    # An executor is left open; one that was made here is shut down, and replaced when it broke.
    Workers: TypeAlias = Executor | Makes | int

J = TypeVar("J")
R = TypeVar("R")

MOST_THREADS = 8  # unless stated otherwise; storage seldom feeds more
_TRIES = 3  # executors in a row that may break without finishing a job


def default_workers() -> int:
    """Return the number of threads to use on this machine."""
    return min(MOST_THREADS, os.cpu_count() or 1)


def carry_out(
    task: Callable[[J], R], jobs: Sequence[J], workers: Workers
) -> Generator[tuple[J, R]]:
    """Yield each job with its result, in the order in which they are finished.

    Parameters
    ----------
    task
        What to do with a job; an importable function where the workers are processes.
    jobs
        Small and picklable.
    workers
        A number of threads; an executor; or a function that makes an executor, which is called
        again when a worker's death has broken the last one.

    Raises
    ------
    WorkerError
        When workers keep dying.
    """
    left = dict(enumerate(jobs))
    tries = 0
    while left:
        before = len(left)
        try:
            with _executor(workers) as executor:
                futures = {executor.submit(task, job): key for key, job in left.items()}
                try:
                    for future in as_completed(list(futures)):
                        result = future.result()
                        # A result is let go as soon as it is used, so that memory does not grow.
                        key = futures.pop(future)
                        yield left.pop(key), result
                        del future, result
                finally:
                    for future in futures:
                        future.cancel()
        except BrokenExecutor as error:
            tries = tries + 1 if len(left) == before else 1
            if isinstance(workers, Executor) or tries == _TRIES:
                raise WorkerError(
                    f"A worker died with {len(left)} of {len(jobs)} parts of the work to do: look "
                    "for a lack of memory, and use fewer workers."
                ) from error


@contextmanager
def file_hashes(clips: Sequence[Clip], workers: Workers) -> Iterator[list[Future[str]]]:
    """Give the SHA-256 of the files of clips, computed while other work is done.

    That is on the executor, or else in threads here, which end with the block.
    """
    if isinstance(workers, Executor):
        yield [workers.submit(type(clip).sha256, clip) for clip in clips]
        return
    stop = Event()
    with ThreadPoolExecutor(len(clips)) as threads:
        try:
            yield [threads.submit(clip.sha256, stop) for clip in clips]
        finally:
            stop.set()


@contextmanager
def _executor(workers: Workers) -> Iterator[Executor]:
    if isinstance(workers, Executor):
        yield workers
        return
    if isinstance(workers, int):
        # Threads that each multiply matrices on all cores spend half of their time on waiting.
        with threadpool_limits(1, "blas"), ThreadPoolExecutor(workers) as threads:
            try:
                yield threads
            finally:
                threads.shutdown(cancel_futures=True)
        return
    made = workers()
    try:
        yield made
    finally:
        made.shutdown(cancel_futures=True)
