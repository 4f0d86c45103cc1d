"""The workers of a running Dask cluster, as an executor."""

from __future__ import annotations

from contextlib import contextmanager
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

from tonelab.errors import UsageError, WorkerError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from concurrent.futures import Executor

_PATIENCE = 10  # seconds to wait for the scheduler, and for its first worker


@contextmanager
def cluster_executor(address: str) -> Iterator[Executor]:
    """Connect with a cluster whose workers see the clips under the same paths.

    The scheduler gives the work of a worker that died to another one.

    Parameters
    ----------
    address
        Of the scheduler, such as ``tcp://host:8786``.

    Raises
    ------
    UsageError
        When the extra ``cluster`` is not installed.
    WorkerError
        When nothing answers there, no worker is there, a worker has no tonelab or another one, or
        workers keep dying.
    """
    try:
        from distributed import Client, KilledWorker
    except ImportError:
        raise UsageError(
            "Clusters need Dask: install tonelab with its extra 'cluster', or leave --cluster out."
        ) from None
    try:
        client = Client(address, timeout=_PATIENCE, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise WorkerError(
            f"No scheduler of a cluster answers at {address}: start it, or correct the address."
        ) from error
    with client:
        _check_workers(client, address)
        try:
            yield client.get_executor(pure=False)
        except KilledWorker as error:
            raise WorkerError(
                f"Workers of the cluster at {address} died over the same part of the work again "
                "and again: look for a lack of memory there."
            ) from error


def installed_version() -> str:
    """Return the version of tonelab; asked on every worker."""
    return version("tonelab")


def _check_workers(client: Any, address: str) -> None:
    try:
        client.wait_for_workers(1, timeout=_PATIENCE)
        found = client.run(installed_version)
    except TimeoutError as error:
        raise WorkerError(
            f"The cluster at {address} has no workers: start some with 'dask worker {address}'."
        ) from error
    except ImportError as error:
        raise WorkerError(
            f"A worker of the cluster at {address} has no tonelab: install version "
            f"{installed_version()} there."
        ) from error
    other = {worker: there for worker, there in found.items() if there != installed_version()}
    for worker, there in other.items():
        raise WorkerError(
            f"The worker {worker} has tonelab {there} and not {installed_version()}, which may "
            "count otherwise: install the same version."
        )
