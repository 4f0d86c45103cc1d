"""From captures at a few menu settings to the settings nearest to a target.

Controls are learnt from captures, see `tonelab.tune.learn`; integer settings are then searched and
ranked by the predicted 95th percentile of ΔE_ITP, see `tonelab.tune.search`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from tonelab.compare.shared import (
    as_codes,
    as_signal,
    colour_matrix,
    coordinates,
    mastering_peak,
    share,
    standard_shown,
)
from tonelab.conversion import Conversion
from tonelab.errors import UsageError
from tonelab.identify import UNKNOWN
from tonelab.identify.evidence import video_limits
from tonelab.score import shown_light
from tonelab.signal.colorimetry import rgb_to_ycbcr, ycbcr_to_rgb
from tonelab.signal.quantisation import codes_to_ycbcr, luma_scale
from tonelab.signal.transfer import eotf_inverse_pq, eotf_pq
from tonelab.tune.learn import Capture, Control, Model, learn, predict
from tonelab.tune.operators import EDGE, Limits
from tonelab.tune.search import Aim, Proposal, out_of_reach, rank, search, settle

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from tonelab.compare.shared import Shared
    from tonelab.results import Measurement
    from tonelab.signal.description import Signal
    from tonelab.signal.quantisation import FloatArray

    Bounds: TypeAlias = Mapping[str, tuple[int, int, str]]
    Key: TypeAlias = tuple[str, tuple[int, ...]]  # mode and settings of a capture

__all__ = ["Confirmation", "Control", "ModeOutcome", "Proposal", "Suggestion", "Tuning", "tune"]

MODE = "mode"
SOURCE = "source"
COLOURS = 1500  # colours shared by all captures, evenly taken
OPENS = "shows what the limits of the output hide"
_OPEN = 0.75  # gain and saturation at which little touches a limit
_BEYOND = 0.1  # signal by which hidden colours are taken to go beyond it
_LIFTS = 9  # settings of lift that are tried
_MOST_HIDDEN = 0.02  # share of colours on a limit in every capture
_EXPLAINED = 1.3  # floors within which a conversion predicts what a moved source gives


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A capture that would sharpen the answer, and why."""

    settings: Mapping[str, int]
    mode: str
    reason: str


@dataclass(frozen=True, slots=True)
class ModeOutcome:
    """One output mode of the device.

    Attributes
    ----------
    mode
        Value of the mode setting; empty when there is one mode.
    target
        What it is held against.
    base
        The base settings in this mode, with their p95.
    proposals
        The nearest settings for this mode alone, best first; ties are marked.
    shared
        What the settings proposed for all modes do to this one.
    could_gain
        p95 by which other settings can at most be better than the first proposal, 97.5 %.
    reach
        p95 that no setting of gain, lift, chroma gain and hue can go below.
    model
        What was learnt, for predictions of one's own.
    colours
        Colours behind the figures of this mode.
    """

    mode: str
    target: str
    base: Proposal
    proposals: tuple[Proposal, ...]
    shared: Proposal
    could_gain: float
    reach: float
    model: Model
    colours: int


@dataclass(frozen=True, slots=True)
class Confirmation:
    """Predicted against measured, for a capture that nothing was learnt from.

    Attributes
    ----------
    settings, mode
        Of the capture.
    predicted
        p95 with its interval, and mean.
    measured_p95, measured_mean
        From the capture.
    inside
        Whether the measured p95 lies in the predicted interval.
    codes_rms
        Predicted minus measured codes, RMS.
    """

    settings: Mapping[str, int]
    mode: str
    predicted: Proposal
    measured_p95: float
    measured_mean: float
    inside: bool
    codes_rms: float


