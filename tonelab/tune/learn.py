"""From captures at a few settings: what each control does, and to which signal."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from tonelab.tune.model import (
    SEED,
    Control,
    Model,
    Quantity,
    Stage,
    TunedCapture,
    operators,
    predict,
)
from tonelab.tune.operators import (
    Operator,
    OutputLimits,
    fit_after,
    fit_before,
    limits_of,
    relative,
)
from tonelab.tune.response import Point, Response, respond

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from tonelab.signal.arrays import FloatArray, IntArray, Mask


NEVER_ALONE = "never captured alone at another setting"

_NEUTRAL: dict[Quantity, float] = {"gain": 1.0, "lift": 0.0, "saturation": 1.0, "hue": 0.0}
_SEEN = 5.0  # standard errors from which a control has an effect
_LEAST: dict[Quantity, float] = {"gain": 3e-4, "lift": 2e-4, "saturation": 5e-4, "hue": 0.03}
_EXPLAINED = 1.8  # times what rounding leaves, up to which an operator explains a capture
_ORDER_MARGIN = 3.0  # logarithm of evidence from which an order is decided
_ROUNDS = 2
_ALTERNATIONS = 4


def learn(
    captures: Sequence[TunedCapture],
    ranges: Mapping[str, tuple[int, int]],
    source: FloatArray,
    shift: Callable[[FloatArray, FloatArray], FloatArray] | None,
    ends: OutputLimits,
    inherited: Model | None = None,
) -> Model:
    """Learn all controls from captures of one mode, the first being its base.

    Parameters
    ----------
    captures
        All of the same source colours.
    ranges
        Lowest and highest setting of each control.
    source, shift
        Source signal (N, 3) and the conversion's answer to a moved source, as `fit_before` takes
        them; no ``shift`` means that controls before the conversion cannot be known.
    ends
        What the codes of the captures can carry.
    inherited
        Model of another mode of the device, for controls that never varied alone in this one.
    """
    limits = limits_of([one.signal for one in captures], ends)
    free = [~limits.touched(one.signal) for one in captures]
    learner = _Learner(captures, ranges, source, shift, limits, free)
    controls, held = [], {}
    for name in ranges:
        found = learner.control(name)
        if found == NEVER_ALONE and inherited is not None:
            known = [c for c in inherited.controls if c.name == name]
            if known:
                found = _rebased(known[0], inherited, captures[0].settings)
                learner.inherited[name] = found
        if isinstance(found, str):
            held[name] = found
        else:
            controls.append(found)
    model = learner.model(controls, held, lift_first=None)
    for _ in range(_ROUNDS):
        model = learner.refined(model)
    if inherited is not None and model.lift_first is None:
        model = learner.model(model.controls, held, lift_first=inherited.lift_first)
    return model


class _Learner:
    """The captures of one mode and what is derived from them."""

    def __init__(
        self,
        captures: Sequence[TunedCapture],
        ranges: Mapping[str, tuple[int, int]],
        source: FloatArray,
        shift: Callable[[FloatArray, FloatArray], FloatArray] | None,
        limits: OutputLimits,
        free: list[Mask],
    ) -> None:
        self.captures, self.ranges = captures, ranges
        self.source, self.shift = source, shift
        self.limits, self.free = limits, free
        self.base = captures[0]
        self.fits: dict[int, Operator] = {}
        self.inherited: dict[str, Control] = {}
        # Colours that the conversion makes alike share their rounding: each counts once in a fit.
        whole = np.round(self.base.signal / self.base.step).astype(np.int64)
        self.distinct = np.zeros(len(source), bool)
        self.distinct[np.unique(whole, axis=0, return_index=True)[1]] = True

    # One control by itself

    def control(self, name: str) -> Control | str:
        """Learn a control from the captures in which it alone differs from the base."""
        alone = [
            at
            for at, one in enumerate(self.captures)
            if {k for k in self.ranges if one.settings[k] != self.base.settings[k]} == {name}
        ]
        if not alone:
            return NEVER_ALONE
        stage: Stage = "after"
        fits = {at: self._fit(at, "after") for at in alone}
        if not all(self._explains(at, fit) for at, fit in fits.items()) and self.shift:
            before = {at: self._fit(at, "before") for at in alone}
            if _worst(before) < _worst(fits):
                stage, fits = "before", before
        known = {at: fit for at, fit in fits.items() if fit is not None}
        if not known:
            return "too few colours stay off the limits of the output"
        if not all(self._explains(at, fit) for at, fit in known.items()):
            return (
                "its effect is none of gain, lift, saturation and hue "
                f"(leaves {876 * _worst(known):.1f} codes RMS)"
            )
        return self._described(name, stage, known)

    def _described(self, name: str, stage: Stage, fits: Mapping[int, Operator]) -> Control | str:
        moved = {
            quantity
            for fit in fits.values()
            for quantity, (value, error) in _figures(fit).items()
            if abs(value - _NEUTRAL[quantity]) > max(_SEEN * error, _LEAST[quantity])
        }
        if not moved:
            return "no effect measured"
        seen = tuple(self.captures[at].settings[name] for at in fits)
        pivot = pivot_error = coupling = coupling_error = 0.0
        if "gain" in moved:
            quantities: tuple[Quantity, ...] = ("gain",)
            changed = [fit for fit in fits.values() if abs(fit.gain - 1) > _LEAST["gain"]]
            weights = np.array([((1 - f.gain) / f.lift_error) ** 2 for f in changed])
            pivots = np.array([f.lift / (1 - f.gain) for f in changed])
            pivot = float(np.average(pivots, weights=weights))
            pivot_error = float(weights.sum() ** -0.5)
            powers = np.array([np.log(f.saturation) / np.log(f.gain) for f in changed])
            errors = np.array([f.chroma_error / abs(np.log(f.gain)) for f in changed])
            coupling = float(np.average(powers, weights=errors**-2))
            coupling_error = float(np.sum(errors**-2) ** -0.5)
            nearest = min((0.0, 1.0), key=lambda whole: abs(whole - coupling))
            if abs(nearest - coupling) < max(4 * coupling_error, 0.03):
                coupling, coupling_error = nearest, 0.0
            if "hue" in moved:
                quantities += ("hue",)
        else:
            quantities = tuple(q for q in ("lift", "saturation", "hue") if q in moved)
        responses, kept = {}, {}
        for quantity in quantities:
            points = [Point(self.base.settings[name], _NEUTRAL[quantity], 1e-7)]
            points += [
                Point(self.captures[at].settings[name], *_figures(fit)[quantity])
                for at, fit in fits.items()
            ]
            responses[quantity], _ = self._respond(name, quantity, points)
            kept[quantity] = tuple(points)
        pivoted = (pivot, pivot_error, coupling, coupling_error)
        return Control(name, stage, quantities, responses, seen, kept, *pivoted)

    def _respond(
        self, name: str, quantity: Quantity, points: Sequence[Point]
    ) -> tuple[Response, float]:
        seed = sum(map(ord, name + quantity))
        return respond(points, *self.ranges[name], np.random.default_rng(SEED + seed))

    def _fit(self, at: int, stage: Stage, latent: FloatArray | None = None) -> Operator | None:
        rows = self.free[0] & self.free[at] & self.distinct
        before = self.base.signal if latent is None else latent
        after = self.captures[at].signal
        if stage == "after":
            return fit_after(before[rows], after[rows])
        assert self.shift is not None
        return fit_before(self.source[rows], self.shift, before[rows], after[rows])

    def _explains(self, at: int, fit: Operator | None) -> bool:
        if fit is None:
            return False
        rounding = np.hypot(self.base.step * max(fit.gain, 1), self.captures[at].step) / 12**0.5
        return bool(fit.residual < _EXPLAINED * max(rounding, 0.3 / 876))

    # All controls together

    def model(
        self, controls: Sequence[Control], held: Mapping[str, str], *, lift_first: bool | None
    ) -> Model:
        """Put the signal before the controls together from all captures."""
        draft = Model(
            tuple(controls),
            dict(held),
            dict(self.base.settings),
            self.base.signal,
            self.base.step / 12**0.5,
            np.zeros(len(self.source), bool),
            self.limits,
            self.base.step,
            lift_first,
            self.source,
            self.shift,
        )
        usable = [at for at in range(len(self.captures)) if self._modelled(at, held)]
        moves = {at: operators(draft, _row(self.captures[at], controls))[3] for at in usable}
        latent, hidden, error, self.fits = self._factored(
            {at: None if moved is None else moved[0] for at, moved in moves.items()}
        )
        model = replace(draft, latent=latent, latent_error=error, hidden=hidden)
        residuals = {}
        for at in usable:
            one = self.captures[at]
            left = predict(model, _row(one, controls))[0] - one.signal
            residuals[one.name] = float(np.sqrt(np.mean(left[self.free[at]] ** 2)))
        return replace(model, residuals=residuals)

    def _factored(
        self, moves: Mapping[int, FloatArray | None]
    ) -> tuple[FloatArray, Mask, float, dict[int, Operator]]:
        """Split all captures into one common signal and an operator each, the base's being none.

        Returns
        -------
        latent, hidden, error
            See `Model`.
        fits
            Operator of each capture on the common signal.
        """
        latent, hidden = self.base.signal, ~self.free[0]
        fits: dict[int, Operator] = {}
        error = self.base.step / 12**0.5
        for _ in range(_ALTERNATIONS):
            for at, moved in moves.items():
                rows = self.free[at] & ~hidden & self.distinct
                before = latent if moved is None else latent + moved
                fit = fit_after(before[rows], self.captures[at].signal[rows])
                if fit is not None:
                    fits[at] = fit
            if 0 in fits:
                fits = {at: relative(fit, fits[0]) for at, fit in fits.items()}
            total, weight = np.zeros_like(latent), np.zeros((len(latent), 1))
            for at, fit in fits.items():
                one, moved = self.captures[at], moves[at]
                z = (one.signal[:, 1] + 1j * one.signal[:, 2]) / fit.chroma
                back = np.stack([(one.signal[:, 0] - fit.lift) / fit.gain, z.real, z.imag], axis=1)
                back -= 0.0 if moved is None else moved
                sure = self.free[at].astype(np.float64)[:, None]
                sure *= (min(fit.gain, fit.saturation) / max(one.step, 1e-6)) ** 2
                total += sure * back
                weight += sure
            hidden = weight[:, 0] == 0
            mean = total / np.where(weight > 0, weight, 1)
            latent = np.where(hidden[:, None], self.base.signal, mean)
            if not hidden.all():
                error = float(np.median(weight[~hidden]) ** -0.5 / 12**0.5)
        return latent, hidden, error, fits

    def _modelled(self, at: int, held: Mapping[str, str]) -> bool:
        settings = self.captures[at].settings
        return all(settings[name] == self.base.settings[name] for name in held)

    def refined(self, model: Model) -> Model:
        """Learn once more, with the values that joint captures show."""
        orders = (False, True) if model.lift_first is None else (model.lift_first,)
        tried = [self._refined(model, order) for order in orders]
        if len(tried) == 1:
            return self.model(tried[0][0], model.held, lift_first=model.lift_first)
        (plain, first), (through, second) = tried
        decided = None if abs(first - second) < _ORDER_MARGIN else second > first
        better = through if second > first else plain
        return self.model(better, model.held, lift_first=decided)

    def _refined(self, model: Model, lift_first: bool) -> tuple[list[Control], float]:
        """Respond to single and joint captures alike under one order of gain and lift."""
        points = self._effects(model, lift_first)
        controls, evidence = [], 0.0
        for control in model.controls:
            responses, kept = dict(control.responses), dict(control.points)
            for quantity in control.quantities:
                found = points.get((control.name, quantity), [])
                if control.name in self.inherited:
                    found = [*self.inherited[control.name].points[quantity], *found]
                if len({p.setting for p in found}) < 2:
                    continue
                responses[quantity], likely = self._respond(control.name, quantity, found)
                kept[quantity] = tuple(found)
                evidence += likely if quantity == "lift" else 0.0
            seen = tuple(sorted({one.settings[control.name] for one in self.captures}))
            controls.append(replace(control, responses=responses, points=kept, seen=seen))
        return controls, evidence

    def _effects(self, model: Model, lift_first: bool) -> dict[tuple[str, Quantity], list[Point]]:
        """Effects of each control and quantity in every capture that is fitted.

        What two controls move cannot be shared out between them and is left out; what the gain
        does to lift and chroma is taken off them first.
        """
        owner: dict[Quantity, Control | None] = {}
        for control in (one for one in model.controls if one.stage == "after"):
            for quantity in control.quantities:
                owner[quantity] = None if quantity in owner else control
        points: dict[tuple[str, Quantity], list[Point]] = {}
        gains = owner.get("gain")
        for at, one in enumerate(self.captures):
            fit = self.fits.get(at)
            if fit is None or not self._modelled(at, model.held):
                continue
            for quantity, (value, error) in _figures(fit).items():
                single = owner.get(quantity)
                if single is None:
                    continue
                alone, doubt = value, error
                if gains is not None:
                    alone, doubt = _without_gain(quantity, (value, error), fit, gains, lift_first)
                point = Point(one.settings[single.name], alone, doubt)
                points.setdefault((single.name, quantity), []).append(point)
        return points


def _without_gain(
    quantity: Quantity,
    figure: tuple[float, float],
    fit: Operator,
    gains: Control,
    lift_first: bool,
) -> tuple[float, float]:
    """Take off a figure, with its error, what the gain of the same capture does to it."""
    value, error = figure
    if quantity == "lift":
        value -= gains.pivot * (1 - fit.gain)
        value /= fit.gain if lift_first else 1.0
        return value, float(np.hypot(error, gains.pivot_error * abs(1 - fit.gain)))
    if quantity == "saturation":
        return (
            value / fit.gain**gains.coupling,
            error + abs(gains.coupling) * fit.gain_error,
        )
    return figure


def _rebased(control: Control, model: Model, base: Mapping[str, int]) -> Control:
    """Take a control to another base: effects relative to it, and the pivot moved by its lift."""
    responses, points = {}, {}
    for quantity, response in control.responses.items():
        here = response.table[:, [base[control.name] - response.first]]
        ratio = _NEUTRAL[quantity] == 1
        table = response.table / here if ratio else response.table - here
        responses[quantity] = replace(response, table=table)
        middle = float(here[0, 0])
        points[quantity] = tuple(
            replace(p, value=p.value / middle if ratio else p.value - middle)
            for p in control.points[quantity]
        )
    lifted = sum(
        float(other.responses["lift"].table[0, base[other.name] - other.responses["lift"].first])
        for other in model.controls
        if "lift" in other.responses and not model.lift_first
    )
    return replace(control, responses=responses, points=points, pivot=control.pivot + lifted)


def _figures(fit: Operator) -> dict[Quantity, tuple[float, float]]:
    return {
        "gain": (fit.gain, fit.gain_error),
        "lift": (fit.lift, fit.lift_error),
        "saturation": (fit.saturation, fit.chroma_error),
        "hue": (fit.hue, fit.hue_error),
    }


def _worst(fits: Mapping[int, Operator | None]) -> float:
    return max(np.inf if fit is None else fit.residual for fit in fits.values())


def _row(capture: TunedCapture, controls: Sequence[Control]) -> IntArray:
    return np.array([[capture.settings[c.name] for c in controls]], np.int64)
