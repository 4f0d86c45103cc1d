"""What a device makes of its source, as a function of colour: a chain and what it leaves.

The parametric core is the identified chain, or the nearest one where none explains the capture.
What it leaves is a lattice of R'G'B' differences, read as a cubic spline, and a finer one near the
greys.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from tonelab.chart.colours import signal_of_light
from tonelab.conversion import Conversion
from tonelab.conversion.standards import STANDARDS
from tonelab.correction.refine import refine
from tonelab.correction.spline import fit_spline
from tonelab.correction.table import interpolate, lattice
from tonelab.errors import UsageError
from tonelab.identify.evidence import TRACE, evidence_of
from tonelab.identify.residual import residual_lattice
from tonelab.readings import readings_of
from tonelab.signal.colorimetry import ycbcr_to_rgb
from tonelab.signal.description import Signal
from tonelab.signal.quantisation import luma_scale, rgb_to_codes, ycbcr_to_codes
from tonelab.signal.transfer import PQ_PEAK, eotf_inverse_pq

if TYPE_CHECKING:
    from collections.abc import Callable

    from tonelab.correction.spline import Spline
    from tonelab.readings import LatticeColours, Readings
    from tonelab.readings.colours import Colours
    from tonelab.results import Measurement
    from tonelab.signal.arrays import FloatArray, IntArray, Mask

    Map: TypeAlias = Callable[[FloatArray], FloatArray]
    Pairs: TypeAlias = tuple[FloatArray, FloatArray]  # source and output signals, (N, 3) each

# Strengths at which bends of a chart's lattice are smoothed; held-out colours choose.
STRENGTHS = (0.0, 0.003, 0.01, 0.02, 0.05, 0.1, 0.3)
FEWEST = 100  # colours of the lattice, and between its nodes
HELD_OUT = 7  # of the colours between its nodes, one in so many is fitted to nothing
EARNED = 0.95  # of what is left on colours not fitted without a lattice; less is not worth one
FAR = 2.0  # codes, beyond which a miss counts no more: kinks are rare in pictures, noise is not
EXCURSION = 0.02  # signal outside 0..1 that rounding of Y'CbCr does not reach
SUPPORTED = 0.5  # share of known nodes around a colour of content that makes it covered


@dataclass(frozen=True, slots=True, eq=False)
class _Layers:
    """A chain, what it leaves at a chart's lattice, and what that leaves near the greys."""

    base: Map
    low: float
    high: float
    spline: Spline
    fine: FloatArray | None = None

    def __call__(self, signal: FloatArray) -> FloatArray:
        return self._sum(signal, self.spline(signal))

    def cube(self, axis: FloatArray) -> FloatArray:
        signal = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
        return self._sum(signal, self.spline.cube(axis))

    def _sum(self, signal: FloatArray, added: FloatArray) -> FloatArray:
        total = np.clip(self.base(signal), self.low, self.high) + added
        if self.fine is not None:
            place = np.clip(signal / self.spline.top, 0.0, 1.0) * (len(self.fine) - 1)
            total = total + interpolate(self.fine, place, "trilinear")
        return total


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """A conversion as a function of R'G'B' signals.

    Attributes
    ----------
    name
        Of the device or the standard.
    source, target
        R'G'B' signals that go in and come out.
    top
        Source signal of the brightest colours that were measured.
    low, high
        Least and largest output signal.
    unseen, seen
        (N, 3): source and output signals of colours that the lattice was not fitted to.
    residual
        In words, what was added to the chain.
    step
        Step of the capture's codes.
    ends
        Least and largest source signal; those beyond are taken as it.
    """

    name: str
    source: Signal
    target: Signal
    top: float
    low: float
    high: float
    unseen: FloatArray
    seen: FloatArray
    residual: str
    step: float
    _convert: Map | _Layers
    _covered: Callable[[FloatArray], Mask]
    ends: tuple[float, float] = (0.0, 1.0)

    def __call__(self, signal: FloatArray) -> FloatArray:
        """Output signals (N, 3) of source signals (N, 3)."""
        return np.clip(self._convert(np.clip(signal, *self.ends)), self.low, self.high)

    def base(self, signal: FloatArray) -> FloatArray:
        """Return what source signals (N, 3) become before the lattice of what is left is added."""
        convert = self._convert
        found = (convert.base if isinstance(convert, _Layers) else convert)(signal)
        return np.clip(found, self.low, self.high)

    def cube(self, low: float, high: float, size: int) -> FloatArray:
        """Output signals (size^3, 3) of an even cube of source signals, blue fastest."""
        if not isinstance(self._convert, _Layers):
            return self(lattice(low, high, size))
        axis = np.clip(np.linspace(low, high, size), 0.0, 1.0)
        return np.clip(self._convert.cube(axis), self.low, self.high)

    def covered(self, signal: FloatArray) -> Mask:
        """Whether source signals (N, 3) lie among colours that were measured."""
        return self._covered(signal)


