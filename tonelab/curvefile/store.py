"""Writing and reading curve files.

A curve file is HDF5 in the 1.10 format. It is laid out in memory and written in one piece, and
read the same way, so that neither file locks nor the spelling of a path reach the HDF5 library.
Its dataset ``integrity`` holds the SHA-256 of the file itself: damage is seen before the HDF5
library sees a byte. An index after the HDF5 data says where each dataset lies, so that nobody
waits for the library (`read_index`); a file without one, or whose descriptions are wanted too, is
read in a process of its own (`read_tree`).
"""

from __future__ import annotations

import hashlib
import os
import re
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from tonelab.curvefile.fingerprint import SIZE, fingerprint
from tonelab.curvefile.index import LARGEST, has_index, read_index
from tonelab.curvefile.reader import read_tree
from tonelab.curvefile.records import pack, unpack
from tonelab.curvefile.schema import SCHEMA_VERSION
from tonelab.curvefile.tree import MalformedError, Tree, digest, same_values
from tonelab.errors import CurveFileError
from tonelab.outputs import check_output, whole_file

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from tonelab.results import Measurement
    from tonelab.signal.arrays import FloatArray

P = TypeVar("P")
R = TypeVar("R")

_SIGNATURE = b"\x89HDF\r\n\x1a\n"
_SEAL = re.compile(rb"tonelab sha256 ([0-9a-f]{64})")
_PRINT = re.compile(rb"tonelab print ([0-9a-f]{%d})" % (8 * SIZE))


def save(measurement: Measurement, path: str | Path, *, overwrite: bool = False) -> None:
    """Write a measurement as a curve file, whole or not at all.

    Parameters
    ----------
    measurement
        What to write.
    path
        The file, usually ending in ``.h5``.
    overwrite
        Whether an existing file may be replaced.

    Raises
    ------
    CurveFileError
        When the file exists, or the system refuses to write it.
    """
    from tonelab.curvefile.writer import serialise

    path = Path(path)
    check_output(path, overwrite=overwrite, error=CurveFileError)
    image = _seal(serialise(pack(measurement), fingerprint(measurement)))
    with whole_file(path, overwrite=overwrite, error=CurveFileError) as temporary:
        temporary.write_bytes(image)


def load(path: str | Path) -> Measurement:
    """Read a curve file of this or any older schema.

    Raises
    ------
    CurveFileError
        When the file is missing, is no curve file, is damaged, or is newer than this tonelab.
    """
    return _measurement(path, _fetched(path))


def load_all(paths: Sequence[str | Path]) -> list[Measurement]:
    """Read many curve files, several at a time.

    Returns
    -------
    list of Measurement
        In the order of the paths.

    Raises
    ------
    CurveFileError
        As `load`, for the first of the paths that cannot be read.
    """
    # What Python does for a file is done here, for threads would only take turns at it.
    fetched = in_threads(_fetched, paths)
    return [_measurement(path, one) for path, one in zip(paths, fetched, strict=True)]


def in_threads(job: Callable[[P], R], items: Sequence[P]) -> Iterator[R]:
    """Do a job that waits for files or their reader for each item, one thread a core.

    Yields
    ------
    object
        What ``job`` returned, in the order of the items.

    Raises
    ------
    Exception
        The first in that order that ``job`` raised; what had not begun is called off.
    """
    with ThreadPoolExecutor(min(os.cpu_count() or 1, len(items)) or 1) as pool:
        try:
            yield from pool.map(job, items)
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def read_fingerprint(path: str | Path) -> FloatArray:
    """Fingerprint of the device in a curve file, see `fingerprint`, without reading the rest.

    Files written before there were fingerprints are read whole.

    Returns
    -------
    ndarray
        Shape (`fingerprint.SIZE`,), as precise as 32-bit floats.

    Raises
    ------
    CurveFileError
        As `load`.
    """
    image = _sealed_image(Path(path))
    found = _PRINT.search(image)
    if found is None:
        return fingerprint(load(path))
    return np.frombuffer(bytes.fromhex(found[1].decode()), "<f4").astype(np.float64)


