"""Predictions compared with captures."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.compare.shared import (
    as_codes,
    coordinates,
)
from tonelab.errors import UsageError
from tonelab.readings.colours import shown_light
from tonelab.tune.captures import ModeCaptures, is_whole
from tonelab.tune.model import predict
from tonelab.tune.outcomes import Confirmation
from tonelab.tune.search import Aim, Proposal, rank

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tonelab.results import Measurement
    from tonelab.signal.arrays import FloatArray


def _seen_distances(aim: Aim, codes: FloatArray) -> FloatArray:
    apart = coordinates(shown_light(codes, aim.signal)) - aim.target
    return np.asarray(np.sqrt(np.einsum("ij,ij->i", apart, apart)))


def _settings(measurement: Measurement, aim: Aim) -> np.ndarray | None:
    """Read settings in the order of an aim's controls; None when a held control moved."""
    model = aim.model
    values = {name: measurement.settings.get(name, "") for name in model.base}
    if not all(is_whole(value) for value in values.values()):
        return None
    names = [control.name for control in model.controls]
    if any(int(values[name]) != model.base[name] for name in model.base if name not in names):
        return None
    return np.array([int(values[name]) for name in names])


def own_error(
    aim: Aim,
    captures: Sequence[Measurement],
    views: Sequence[ModeCaptures],
    mode: str,
    mode_key: str,
) -> float:
    """Return the largest error of the p95 of the captures themselves, ΔE_ITP."""
    errors = [0.0]
    for one, view in zip(captures, views, strict=False):
        settings = _settings(one, aim)
        if one.settings.get(mode_key, "") != mode or settings is None:
            continue
        seen = float(np.percentile(_seen_distances(aim, view.codes), 95))
        errors.append(abs(seen - float(aim.p95(settings[None])[0])))
    return max(errors)


def at_settings(aim: Aim, settings: np.ndarray, names: Sequence[str], own: float) -> Proposal:
    """Predict one row of settings."""
    span = [(int(value), int(value)) for value in settings]
    return rank(aim, span, settings, names, own)[0][0]


def confirmed(
    measurement: Measurement,
    seen: FloatArray,
    modes: Sequence[str],
    aims: Sequence[Aim],
    names: Sequence[str],
    own: Sequence[float],
    mode_key: str,
) -> Confirmation:
    """Compare the codes (N, 3) of a capture with what was predicted for its settings.

    Raises
    ------
    UsageError
        When its mode was not learnt, or its settings are not whole numbers or move a control that
        was not learnt.
    """
    mode = measurement.settings.get(mode_key, "")
    if mode not in modes:
        raise UsageError(
            f"The capture to confirm is in mode {mode!r}, of which nothing was learnt."
        )
    index = modes.index(mode)
    aim = aims[index]
    settings = _settings(measurement, aim)
    if settings is None:
        raise UsageError(
            f"The capture to confirm ({measurement.device}) must state whole numbers for "
            f"{', '.join(aim.model.base)}, and those of controls that were not learnt as in the "
            "base: state them with --setting."
        )
    predicted = at_settings(aim, settings, names, own[index])
    distances = _seen_distances(aim, seen)
    p95 = float(np.percentile(distances, 95))
    codes = as_codes(predict(aim.model, settings[None])[0], aim.signal)
    return Confirmation(
        settings=dict(zip(names, map(int, settings), strict=True)),
        mode=mode,
        predicted=predicted,
        measured_p95=p95,
        measured_mean=float(distances.mean()),
        inside=predicted.low <= p95 <= predicted.high,
        codes_rms=float(np.sqrt(np.mean((codes - seen) ** 2))),
    )