def standard_look(name: str, source: Signal, peak: float) -> Look:
    """Take a standard conversion as a look on sources of a mastering peak in cd/m2."""
    standard = STANDARDS[name]
    rgb = rgb_signal(source)
    top = float(signal_of_light(peak, source.transfer, source.peak))
    nothing = np.zeros((0, 3))
    return Look(
        name=f"{standard.label} for {peak:g} cd/m2",
        source=rgb,
        target=Signal(matrix="rgb"),
        top=top,
        low=0.0,
        high=1.0,
        unseen=nothing,
        seen=nothing,
        residual="none: computed",
        step=1.0,
        _convert=lambda signal: standard.convert(light_of(signal, rgb), source_peak=peak),
        _covered=lambda signal: np.ones(len(signal), np.bool_),
    )


def learn_look(measurement: Measurement) -> Look:
    """Learn the look of a measured device from its curve file alone.

    Raises
    ------
    UsageError
        When the capture is HDR, or its conversion was not kept.
    """
    if measurement.capture.signal.is_hdr or not measurement.conversion.structure:
        raise UsageError(
            f"{measurement.device} holds no HDR-to-SDR conversion to bake: measure an SDR output."
        )
    if (fall := measurement.luminance_curve.fall) is not None:
        raise UsageError(
            f"The greys of {measurement.device} fall by {fall[0]:.0f} codes from {fall[1]:.3g} to "
            f"{fall[2]:.3g} cd/m2, and no look is learnt of that: mend the device's settings and "
            "measure it again."
        )
    chain = Conversion.from_dict(measurement.conversion.structure)
    readings = readings_of(measurement)
    coded = readings.capture_coding
    source = rgb_signal(measurement.source.signal)

    def core(signal: FloatArray) -> FloatArray:
        ycbcr = chain.ycbcr_signal(light_of(signal, source), coded.matrix)
        return ycbcr_to_rgb(ycbcr, coded.matrix)

    lattice_colours = readings.lattice()
    if lattice_colours is not None:
        return _from_lattice(measurement.device, readings, lattice_colours, core)
    return _from_residual(measurement, readings, chain, core)


def rgb_signal(signal: Signal) -> Signal:
    """Return how the R'G'B' of a signal are coded."""
    return signal.with_fields("inferred", matrix="rgb")


def light_of(signal: FloatArray, coding: Signal) -> FloatArray:
    """Linear BT.2020 light (N, 3) in cd/m2 of R'G'B' signals (N, 3)."""
    light = coding.decode_light_2020(rgb_to_codes(signal, coding.bits, coding.range))
    return np.maximum(light, 0.0) + TRACE


def _limits(seen: FloatArray) -> tuple[float, float]:
    """Return the ends of the output: black and white unless the capture clearly goes beyond."""
    low, high = float(seen.min()), float(seen.max())
    return (0.0 if low > -EXCURSION else low, 1.0 if high < 1 + EXCURSION else high)


