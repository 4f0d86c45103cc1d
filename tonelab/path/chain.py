"""A chain of steps from source to capture, its words, and the codes that it predicts."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from tonelab.path.steps import STEPS, coding, to_whole_codes
from tonelab.signal.colorimetry import rgb_to_ycbcr, ycbcr_to_rgb
from tonelab.signal.quantisation import rgb_to_codes, ycbcr_to_codes

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from tonelab.conversion.parameters import Parameter
    from tonelab.path.steps import Medium, Settings, Step
    from tonelab.signal.arrays import FloatArray
    from tonelab.signal.description import Signal


@dataclass(frozen=True)
class Placed:
    """A step of a chain.

    Attributes
    ----------
    name
        Of an entry of `STEPS`.
    settings
        What of it is not fitted.
    values
        Its parameters that are not at their defaults.
    """

    name: str
    settings: Settings = field(default_factory=dict)
    values: Mapping[str, float] = field(default_factory=dict)

    @property
    def step(self) -> Step:
        """The entry."""
        return STEPS[self.name]

    def applied(self, signal: FloatArray, medium: Medium) -> FloatArray:
        """Signals (..., 3) after this step."""
        sent_on: FloatArray = self.step.function(signal, medium, **self.settings, **self.values)
        return sent_on

    def describe(self, bounds: Mapping[str, float] | None = None) -> str:
        """Return the step in words, with half widths of intervals of its values if given."""
        step, bounds = self.step, bounds or {}
        said = {k: step.spoken.get(k, {}).get(v, v) for k, v in self.settings.items()}
        known = {n: _known(bounds[n], *step.shown_in(n)) for n in self.values if n in bounds}
        if step.words:
            words = step.words if callable(step.words) else step.words.format
            within = ", ".join(f"{name} {bound}" for name, bound in known.items())
            return words(**said, **self.values) + (f" ({within})" if within else "")
        listed = [f"{name} {value}" for name, value in said.items()]
        for name, value in self.values.items():
            number = _number(value, *step.shown_in(name), bounds.get(name))
            listed.append(f"{name} {number} {known.get(name, '')}".rstrip())
        return f"{step.label}: {', '.join(listed)}"

    @classmethod
    def of(cls, name: str, settings: Settings) -> Placed:
        """Place a step with all its parameters at their defaults, free to be fitted."""
        values = {n: p.default for n, p in STEPS[name].parameters.items()}
        return cls(name, settings, values)


@dataclass(frozen=True, slots=True)
class Passed:
    """What passed a step: signals (..., 3) that arrived, and what each rounding added to them."""

    arriving: FloatArray
    added: list[FloatArray]


@dataclass(frozen=True)
class Chain:
    """Steps in the order in which a path takes them; none is the transparent path.

    Attributes
    ----------
    steps
        The first one first.
    carried
        Bits to which signals are rounded before each step; 0 if they are not.
    """

    steps: tuple[Placed, ...] = ()
    carried: int = 0

    def __iter__(self) -> Iterator[Placed]:
        return iter(self.steps)

    def __len__(self) -> int:
        return len(self.steps)

    def with_step(self, place: int, step: Placed) -> Chain:
        """Return the chain with one more step before that at ``place``."""
        return replace(self, steps=(*self.steps[:place], step, *self.steps[place:]))

    def without(self, place: int) -> Chain:
        """Return the chain without the step at ``place``."""
        return replace(self, steps=(*self.steps[:place], *self.steps[place + 1 :]))

    @property
    def coarse(self) -> float:
        """Steps of 10 bits to which dither at the end rounds, 1 where there is none."""
        if self.steps and self.steps[-1].name == "dither":
            return float(2 ** (10 - self.steps[-1].settings["bits"]))
        return 1.0

    @property
    def free(self) -> tuple[tuple[int, Parameter], ...]:
        """Parameters that are not held, each with the place of its step."""
        return tuple(
            (place, step.step.parameters[name])
            for place, step in enumerate(self.steps)
            for name in step.values
        )

    @property
    def position(self) -> FloatArray:
        """Values (P,) of `free`."""
        return np.array([self.steps[place].values[p.name] for place, p in self.free])

    def moved(self, position: FloatArray) -> Chain:
        """Return the chain with other values (P,) of `free`."""
        values: list[dict[str, float]] = [{} for _ in self.steps]
        for (place, parameter), value in zip(self.free, position, strict=True):
            values[place][parameter.name] = float(value)
        steps = zip(self.steps, values, strict=True)
        return replace(self, steps=tuple(replace(step, values=given) for step, given in steps))

    def applied(
        self, signal: FloatArray, medium: Medium, passed: list[Passed] | None = None
    ) -> FloatArray:
        """Signals (..., 3) that the path sends for those of the source.

        ``passed`` takes what passed each step; what passed the first ones may stand in it already,
        and ``signal`` is then what leaves them.
        """
        for step in self.steps[len(passed or ()) :]:
            arriving, added = signal, []
            for rounds, by in self._stages(step, medium):
                sent_on = by(signal)
                if rounds and passed is not None:
                    added.append(sent_on - signal)
                signal = sent_on
            if passed is not None:
                passed.append(Passed(arriving, added))
        return signal

    def applied_from(self, place: int, medium: Medium, passed: Sequence[Passed]) -> FloatArray:
        """Signals (..., 3) that the path sends, steps before ``place`` being as they were.

        What rounding added then is added now, so that the result follows parameters without jumps.
        """
        signal = passed[place].arriving
        for step, then in zip(self.steps[place:], passed[place:], strict=True):
            added = iter(then.added)
            for rounds, by in self._stages(step, medium):
                signal = signal + next(added) if rounds else by(signal)
        return signal

    def _stages(
        self, step: Placed, medium: Medium
    ) -> Iterator[tuple[bool, Callable[[FloatArray], FloatArray]]]:
        """Yield what a step does to signals, and whether that is rounding."""
        if self.carried:
            yield True, partial(to_whole_codes, medium=medium, bits=self.carried)
        yield step.step.rounds, partial(step.applied, medium=medium)

    def describe(self) -> str:
        """Return the chain in words."""
        return ", then ".join(step.describe() for step in self.steps) or "nothing"


def capture_codes(signal: FloatArray, medium: Medium, capture: Signal) -> FloatArray:
    """Real-valued codes (..., 3) that the capture can hold of signals in the source's matrix."""
    own = coding(medium)
    if capture.matrix == "rgb":
        codes = rgb_to_codes(ycbcr_to_rgb(signal, own), capture.bits, capture.range)
    else:
        if capture.matrix != own:
            signal = rgb_to_ycbcr(ycbcr_to_rgb(signal, own), capture.matrix)
        codes = ycbcr_to_codes(signal, capture.bits, capture.range)
    return np.clip(codes, 0.0, 2.0**capture.bits - 1)


def _number(value: float, factor: float, unit: str, bound: float | None) -> str:
    """Say a value; with as many decimals as its interval bears, which then says the unit."""
    if bound is None or not np.isfinite(bound):
        return f"{factor * value:.4g} {unit}".rstrip()
    return f"{factor * value:.{_decimals(factor * bound)}f}"


def _known(bound: float, factor: float, unit: str) -> str:
    if not np.isfinite(bound):
        return "(this capture cannot tell)"
    bound *= factor
    return f"± {bound:.{_decimals(bound)}f} {unit}".rstrip()


def _decimals(bound: float) -> int:
    """Decimals that show two digits of a bound, six at most."""
    return int(np.clip(1 - np.floor(np.log10(max(bound, 1e-9))), 0, 6))