@dataclass(frozen=True, slots=True)
class Tuning:
    """What tuning found.

    Attributes
    ----------
    device
        Name of the device.
    controls
        What each menu control does, in the base's mode.
    held
        Controls that are left alone, with the reason.
    ranges
        Settings that were searched, and whether they were ``stated`` or those ``seen``.
    modes
        An outcome for each mode, that of the base first.
    compromise
        Settings for all modes together.
    suggestions
        Next captures, most useful first.
    confirmations
        Captures held against their prediction.
    """

    device: str
    controls: tuple[Control, ...]
    held: Mapping[str, str]
    ranges: Bounds
    modes: tuple[ModeOutcome, ...]
    compromise: Mapping[str, int]
    suggestions: tuple[Suggestion, ...]
    confirmations: tuple[Confirmation, ...]


def tune(
    captures: Sequence[Measurement],
    toward: str | Measurement,
    *,
    ranges: Mapping[str, tuple[int, int]] | None = None,
    confirm: Sequence[Measurement] = (),
    mode_key: str = MODE,
    most: int = COLOURS,
) -> Tuning:
    """Find the integer settings of a device that bring it nearest to a target.

    Parameters
    ----------
    captures
        The base first, then the same device at other settings, each with ``--setting KEY=VALUE``.
    toward
        A standard conversion by name, ``source``, or a measurement.
    ranges
        Lowest and highest setting of controls; by default those seen.
    confirm
        Captures to hold against their prediction; nothing is learnt from them.
    mode_key
        Setting that names the output mode. Modes that convert nothing, HDR to HDR or SDR to SDR,
        aim at the source.
    most
        Colours to use, evenly taken.

    Returns
    -------
    Tuning
        Controls, proposals with intervals and ties, side effects, next captures.

    Raises
    ------
    UsageError
        When no control varies, captures do not belong together, or a range is impossible.
    """
    every = [*captures, *confirm]
    names = _varying(captures, mode_key)
    bounds = _bounds(captures, names, ranges or {})
    limits = {name: bounds[name][:2] for name in names}
    learnable = {n: _hull(limits[n], every, n) for n in names}
    views = _views(every, None if isinstance(toward, str) else toward, mode_key, most)
    modes = list(dict.fromkeys(one.settings.get(mode_key, "") for one in captures))
    main: Model | None = None
    aims: list[Aim] = []
    targets = []
    for mode in modes:
        rows = [at for at, one in enumerate(captures) if one.settings.get(mode_key, "") == mode]
        first = captures[rows[0]]
        shared, signal = views[rows[0]].shared, views[rows[0]].signal
        source, shift = _ahead(first, shared)
        model = learn(
            [_capture(captures[at], views[at], names) for at in rows],
            learnable,
            source,
            shift,
            _ends(signal),
            main,
        )
        main = main or model
        target, label = _target(toward, first, shared, signal)
        aims.append(Aim(model, target, signal))
        targets.append(label)
    assert main is not None
    known = [control.name for control in main.controls]
    aims = [_restricted(aim, known) for aim in aims]
    span = [limits[name] for name in known]
    if not known:
        raise UsageError(
            "None of the controls could be learnt: "
            + "; ".join(f"{name}: {why}" for name, why in main.held.items())
            + ". Capture each of them alone at another setting."
        )
    starts = _unique(
        [[one.settings.get(name, captures[0].settings[name]) for name in known] for one in captures]
    )
    own = [
        _own_error(aim, captures, views, mode, mode_key)
        for aim, mode in zip(aims, modes, strict=True)
    ]
    singles = [search([aim], span, starts) for aim in aims]
    together = singles[0]
    if len(aims) > 1:
        best = [float(aim.p95(found[None])[0]) for aim, found in zip(aims, singles, strict=True)]
        begin = np.unique(np.concatenate([starts, singles]), axis=0)
        low, high = np.array(span).T
        found = search(aims, span, begin, best)
        together = settle(aims, best, np.clip([found, *begin], low, high))
    outcomes = []
    for at, (mode, aim, found) in enumerate(zip(modes, aims, singles, strict=True)):
        proposals, could_gain = rank(aim, span, found, known, own[at], starts)
        base = np.array([aim.model.base[name] for name in known])
        outcomes.append(
            ModeOutcome(
                mode=mode,
                target=targets[at],
                base=_at(aim, base, known, own[at]),
                proposals=tuple(proposals),
                shared=_at(aim, together, known, own[at]),
                could_gain=could_gain,
                reach=out_of_reach(aim, found),
                model=aim.model,
                colours=len(aim.target),
            )
        )
    return Tuning(
        device=captures[0].device,
        controls=main.controls,
        held=main.held,
        ranges=bounds,
        modes=tuple(outcomes),
        compromise=dict(zip(known, map(int, together), strict=True)),
        suggestions=_suggest(outcomes, captures, bounds, mode_key),
        confirmations=tuple(
            _confirmed(one, view.codes, modes, aims, known, own, mode_key)
            for one, view in zip(confirm, views[len(captures) :], strict=True)
        ),
    )


