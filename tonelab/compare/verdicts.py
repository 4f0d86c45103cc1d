"""Whether two captures come from the same conversion, tested as equivalence."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from tonelab.compare.curves import Stretch, after_controls, curve_difference
from tonelab.compare.shared import DisplayedColours, Distance, Shared, as_codes, as_signal, distance
from tonelab.errors import UsageError
from tonelab.results import ParameterEstimate

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from tonelab.results import IdentifiedConversion, Measurement
    from tonelab.signal.arrays import FloatArray, Mask
    from tonelab.signal.description import Signal

VerdictKind: TypeAlias = Literal["same", "controls", "different", "undecided"]

MARGIN = 0.5  # mean ΔE_ITP within which two captures count as one conversion
MARGIN_CODES = 1.0  # of luma that go with it along the greys: the step of a 10-bit capture
FEWEST_FREE = 30  # colours that touch no limit, below which controls are not fitted

_INTERVAL = 1.96
_UNKNOWN = ("not identifiable", "not in this model")
_PARTS = ("drive", "order", "chroma", "gamut", "encoding")
_NEUTRAL = {"contrast": 1.0, "brightness": 0.0, "saturation": 1.0, "hue": 0.0}


@dataclass(frozen=True, slots=True)
class PairVerdict:
    """What separates two captures.

    Attributes
    ----------
    first, second
        Positions of the measurements.
    kind
        ``same``: shown to agree within the margin. ``controls``: shown to agree once picture
        controls are allowed for. ``different``: shown to lie further apart. ``undecided``: the
        rounding or the spread of these captures hides the answer.
    text
        One sentence.
    distance
        As measured.
    remaining
        Distance once the fitted controls are applied to the first; None when not fitted.
    controls
        Contrast (gain of luma), brightness (10-bit codes added at black), saturation (gain of
        chroma, that of contrast included) and hue (degrees) that lead from the first to the second.
    margin
        Mean ΔE_ITP that was tested.
    luma
        Where the luminance curves are shown to differ most; None for nowhere. For ``controls``, and
        for what differs beyond them, with the controls applied to the first.
    """

    first: int
    second: int
    kind: VerdictKind
    text: str
    distance: Distance
    margin: float
    remaining: Distance | None = None
    controls: Mapping[str, ParameterEstimate] = field(default_factory=dict)
    luma: Stretch | None = None


def between(verdicts: Sequence[PairVerdict], one: int, other: int) -> PairVerdict:
    """Find the verdict on a pair of devices by their numbers, in either order.

    Raises
    ------
    StopIteration
        When there is no verdict on this pair.
    """
    pair = (min(one, other), max(one, other))
    return next(verdict for verdict in verdicts if (verdict.first, verdict.second) == pair)


class Judge:
    """Says what separates two of several measurements.

    Parameters
    ----------
    measurements, shared, shown
        What was measured, what all saw of the same colours, and how their displays show it.
    margin
        Mean ΔE_ITP within which two captures count as one conversion. Their curves may differ by
        `MARGIN_CODES` for each `MARGIN` of it.
    """

    def __init__(
        self,
        measurements: Sequence[Measurement],
        shared: Shared,
        shown: Sequence[DisplayedColours],
        margin: float = MARGIN,
    ) -> None:
        self._measurements = measurements
        self._shared = shared
        self._shown = shown
        self._margin = margin
        self._free: dict[int, tuple[FloatArray, Mask]] = {}

    def verdict(self, first: int, second: int, apart: Distance) -> PairVerdict:
        """Say what separates the measurements at two positions, so far apart, see `PairVerdict`."""
        margin = self._margin
        where = "" if self._shared.basis == "colours" else " on the greys that both saw"
        luma = self._curves_apart(first, second)
        same = PairVerdict(first, second, "same", "", apart, margin)
        if apart.high <= margin and luma is None:
            return replace(same, text=f"same converter within {margin:g}{where}")
        controls, remaining = self._fit_controls(first, second) or ({}, None)
        fitted = replace(same, remaining=remaining, controls=controls)
        left = self._curves_apart(first, second, controls) if controls else luma
        words = [_word(name, value) for name, value in controls.items() if _moved(name, value)]
        if remaining and remaining.high <= margin and left is None:
            text = "differs only by picture controls: " + ", ".join(words)
            if not words:
                text = f"same converter within {margin:g} but for codes at the limits"
            return replace(fitted, kind="controls", text=text + where)
        parts = _named_parts(self._measurements[first], self._measurements[second])
        if not parts and words and remaining and remaining.low <= margin and left is None:
            beyond = f"beyond them not shown to differ, rounding leaves {remaining.floor:.2f}"
            parts = [f"picture controls: {', '.join(words)}; {beyond}"]
        elif luma:
            parts.append(str(luma))
        if apart.low > margin or luma:
            named = ", ".join(parts) or "no part that is identified"
            mean = f"the mean within {apart.high:.2f}, but " if apart.high <= margin else ""
            return replace(
                fitted, kind="different", text=f"{mean}differs in {named}{where}", luma=luma
            )
        return replace(
            fitted,
            kind="undecided",
            text=f"not shown to be the same within {margin:g}, nor to differ: rounding leaves "
            f"{apart.floor:.2f}; shown within {apart.high:.2f}{where}",
        )

    def _curves_apart(
        self, first: int, second: int, controls: Mapping[str, ParameterEstimate] | None = None
    ) -> Stretch | None:
        """Where two luminance curves are shown to differ, with controls applied to the first."""
        one, other = self._measurements[first], self._measurements[second]
        try:
            difference = curve_difference(one, other, other.device)
        except UsageError:  # they share no light
            return None
        margin = MARGIN_CODES * self._margin / MARGIN
        if not controls:
            return difference.stretch(margin)
        gain, lift = controls["contrast"].value, controls["brightness"].value
        left, seen = after_controls(one, other, difference, gain, lift)
        return left.stretch(margin, seen)

    def _fit_controls(
        self, first: int, second: int
    ) -> tuple[dict[str, ParameterEstimate], Distance] | None:
        """Fit the controls that lead from one capture to another, on colours at no limit."""
        (before, one_free), (after, other_free) = self._signals(first), self._signals(second)
        free = one_free & other_free
        if free.sum() < FEWEST_FREE:
            return None
        before, after = before[free], after[free]
        contrast, contrast_error, lift, lift_error, luma = _line(before[:, 0], after[:, 0])
        found = {
            "contrast": _estimate(contrast, contrast_error),
            "brightness": _estimate(876 * lift, 876 * lift_error, "codes"),
        }
        chroma = np.zeros((int(free.sum()), 2))
        if self._shared.basis == "colours":
            z_before, z_after = before[:, 1] + 1j * before[:, 2], after[:, 1] + 1j * after[:, 2]
            power = float(np.sum(np.abs(z_before) ** 2))
            gain = complex(np.sum(np.conj(z_before) * z_after)) / power
            left = z_after - gain * z_before
            error = float(np.sqrt(np.mean(np.abs(left) ** 2) / 2 / power))
            found["saturation"] = _estimate(abs(gain), error)
            turned = np.degrees(np.angle(gain))
            found["hue"] = _estimate(turned, float(np.degrees(error / abs(gain))), "deg")
            moved = gain * z_before
            chroma = np.stack([moved.real, moved.imag], axis=1)
        signal = self._shared.signals[second]
        predicted = as_codes(np.column_stack([luma, chroma]), signal)
        moved_by_them = DisplayedColours.of(predicted, signal, self._shared.steps[first])
        return found, distance(moved_by_them, self._shown[second].at(free))

    def _signals(self, at: int) -> tuple[FloatArray, Mask]:
        """Y'CbCr signals of a measurement, and which colours touch no limit."""
        if at not in self._free:
            codes, signal = self._shared.codes[at], self._shared.signals[at]
            self._free[at] = as_signal(codes, signal), ~_limited(codes, signal)
        return self._free[at]


