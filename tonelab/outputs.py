"""Outputs that appear whole or not at all."""

from __future__ import annotations

import os
import secrets
from contextlib import contextmanager
from typing import TYPE_CHECKING

from tonelab.errors import TonelabError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


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
        raise error(f"{path} exists already: name another file or ask to overwrite it (--force).")


@contextmanager
def whole_file(path: Path, *, error: type[TonelabError] = UsageError) -> Iterator[Path]:
    """Give a temporary path beside ``path`` that takes its place when the block succeeds.

    The content is on the disk before the name changes; on any failure, an interruption
    included, the temporary file is removed and what stood at ``path`` stays.

    Raises
    ------
    TonelabError
        Of the class ``error``, when the system refuses to write.
    """
    temporary = path.with_name(f".tonelab-{secrets.token_hex(6)}.part")
    try:
        yield temporary
        with temporary.open("r+b") as file:
            os.fsync(file.fileno())
        temporary.replace(path)
    except OSError as fault:
        if isinstance(fault, TonelabError):
            raise
        reason = fault.strerror or str(fault)
        raise error(f"{path} cannot be written: {reason}.") from fault
    finally:
        temporary.unlink(missing_ok=True)