# Captures and their settings


def _varying(captures: Sequence[Measurement], mode_key: str) -> list[str]:
    """Names of the settings that vary and are integers; the rest must agree."""
    if not captures:
        raise UsageError("Nothing to tune: name the curve file of a base capture first.")
    device = captures[0].device
    keys = dict.fromkeys(key for one in captures for key in one.settings if key != mode_key)
    names = []
    for key in keys:
        values = [one.settings.get(key, "") for one in captures]
        if len(set(values)) == 1:
            continue
        if not all(_is_whole(value) for value in values):
            odd = next(value for value in values if not _is_whole(value))
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


def _is_whole(text: str) -> bool:
    return text.strip().removeprefix("-").removeprefix("+").isdecimal()


def _bounds(
    captures: Sequence[Measurement], names: Sequence[str], ranges: Mapping[str, tuple[int, int]]
) -> dict[str, tuple[int, int, str]]:
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


def _hull(limits: tuple[int, int], every: Sequence[Measurement], name: str) -> tuple[int, int]:
    seen = [int(one.settings[name]) for one in every if _is_whole(one.settings.get(name, ""))]
    return min(limits[0], *seen), max(limits[1], *seen)


@dataclass(frozen=True, slots=True)
class _View:
    """One capture among those of the same source."""

    shared: Shared
    at: int

    @property
    def codes(self) -> FloatArray:
        return self.shared.codes[self.at]

    @property
    def signal(self) -> Signal:
        return self.shared.signals[self.at]


def _views(
    every: Sequence[Measurement], reference: Measurement | None, mode_key: str, most: int
) -> list[_View]:
    """Share colours among captures of the HDR source, and apart from them among those of SDR."""
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
    found: dict[int, _View] = {}
    for kind in dict.fromkeys(hdr):
        rows = [at for at, one in enumerate(hdr) if one == kind]
        aimed_at = [reference] if kind and reference is not None else []
        shared = share([*(every[at] for at in rows), *aimed_at], most)
        found |= {at: _View(shared, place) for place, at in enumerate(rows)}
    return [found[at] for at in range(len(every))]


def _capture(one: Measurement, view: _View, names: Sequence[str]) -> Capture:
    signal = view.signal
    return Capture(
        name=", ".join(f"{key} {value}" for key, value in one.settings.items()) or one.device,
        settings={name: int(one.settings[name]) for name in names},
        signal=as_signal(view.codes, signal),
        step=view.shared.steps[view.at] / luma_scale(signal.bits, signal.range)[1],
    )


def _ends(signal: Signal) -> Limits:
    """Return what the codes of a capture can carry, as signals (BT.709-6, reserved codes)."""
    low, high = video_limits(signal)
    ends = codes_to_ycbcr(np.array([[low] * 3, [high] * 3]), signal.bits, signal.range)
    luma, chroma = ((float(ends[0, n]), float(ends[1, n])) for n in (0, 1))
    return Limits(False, luma, chroma, colour_matrix(signal))


def _unique(rows: Sequence[Sequence[object]]) -> np.ndarray:
    return np.unique(np.array([[int(str(v)) for v in row] for row in rows]), axis=0)


# Targets, and what lies ahead of the conversion