def _line(x: FloatArray, y: FloatArray) -> tuple[float, float, float, float, FloatArray]:
    """Slope and intercept of least squares, each with its standard error, and the line."""
    centre = float(x.mean())
    spread = float(np.sum((x - centre) ** 2))
    slope = float(np.sum((x - centre) * y)) / spread
    line = slope * (x - centre) + y.mean()
    noise = float(np.sqrt(np.mean((y - line) ** 2)))
    at_zero = noise * float(np.sqrt(1 / len(x) + centre**2 / spread))
    return slope, noise / spread**0.5, float(line[0] - slope * x[0]), at_zero, line


def _estimate(value: float, error: float, unit: str = "") -> ParameterEstimate:
    half = _INTERVAL * error
    return ParameterEstimate(float(value), float(value - half), float(value + half), unit)


def _limited(codes: FloatArray, signal: Signal) -> Mask:
    """Whether a colour touches a limit of the codes, or a face of the R'G'B' cube."""
    rgb = signal.decode_rgb(codes)
    edge = 1.5 / 876
    at_edge = (np.abs(rgb) < edge) | (np.abs(rgb - 1) < edge) | (rgb < -0.05) | (rgb > 1.05)
    return np.asarray(at_edge.any(axis=1))


def _moved(name: str, value: ParameterEstimate) -> bool:
    return not value.low <= _NEUTRAL[name] <= value.high


def _word(name: str, value: ParameterEstimate) -> str:
    half = (value.high - value.low) / 2
    if name == "hue":
        return f"hue {value.value:+.2f} ± {half:.2f} deg"
    if name == "brightness":
        return f"brightness {value.value:+.1f} ± {half:.1f} codes"
    digits = 3 if half >= 0.001 else 4
    return f"{name} {value.value:.{digits}f} ± {max(half, 10.0**-digits):.{digits}f}"


def _named_parts(one: Measurement, other: Measurement) -> list[str]:
    """Parts of two identified conversions that have no candidate in common, and the curve."""
    first, second = one.conversion, other.conversion
    parts = []
    for part in _PARTS:
        names = [set(getattr(c, part).split(" or ")) for c in (first, second)]
        if any(name.startswith(_UNKNOWN) for both in names for name in both) or not all(names):
            continue
        if not names[0] & names[1]:
            parts.append(f"{part} ({getattr(first, part)} against {getattr(second, part)})")
    if curve := _curves_differ(first, second):
        parts.append(curve)
    return parts


def _curves_differ(first: IdentifiedConversion, second: IdentifiedConversion) -> str:
    if first.family and second.family and first.family != second.family:
        return f"tone curve ({first.family_label} against {second.family_label})"
    if first.family and first.family == second.family:
        for name, a in first.parameters.items():
            b = second.parameters.get(name)
            if b and a.identifiable and b.identifiable and (a.low > b.high or b.low > a.high):
                unit = f" {a.unit}" if a.unit not in {"", "1"} else ""
                values = f"({a.value:.4g} against {b.value:.4g}{unit})"
                return f"{name.replace('_', ' ')} of the tone curve {values}"
    return ""
