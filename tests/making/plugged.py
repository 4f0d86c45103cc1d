"""A tiny package of somebody else's, installed for one run of Python."""

from __future__ import annotations

import subprocess
import sys
import textwrap
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence
from pathlib import Path

TESTS = Path(__file__).parents[1]


def run_with_package(
    folder: Path, module: str, use: str, groups: Sequence[str]
) -> subprocess.CompletedProcess[str]:
    """Lay out an installed package with entry points in ``groups`` and run ``use`` beside it.

    ``module`` is the source of the package's one module, ``example_part``.
    """
    (folder / "example_part.py").write_text(textwrap.dedent(module), encoding="utf-8")
    info = folder / "example_part-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: example-part\nVersion: 1.0\n")
    points = "".join(f"[tonelab.{group}]\nexample = example_part\n" for group in groups)
    (info / "entry_points.txt").write_text(points)
    paths = [str(path) for path in (folder, TESTS.parent, TESTS / "making")]
    lead = f"import sys; sys.path[:0] = {paths!r}\n"
    command = [sys.executable, "-W", "error", "-c", lead + textwrap.dedent(use)]
    return subprocess.run(command, capture_output=True, text=True, check=False)