def _target(
    toward: str | Measurement, first: Measurement, shared: Shared, signal: Signal
) -> tuple[FloatArray, str]:
    if toward == SOURCE or signal.is_hdr == first.source.signal.is_hdr:
        return coordinates(shared.light), "the source"
    if isinstance(toward, str):
        shown = standard_shown(toward, shared.light, mastering_peak(first), signal)
        return shown.itp, toward
    light = shown_light(shared.codes[-1], shared.signals[-1])
    return coordinates(light), f"{toward.device} {toward.firmware}".strip()


def _ahead(
    first: Measurement, shared: Shared
) -> tuple[FloatArray, Callable[[FloatArray, FloatArray], FloatArray] | None]:
    """Source signal (N, 3) as PQ Y'CbCr, and how the output follows it by the identified chain."""
    source = rgb_to_ycbcr(eotf_inverse_pq(shared.light), "bt2020")
    found = first.conversion
    explained = found.held_out_codes_rms <= _EXPLAINED * found.floor_codes_rms
    if not explained or "tone" not in found.structure or UNKNOWN in (found.drive, found.gamut):
        return source, None
    chain = Conversion.from_dict(found.structure)

    def output(ycbcr: FloatArray) -> FloatArray:
        light = eotf_pq(np.clip(ycbcr_to_rgb(ycbcr, "bt2020"), 0.0, 1.0))
        return chain.ycbcr_signal(light, "bt709")

    def shift(before: FloatArray, after: FloatArray) -> FloatArray:
        return output(after) - output(before)

    return source, shift


def _restricted(aim: Aim, known: Sequence[str]) -> Aim:
    """Bring the controls of a mode into one order; those it knows nothing of do nothing in it."""
    by_name = {control.name: control for control in aim.model.controls}
    controls = tuple(by_name.get(n, Control(n, "after", (), {}, ())) for n in known)
    return Aim(replace(aim.model, controls=controls), aim.target, aim.signal)


# Predictions held against captures


def _seen_distances(aim: Aim, codes: FloatArray) -> FloatArray:
    apart = coordinates(shown_light(codes, aim.signal)) - aim.target
    return np.asarray(np.sqrt(np.einsum("ij,ij->i", apart, apart)))


def _settings(measurement: Measurement, aim: Aim) -> np.ndarray | None:
    """Read settings in the order of an aim's controls; None when a held control moved."""
    model = aim.model
    values = {name: measurement.settings.get(name, "") for name in model.base}
    if not all(_is_whole(value) for value in values.values()):
        return None
    names = [control.name for control in model.controls]
    if any(int(values[name]) != model.base[name] for name in model.base if name not in names):
        return None
    return np.array([int(values[name]) for name in names])


