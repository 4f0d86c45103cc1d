"""Tasks one after the other here, or several at a time in processes of their own.

Each task has its own process and its own pipe, so that a process that ends unexpectedly costs
its capture and no other, and an interruption can end all of them: only the main process writes.
"""

from __future__ import annotations

import multiprocessing
import signal
from multiprocessing.connection import wait
from typing import TYPE_CHECKING, Any, TypeAlias, cast

from tonelab.bench.job import Done, carry_out
from tonelab.bench.outcome import named

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from multiprocessing.connection import Connection
    from pathlib import Path

    from tonelab.bench.outcome import Watch
    from tonelab.bench.reading import Task
    from tonelab.tallies.workers import Workers

    Work: TypeAlias = "tuple[Task, Path, bool]"


def carry_out_all(
    works: Sequence[Work], *, workers: int, counting: Workers | None, watch: Watch
) -> Iterator[tuple[Task, Done]]:
    """Carry out tasks and yield each with what became of it, in the order in which they end.

    Parameters
    ----------
    works
        A task, the path of its finished file, and whether it is to be done anew.
    workers
        Tasks at a time; 1 stays in this process.
    counting
        What counts for one task after the other, in place of ``workers``.
    watch
        Called with (name of the task, stage, done, total).
    """
    if workers == 1 or counting is not None:
        for task, finished, anew in works:
            report = named(watch, task.name)
            yield task, carry_out(task, finished, report, anew=anew, counting=counting)
        return
    yield from _in_processes(works, workers, watch)


def _in_processes(works: Sequence[Work], workers: int, watch: Watch) -> Iterator[tuple[Task, Done]]:
    waiting = list(reversed(works))
    spawn = multiprocessing.get_context("spawn")
    running: dict[Any, tuple[Task, Any]] = {}
    try:
        while waiting or running:
            while waiting and len(running) < workers:
                work = waiting.pop()
                here, there = spawn.Pipe(duplex=False)
                process = spawn.Process(target=_work, args=(there, *work), daemon=True)
                process.start()
                there.close()
                running[here] = (work[0], process)
            for connection in cast("list[Connection]", wait(list(running))):
                task, process = running[connection]
                try:
                    message = connection.recv()
                except EOFError:
                    process.join()
                    message = Done("failed", text=_died(process.exitcode))
                if isinstance(message, Done):
                    process.join()
                    connection.close()
                    del running[connection]
                    yield task, message
                else:
                    watch(task.name, *message)
    finally:
        for _, process in running.values():
            process.terminate()
            process.join()


def _work(connection: Connection, task: Task, finished: Path, anew: bool) -> None:
    """Do one task in a process of its own and send what becomes of it."""
    # Ctrl-C reaches all processes of a terminal; the main one decides.
    signal.signal(signal.SIGINT, signal.SIG_IGN)

    def report(stage: str, done: int, total: int) -> None:
        connection.send((stage, done, total))

    connection.send(carry_out(task, finished, report, anew=anew))


def _died(code: int | None) -> str:
    return (
        f"Its process ended without a result (code {code}), perhaps for want of memory: "
        "run again with fewer --workers."
    )
