"""Captures by mode and setting, on the colours that those of one source share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from tonelab.compare.shared import (
    as_signal,
    colour_matrix,
    share,
)
from tonelab.errors import UsageError
from tonelab.identify.evidence import video_limits
from tonelab.signal.quantisation import codes_to_ycbcr, luma_scale
from tonelab.tune.model import TunedCapture
from tonelab.tune.operators import OutputLimits

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tonelab.compare.shared import Shared
    from tonelab.results import Measurement
    from tonelab.signal.arrays import FloatArray
    from tonelab.signal.description import Signal

    Bounds: TypeAlias = Mapping[str, tuple[int, int, str]]


def varying(captures: Sequence[Measurement], mode_key: str) -> list[str]:
    """Names of the settings that vary and are integers; the rest must agree.

    Raises
    ------
    UsageError
        When there is no capture, captures are of several devices or firmwares, nothing varies, or
        a setting that varies is not a whole number everywhere.
    """
    if not captures:
        raise UsageError("Nothing to tune: name the curve file of a base capture first.")
    device = captures[0].device
    keys = dict.fromkeys(key for one in captures for key in one.settings if key != mode_key)
    names = []
    for key in keys:
        values = [one.settings.get(key, "") for one in captures]
        if len(set(values)) == 1:
            continue
        if not all(is_whole(value) for value in values):
            odd = next(value for value in values if not is_whole(value))
            raise UsageError(
                f"The setting {key!r} differs between the captures and is not always a whole "
                f"number ({odd!r}): give captures that agree in it, or name it as the mode."
            )
        names.append(key)
    for one in captures:
        if (one.device, one.firmware) != (device, captures[0].firmware):
            raise UsageError(
                f"{one.device} {one.firmware}".strip()
                + f" is not {device} {captures[0].firmware}".rstrip()
                + ": tune one device with one firmware at a time."
            )
    if not names:
        raise UsageError(
            "No setting differs between the captures, so nothing is known of any control: capture "
            "each control alone at another value, and state it with --setting KEY=VALUE."
        )
    return names


def is_whole(text: str) -> bool:
    """Whether a setting is a whole number."""
    return text.strip().removeprefix("-").removeprefix("+").isdecimal()


def ranges_of(
    captures: Sequence[Measurement], names: Sequence[str], ranges: Mapping[str, tuple[int, int]]
) -> dict[str, tuple[int, int, str]]:
    """Lowest and highest setting of each control, and whether they were stated or captured.

    Raises
    ------
    UsageError
        When a range is empty, or of a setting that does not vary.
    """
    unknown = [name for name in ranges if name not in names]
    if unknown:
        raise UsageError(
            f"The control {unknown[0]!r} has a range but does not vary between the captures: "
            f"name one of {', '.join(names)}, or capture it at another setting."
        )
    found = {}
    for name in names:
        seen = [int(one.settings[name]) for one in captures]
        low, high = ranges.get(name, (min(seen), max(seen)))
        if low >= high:
            raise UsageError(f"The range {low}:{high} of {name} is empty: state LOW:HIGH.")
        found[name] = (low, high, "stated" if name in ranges else "seen")
    return found


def hull(limits: tuple[int, int], every: Sequence[Measurement], name: str) -> tuple[int, int]:
    """Widen limits of a control to all settings that were seen."""
    seen = [int(one.settings[name]) for one in every if is_whole(one.settings.get(name, ""))]
    return min(limits[0], *seen), max(limits[1], *seen)


@dataclass(frozen=True, slots=True)
class ModeCaptures:
    """One capture among those of the same source."""

    shared: Shared
    at: int

    @property
    def codes(self) -> FloatArray:
        """Mean capture codes (N, 3)."""
        return self.shared.codes[self.at]

    @property
    def signal(self) -> Signal:
        """How the codes are read."""
        return self.shared.signals[self.at]


def views_of(
    every: Sequence[Measurement], reference: Measurement | None, mode_key: str, most: int
) -> list[ModeCaptures]:
    """Share colours among captures of the HDR source, and apart from them among those of SDR.

    Raises
    ------
    UsageError
        When the target was shown an SDR source, captures of one mode were shown an HDR and an SDR
        one, or captures of one source share no colours.
    """
    if reference is not None and not reference.source.signal.is_hdr:
        raise UsageError(
            f"The target {reference.device} was shown an SDR source: name a capture of the HDR "
            "source, a standard conversion, or the source."
        )
    hdr = [one.source.signal.is_hdr for one in every]
    kinds: dict[str, bool] = {}
    for one, kind in zip(every, hdr, strict=True):
        mode = one.settings.get(mode_key, "")
        if kinds.setdefault(mode, kind) != kind:
            raise UsageError(
                f"Captures in mode {mode!r} were shown an HDR and an SDR source: state modes of "
                f"two names with --setting {mode_key}=NAME."
            )
    found: dict[int, ModeCaptures] = {}
    for kind in dict.fromkeys(hdr):
        rows = [at for at, one in enumerate(hdr) if one == kind]
        aimed_at = [reference] if kind and reference is not None else []
        shared = share([*(every[at] for at in rows), *aimed_at], most)
        found |= {at: ModeCaptures(shared, place) for place, at in enumerate(rows)}
    return [found[at] for at in range(len(every))]


def as_capture(one: Measurement, view: ModeCaptures, names: Sequence[str]) -> TunedCapture:
    """Bring a measurement into the form from which controls are learnt."""
    signal = view.signal
    return TunedCapture(
        name=", ".join(f"{key} {value}" for key, value in one.settings.items()) or one.device,
        settings={name: int(one.settings[name]) for name in names},
        signal=as_signal(view.codes, signal),
        step=view.shared.steps[view.at] / luma_scale(signal.bits, signal.range)[1],
    )


def ends_of(signal: Signal) -> OutputLimits:
    """Return what the codes of a capture can carry, as signals (BT.709-6, reserved codes)."""
    low, high = video_limits(signal)
    ends = codes_to_ycbcr(np.array([[low] * 3, [high] * 3]), signal.bits, signal.range)
    luma, chroma = ((float(ends[0, n]), float(ends[1, n])) for n in (0, 1))
    return OutputLimits(False, luma, chroma, colour_matrix(signal))


def unique_rows(rows: Sequence[Sequence[object]]) -> np.ndarray:
    """Rows of whole settings, each once."""
    return np.unique(np.array([[int(str(v)) for v in row] for row in rows]), axis=0)
