"""Nearest neighbours of a device in a folder of curve files."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from tonelab.compare.shared import distance, share
from tonelab.compare.verdicts import MARGIN, Judge, PairVerdict
from tonelab.curvefile import in_threads, load, read_fingerprint
from tonelab.curvefile.fingerprint import GREYS, fingerprint
from tonelab.errors import CurveFileError, UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from tonelab.results import Measurement
    from tonelab.signal.arrays import FloatArray

R = TypeVar("R")

NEIGHBOURS = 5
_EXAMINED = 2  # candidates read whole for each neighbour asked for: fingerprints only pre-select
_BRIGHTEST = 722.0  # 10-bit PQ code of 1000 cd/m2, beyond which films show next to nothing
_CHROMA = 0.15  # typical chroma signal: what a gain error of 1 weighs against luma


@dataclass(frozen=True, slots=True)
class Neighbour:
    """A curve file near an unknown device.

    ``verdict`` holds its distance, by the colours that both saw or the greys along their curves.
    """

    path: Path
    device: str
    firmware: str
    verdict: PairVerdict


@dataclass(frozen=True, slots=True)
class Neighbours:
    """The nearest curve files of a folder, how many were read, and what could not be.

    ``built_on`` is the one that the device is shown to be, or to be but for picture controls.
    """

    nearest: tuple[Neighbour, ...]
    files: int
    unusable: tuple[str, ...]
    built_on: Neighbour | None = None

    def sentence(self, device: str) -> str:
        """Say in words which of the files a device is built on."""
        found = self.built_on
        if found is None:
            return f"{device} is not shown to be built on any of these."
        named = f"{found.device} ({found.firmware})" if found.firmware else found.device
        return f"{device} is built on {named}: {found.verdict.text}."


def neighbours(
    measurement: Measurement, folder: Path, *, count: int = NEIGHBOURS, margin: float = MARGIN
) -> Neighbours:
    """Find the curve files of a folder and its subfolders that are nearest to a measurement.

    Fingerprints of all files pre-select; the best are then read whole and compared.

    Raises
    ------
    UsageError
        When there is no such folder, or no usable curve file in it.
    """
    if not folder.is_dir():
        raise UsageError(f"There is no folder {folder}: name a folder of curve files.")
    paths = sorted(folder.rglob("*.h5"))
    mine = fingerprint(measurement)
    prints, unusable = _usable(read_fingerprint, paths)
    apart = [(_apart(mine, summary), path) for path, summary in prints]
    # The nearest as they are, and those whose greys are nearest but for picture controls: what
    # clips moves the chroma of a fingerprint far.
    ranked = [sorted((each[n], path) for each, path in apart) for n in (0, 1)]
    nearest = sorted({path for ranks in ranked for _, path in ranks[: _EXAMINED * count]})
    others, unread = _usable(load, nearest)
    unusable += unread
    found: list[Neighbour] = []
    for path, other in others:
        try:
            found.append(_examined(measurement, path, other, margin))
        except UsageError as fault:
            unusable.append(str(fault))
    if not found:
        reason = f" ({unusable[0]})" if unusable else ""
        raise UsageError(
            f"No curve file in {folder} can be compared with {measurement.device}{reason}."
        )
    found.sort(key=lambda one: one.verdict.distance.mean)
    shown = (one for kind in ("same", "controls") for one in found if one.verdict.kind == kind)
    return Neighbours(tuple(found[:count]), len(paths), tuple(unusable), next(shown, None))


def _usable(
    read: Callable[[Path], R], paths: Sequence[Path]
) -> tuple[list[tuple[Path, R]], list[str]]:
    """Return what was read of each usable file, and why the others are not."""

    def attempt(path: Path) -> R | CurveFileError:
        try:
            return read(path)
        except CurveFileError as fault:
            return fault

    answers = list(zip(paths, in_threads(attempt, paths), strict=True))
    usable = [(path, one) for path, one in answers if not isinstance(one, CurveFileError)]
    return usable, [str(one) for _, one in answers if isinstance(one, CurveFileError)]


def _examined(measurement: Measurement, path: Path, other: Measurement, margin: float) -> Neighbour:
    shared = share([measurement, other])
    shown = shared.shown()
    judge = Judge((measurement, other), shared, shown, margin)
    return Neighbour(path, other.device, other.firmware, judge.verdict(0, 1, distance(*shown)))


def _apart(one: FloatArray, other: FloatArray) -> tuple[float, float]:
    """RMS difference of two fingerprints in luma signal, over what both saw.

    The second is of greys alone, and leaves out what contrast and brightness may explain.
    """
    difference = other - one
    difference[len(GREYS) :] *= _CHROMA
    difference[: len(GREYS)][GREYS > _BRIGHTEST] = np.nan
    known = np.isfinite(difference)
    grey = np.flatnonzero(known[: len(GREYS)])
    if not known.any():
        return np.inf, np.inf
    line = np.stack([one[grey], np.ones(len(grey))], axis=1)
    controls = np.linalg.lstsq(line, other[grey], rcond=None)[0]
    left = other[grey] - line @ controls
    alone = float(np.sqrt(np.mean(left**2))) if len(grey) else np.inf
    return float(np.sqrt(np.mean(difference[known] ** 2))), alone
