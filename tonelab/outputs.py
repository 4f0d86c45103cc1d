"""Outputs that appear whole or not at all."""

from __future__ import annotations

import os
import secrets
import time
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from tonelab.errors import TonelabError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_QUIET = 600.0  # seconds without a write after which an unfinished file belongs to nobody


def check_output(path: Path, *, overwrite: bool, error: type[TonelabError] = UsageError) -> None:
    """Refuse an output path that cannot or must not be written, before any work is done.

    Raises
    ------
    TonelabError
        Of the class ``error``: the folder is missing, the path is a folder, or the file exists
        and ``overwrite`` is not set.
    """
    if path.is_dir():
        raise error(f"{path} is a folder: name a file inside it.")
    if not path.parent.is_dir():
        raise error(f"The folder {path.parent} does not exist: create it or name another.")
    if path.exists() and not overwrite:
        raise _taken(path, error)


def make_folder(path: Path) -> None:
    """Make a folder, with those it stands in.

    Raises
    ------
    UsageError
        When the system refuses.
    """
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as fault:
        raise UsageError(
            f"The folder {path} cannot be made ({fault.strerror}): name another."
        ) from fault


@contextmanager
def whole_file(
    path: Path, *, overwrite: bool = True, error: type[TonelabError] = UsageError
) -> Iterator[Path]:
    """Give a temporary path beside ``path`` that takes its place when the block succeeds.

    The content is on the disk before the name changes; on any failure, an interruption
    included, the temporary file is removed and what stood at ``path`` stays. What a process
    that was killed left behind is removed when the same output is written again, ten minutes
    later or more.

    Parameters
    ----------
    path
        Where the output is to stand.
    overwrite
        Whether a file that stands there by the end of the block may be replaced. Without it, of
        two processes that write the same name the second is refused.
    error
        Class of what is raised.

    Raises
    ------
    TonelabError
        Of the class ``error``, when the system refuses to write, or the name was taken meanwhile.
    """
    _sweep(path)
    temporary = path.with_name(f"{_stem(path)}{secrets.token_hex(4)}.part")
    try:
        yield temporary
        with temporary.open("r+b") as file:
            os.fsync(file.fileno())
        if overwrite:
            temporary.replace(path)
        else:
            _take_free_name(temporary, path)
    except FileExistsError as fault:
        raise _taken(path, error) from fault
    except OSError as fault:
        if isinstance(fault, TonelabError):
            raise
        reason = fault.strerror or str(fault)
        raise error(
            f"{path} cannot be written: {reason}; check free space and permissions."
        ) from fault
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


def _take_free_name(temporary: Path, path: Path) -> None:
    """Rename without replacing, as far as the file system knows how."""
    if os.name == "nt":
        temporary.rename(path)
        return
    try:
        path.hardlink_to(temporary)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links, as on many external disks
        if path.exists():
            raise FileExistsError(path) from None
        temporary.replace(path)


def _sweep(path: Path) -> None:
    """Remove what killed processes left of earlier attempts at the same output."""
    with suppress(OSError):
        for left in path.parent.glob(f"{_escaped(_stem(path))}????????.part"):
            if time.time() - left.stat().st_mtime > _QUIET:
                left.unlink(missing_ok=True)


def _stem(path: Path) -> str:
    return f".{path.name}."


def _escaped(text: str) -> str:
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in text)


def _taken(path: Path, error: type[TonelabError]) -> TonelabError:
    return error(f"{path} exists already: name another file or ask to overwrite it (--force).")