def content_hash(path: str | Path) -> str:
    """SHA-256 of what was measured: all datasets and attributes but those of the run.

    The same inputs measured twice give equal hashes; time, duration, host and command differ
    between the two files and do not count.

    Returns
    -------
    str
        64 hexadecimal digits, the same on every platform.

    Raises
    ------
    CurveFileError
        As `load`.
    """
    image = _sealed_image(Path(path))
    try:
        version, tree = read_tree(image, described=True)
        alike = not has_index(image) or same_values(read_index(image)[1], tree)
    except MalformedError as fault:
        raise _unusable(path, fault) from None
    if not alike:
        raise _unusable(path, MalformedError("its index does not lead to its datasets"))
    _check_version(version, path)
    return digest(tree)


def _seal(image: bytes) -> bytes:
    """Put the digest of the file, taken with zeros in its place, into the file."""
    seal = _SEAL.search(image)
    assert seal is not None
    return image[: seal.start(1)] + _digest_without(image, seal) + image[seal.end(1) :]


def _digest_without(image: bytes, seal: re.Match[bytes]) -> bytes:
    total, whole = hashlib.sha256(), memoryview(image)
    for part in (whole[: seal.start(1)], b"0" * 64, whole[seal.end(1) :]):
        total.update(part)
    return total.hexdigest().encode()


# Reading


def _fetched(path: str | Path) -> bytes | tuple[int, Tree]:
    """Return the bytes of a file with an index, or schema and tree of one without."""
    image = _sealed_image(Path(path))
    if has_index(image):
        return image
    try:
        return read_tree(image)
    except MalformedError as fault:
        raise _unusable(path, fault) from None


def _measurement(path: str | Path, fetched: bytes | tuple[int, Tree]) -> Measurement:
    try:
        version, tree = read_index(fetched) if isinstance(fetched, bytes) else fetched
        _check_version(version, path)
        return unpack(tree)
    except MalformedError as fault:
        raise _unusable(path, fault) from None
    except (ValueError, TypeError, ArithmeticError, RecursionError) as fault:
        raise _unusable(path, fault) from fault


def _check_version(version: int, path: str | Path) -> None:
    if version > SCHEMA_VERSION:
        raise CurveFileError(
            f"{path} has schema {version} and this tonelab reads up to {SCHEMA_VERSION}: "
            "upgrade tonelab."
        )


def _unusable(path: str | Path, fault: Exception) -> CurveFileError:
    return CurveFileError(
        f"{path} is not a usable curve file: {fault}; restore it or measure again."
    )


def _sealed_image(path: Path) -> bytes:
    """Bytes of a curve file, which are those that were written."""
    image = _read_image(path)
    seal = _SEAL.search(image)
    if not seal:
        raise CurveFileError(
            f"{path} is not a curve file of tonelab, or was cut short: name another or restore it."
        )
    if seal[1] != _digest_without(image, seal):
        raise CurveFileError(
            f"{path} was damaged, cut short or altered after it was written: "
            "restore it or measure again."
        )
    return image


def _read_image(path: Path) -> bytes:
    if not path.exists():
        raise CurveFileError(f"There is no file {path}.")
    if not path.is_file():
        raise CurveFileError(f"{path} is not a file: name a curve file.")
    try:
        with path.open("rb") as file:
            if file.read(len(_SIGNATURE)) != _SIGNATURE:
                raise CurveFileError(
                    f"{path} is not an HDF5 file, so not a curve file: name another."
                )
            file.seek(0)
            image = file.read(LARGEST + 1)
    except OSError as fault:
        if isinstance(fault, CurveFileError):
            raise
        raise CurveFileError(f"{path} cannot be read: {fault.strerror}.") from fault
    if len(image) > LARGEST:
        raise CurveFileError(f"{path} is far larger than any curve file: name another.")
    return image