def _from_lattice(name: str, readings: Readings, seen: LatticeColours, core: Map) -> Look:
    """Add to a chain what it leaves at the nodes of a known lattice, and near the greys."""
    size, top = seen.size, seen.top
    coded = readings.capture_coding

    def within(colours: Colours) -> Pairs:
        at, shown = _signals(colours, readings)
        kept = at.max(axis=1) <= top * (1 + 0.25 / (size - 1))  # Codes round beyond the last node.
        return at[kept], shown[kept]

    nodes, between = within(seen.nodes), within(seen.between)
    if min(len(nodes[0]), len(between[0])) < FEWEST:
        raise UsageError(
            f"{name} shows only {len(nodes[0])} colours of the chart's lattice, too "
            "few for a correction: capture the whole chart."
        )
    kept = np.arange(len(between[0])) % HELD_OUT > 0
    low, high = _limits(np.concatenate([nodes[1], between[1]]))
    shown = _Shown(
        nodes=nodes,
        between=_joined(within(seen.neutrals), (between[0][kept], between[1][kept])),
        unseen=(between[0][~kept], between[1][~kept]),
        size=size,
        top=top,
        low=low,
        high=high,
        scale=luma_scale(coded.bits, coded.range)[1],
    )
    layers = _fit_layers(shown, core)
    known = shown.known
    before = f"{shown.missed(core):.2f}"

    def covered(signal: FloatArray) -> Mask:
        place = np.clip(signal / top, 0.0, 1.0) * (size - 1)
        around: Mask = known[tuple(np.rint(place).astype(np.int64).T)]
        around &= (signal.min(axis=1) >= -1e-9) & (signal.max(axis=1) <= top + 1e-9)
        return around

    return Look(
        name=name,
        source=rgb_signal(readings.source.signal),
        target=rgb_signal(coded),
        top=top,
        low=low,
        high=high,
        unseen=shown.unseen[0],
        seen=shown.unseen[1],
        residual=(
            f"none needed, {before}"
            if layers is None
            else f"lattice of {size}^3, {before} to {shown.missed(layers):.2f}"
        )
        + f" codes on {len(shown.unseen[0])} colours not fitted, each {FAR:g} codes at most",
        step=readings.step,
        _convert=layers or core,
        _covered=covered,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Shown:
    """Source and output signals of a chart: at its lattice, between, and not to be fitted."""

    nodes: Pairs
    between: Pairs
    unseen: Pairs
    size: int
    top: float
    low: float
    high: float
    scale: float

    @property
    def node(self) -> tuple[IntArray, ...]:
        """Where in the lattice its colours stand."""
        return tuple(np.rint(self.nodes[0] / self.top * (self.size - 1)).astype(np.int64).T)

    @property
    def known(self) -> Mask:
        """(n, n, n): which nodes were seen."""
        known = np.zeros((self.size,) * 3, np.bool_)
        known[self.node] = True
        return known

    def left(self, colours: Pairs, convert: Map) -> FloatArray:
        """Return what is to be added at colours, clips left out of account."""
        at, seen = colours
        return np.clip(seen, self.low, self.high) - np.clip(convert(at), self.low, self.high)

    def missed(self, convert: Map) -> float:
        """Codes by which colours are missed that were not fitted."""
        at, seen = self.unseen
        away = np.abs(np.clip(convert(at), self.low, self.high) - seen) * self.scale
        return float(np.minimum(away, FAR).mean())


def _fit_layers(shown: _Shown, core: Map) -> _Layers | None:
    """Fit what a chain leaves; None when that is not worth a lattice."""
    best, found = EARNED * shown.missed(core), None
    size, node = shown.size, shown.node
    # A chain that explains little may bend where the device does not: the lattice may do better.
    bases: tuple[Map, ...] = (core, np.zeros_like) if shown.known.all() else (core,)
    for base in bases:
        left = shown.left(shown.nodes, base)
        values = np.zeros((size, size, size, 3))
        values[node] = left
        # Colours stand up to half a code from their nodes.
        values[node] += left - fit_spline(values, shown.top)(shown.nodes[0])
        for strength in STRENGTHS:
            spline = fit_spline(values, shown.top, strength)
            trial = _Layers(base, shown.low, shown.high, spline)
            after = shown.missed(trial)
            if after < best:
                best, found = after, trial
    if found is None:
        return None
    fitted = _joined(shown.nodes, shown.between)
    finer = refine(fitted[0], shown.left(fitted, found), shown.top, 2 * size - 1)
    trial = replace(found, fine=finer)
    return trial if shown.missed(trial) < best else found


def _joined(first: Pairs, second: Pairs) -> Pairs:
    return np.concatenate([first[0], second[0]]), np.concatenate([first[1], second[1]])


def _from_residual(
    measurement: Measurement, readings: Readings, chain: Conversion, core: Map
) -> Look:
    """Add to a chain what it leaves of colours anywhere."""
    source, coded = rgb_signal(readings.source.signal), readings.capture_coding
    evidence = evidence_of(readings, measurement.luminance_curve, peak=PQ_PEAK)
    added = residual_lattice(evidence, chain)
    at, seen = _signals(readings.colours, readings)
    low, high = _limits(seen)
    top = float(at.max())

    def convert(signal: FloatArray) -> FloatArray:
        ycbcr = chain.ycbcr_signal(light_of(signal, source), coded.matrix)
        codes = ycbcr_to_codes(ycbcr, coded.bits, coded.range)
        return coded.decode_rgb(codes + added(eotf_inverse_pq(light_of(signal, source))))

    def covered(signal: FloatArray) -> Mask:
        return added.coverage(eotf_inverse_pq(light_of(signal, source))) >= SUPPORTED

    return Look(
        name=measurement.device,
        source=source,
        target=rgb_signal(coded),
        top=top,
        low=low,
        high=high,
        unseen=at[evidence.held_out] if len(at) == len(evidence.held_out) else at,
        seen=seen[evidence.held_out] if len(at) == len(evidence.held_out) else seen,
        residual=f"lattice over content, {added.before:.2f} to {added.after:.2f} codes RMS",
        step=readings.step,
        _convert=convert if added.after < added.before else core,
        _covered=covered,
    )


def _signals(colours: Colours, readings: Readings) -> Pairs:
    """Source and output R'G'B' signals of colours in the readings' coding."""
    at = np.clip(readings.source_coding.decode_rgb(colours.source), 0.0, 1.0)
    return at, readings.capture_coding.decode_rgb(colours.capture)
