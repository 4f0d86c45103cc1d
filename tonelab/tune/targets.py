"""What an output mode is compared with, and the signal before its controls."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from tonelab.compare.shared import (
    coordinates,
    mastering_peak,
    standard_shown,
)
from tonelab.conversion import Conversion
from tonelab.identify import OUTSIDE, UNKNOWN
from tonelab.readings.colours import shown_light
from tonelab.signal.colorimetry import rgb_to_ycbcr, ycbcr_to_rgb
from tonelab.signal.transfer import eotf_inverse_pq, eotf_pq
from tonelab.tune.model import Control
from tonelab.tune.search import Aim

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from tonelab.compare.shared import Shared
    from tonelab.results import Measurement
    from tonelab.signal.arrays import FloatArray
    from tonelab.signal.description import Signal

SOURCE = "source"
_EXPLAINED = 1.3  # floors within which a conversion predicts what a moved source gives


def target_of(
    toward: str | Measurement, first: Measurement, shared: Shared, signal: Signal
) -> tuple[FloatArray, str]:
    """Coordinates (N, 3) of what a mode is to show, and its name."""
    if toward == SOURCE:
        return coordinates(shared.light), "the source"
    if signal.is_hdr == first.source.signal.is_hdr:
        return coordinates(shared.light), "the source, since this mode converts nothing"
    if isinstance(toward, str):
        shown = standard_shown(toward, shared.light, mastering_peak(first), signal)
        return shown.itp, toward
    light = shown_light(shared.codes[-1], shared.signals[-1])
    return coordinates(light), f"{toward.device} {toward.firmware}".strip()


def before_controls(
    first: Measurement, shared: Shared
) -> tuple[FloatArray, Callable[[FloatArray, FloatArray], FloatArray] | None]:
    """Source signal (N, 3) as PQ Y'CbCr, and how the output follows it by the identified chain."""
    source = rgb_to_ycbcr(eotf_inverse_pq(shared.light), "bt2020")
    found = first.conversion
    explained = found.held_out_codes_rms <= _EXPLAINED * found.floor_codes_rms
    if (
        not explained
        or "tone" not in found.structure
        or {UNKNOWN, OUTSIDE} & {found.drive, found.gamut}
    ):
        return source, None
    chain = Conversion.from_dict(found.structure)

    def output(ycbcr: FloatArray) -> FloatArray:
        light = eotf_pq(np.clip(ycbcr_to_rgb(ycbcr, "bt2020"), 0.0, 1.0))
        return chain.ycbcr_signal(light, "bt709")

    def shift(before: FloatArray, after: FloatArray) -> FloatArray:
        return output(after) - output(before)

    return source, shift


def restricted(aim: Aim, known: Sequence[str]) -> Aim:
    """Bring the controls of a mode into one order; those it knows nothing of do nothing in it."""
    by_name = {control.name: control for control in aim.model.controls}
    controls = tuple(by_name.get(n, Control(n, "after", (), {}, ())) for n in known)
    return Aim(replace(aim.model, controls=controls), aim.target, aim.signal)