def _own_error(
    aim: Aim, captures: Sequence[Measurement], views: Sequence[_View], mode: str, mode_key: str
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


def _at(aim: Aim, settings: np.ndarray, names: Sequence[str], own: float) -> Proposal:
    """Predict one row of settings."""
    span = [(int(value), int(value)) for value in settings]
    return rank(aim, span, settings, names, own)[0][0]


def _confirmed(
    measurement: Measurement,
    seen: FloatArray,
    modes: Sequence[str],
    aims: Sequence[Aim],
    names: Sequence[str],
    own: Sequence[float],
    mode_key: str,
) -> Confirmation:
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
    predicted = _at(aim, settings, names, own[index])
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


# What to capture next


def _suggest(
    outcomes: Sequence[ModeOutcome],
    captures: Sequence[Measurement],
    limits: Bounds,
    mode_key: str,
) -> tuple[Suggestion, ...]:
    """Name the captures that would sharpen the answer most, each once."""
    found: list[Suggestion] = []
    taken = {_key(one.settings, one.settings.get(mode_key, ""), limits) for one in captures}

    def add(settings: Mapping[str, int], mode: str, reason: str) -> None:
        key = _key(settings, mode, limits)
        if key not in taken:
            taken.add(key)
            found.append(Suggestion(dict(settings), mode, reason))

    main = outcomes[0].model
    for name, why in main.held.items():
        if why.startswith("never"):
            add(
                {**main.base, name: _away(main.base[name], limits[name])},
                outcomes[0].mode,
                f"shows what {name} does by itself",
            )
    moved = {quantity for control in main.controls for quantity in control.quantities}
    if main.lift_first is None and {"gain", "lift"} <= moved:
        # At settings seen alone, so that no register is left to explain the difference.
        both = {
            control.name: _farthest(main.base[control.name], control.seen)
            for control in main.controls
            if set(control.quantities) & {"gain", "lift"}
        }
        add({**main.base, **both}, outcomes[0].mode, "shows whether lift goes through the gain")
    for outcome in outcomes:
        opened = {**main.base, **_opened(outcome.model, limits)}
        place = _key(opened, outcome.mode, limits)
        done = any(_alike(place, one, limits) for one in taken)
        if outcome.model.hidden.mean() > _MOST_HIDDEN and not done:
            hidden = int(outcome.model.hidden.sum())
            add(opened, outcome.mode, f"{OPENS} ({hidden} colours)")
        best, *others = outcome.proposals
        hopeful = sorted((p for p in others if p.tie), key=lambda p: -p.promise)[:2]
        add({**main.base, **best.settings}, outcome.mode, "confirms the proposal")
        for one in hopeful:
            add({**main.base, **one.settings}, outcome.mode, "may be better")
        if len(outcomes) > 1:
            add(
                {**main.base, **outcome.shared.settings},
                outcome.mode,
                "confirms the settings shared by all modes",
            )
    return tuple(found)


def _opened(model: Model, limits: Bounds) -> dict[str, int]:
    """Return settings at which little touches a limit: less gain and saturation, and a lift."""
    found, tried = dict(model.base), []
    for control in model.controls:
        low, high, _ = limits[control.name]
        for quantity in ("gain", "saturation"):
            response = control.responses.get(quantity)
            if response is not None:
                effect = response.table[0][low - response.first : high - response.first + 1]
                found[control.name] = low + int(np.argmin(np.abs(effect - _OPEN)))
        if control.quantities[0] == "lift":
            tried += [{control.name: int(at)} for at in np.linspace(low, high, _LIFTS)]
    rows = [{**found, **lift} for lift in ({}, *tried)]
    matrix = model.limits.matrix
    rgb = ycbcr_to_rgb(model.latent, matrix)
    outward = np.where(rgb > 1 - EDGE, _BEYOND, np.where(rgb < EDGE, -_BEYOND, 0.0))
    guessed = rgb_to_ycbcr(rgb + outward * model.hidden[:, None], matrix)
    settings = np.array([[row[one.name] for one in model.controls] for row in rows])
    shown = predict(replace(model, latent=guessed), settings)
    touched = [int(model.limits.touched(signal).sum()) for signal in shown]
    best = rows[int(np.argmin(touched))]
    for control in model.controls:
        name, (low, high, _) = control.name, limits[control.name]
        # Registers of two steps of the menu show at odd distances only.
        if not any((at - best[name]) % 2 for at in (*control.seen, model.base[name])):
            best[name] += 1 if best[name] < high else -1
    return best


def _farthest(base: int, seen: Sequence[int]) -> int:
    return max(seen, key=lambda setting: abs(setting - base))


def _away(base: int, limits: tuple[int, int, str]) -> int:
    """Return a setting well away from the base, on the side with more room."""
    low, high, _ = limits
    return high - (high - base) // 2 if high - base >= base - low else low + (base - low) // 2


def _key(settings: Mapping[str, object], mode: str, limits: Bounds) -> Key:
    return mode, tuple(int(str(settings.get(name, 0))) for name in limits)


def _alike(first: Key, second: Key, limits: Bounds) -> bool:
    """Whether settings of one mode are the same within a sixth of each range."""
    rows = zip(first[1], second[1], limits.values(), strict=True)
    near = all(6 * abs(one - other) <= high - low for one, other, (low, high, _) in rows)
    return first[0] == second[0] and near
