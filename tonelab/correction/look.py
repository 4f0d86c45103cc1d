"""What a device makes of its source, as a function of colour: a chain and what it leaves.

The parametric core is the identified chain, or the nearest one where none explains the capture.
What it leaves is a lattice of R'G'B' differences, read as a cubic spline.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from scipy.interpolate import BSpline, NdBSpline

from tonelab.chart import Group, Layout
from tonelab.chart.colours import signal_of_light
from tonelab.chart.patches import RECIPES
from tonelab.colours import as_ycbcr, coded_signal, gather
from tonelab.content import content_colours
from tonelab.conversion import Conversion
from tonelab.conversion.standards import STANDARDS
from tonelab.errors import UsageError
from tonelab.identify.evidence import TRACE, gather_evidence
from tonelab.identify.residual import residual_lattice
from tonelab.reading import code_step
from tonelab.signal.colorimetry import matrix_rgb_to_rgb, ycbcr_to_rgb
from tonelab.signal.description import Signal
from tonelab.signal.quantisation import rgb_to_codes, ycbcr_to_codes
from tonelab.signal.transfer import eotf_inverse_pq

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from tonelab.colours import Colours
    from tonelab.results import Measurement
    from tonelab.signal.quantisation import FloatArray

    Map: TypeAlias = Callable[[FloatArray], FloatArray]

# Strengths at which bends of a chart's lattice are smoothed; colours beside it choose.
STRENGTHS = (0.0, 0.003, 0.01, 0.03, 0.1, 0.3)
FEWEST = 100  # colours of the lattice, and beside it
EARNED = 0.97  # of what the chain alone leaves on colours beside the lattice
EXCURSION = 0.02  # signal outside 0..1 that rounding of Y'CbCr does not reach
SUPPORTED = 0.5  # share of known nodes behind a colour of content that makes it covered


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
    _convert: Map
    _covered: Callable[[FloatArray], NDArray[np.bool_]]

    def __call__(self, signal: FloatArray) -> FloatArray:
        """Output signals (N, 3) of source signals (N, 3)."""
        return np.clip(self._convert(np.clip(signal, 0.0, 1.0)), self.low, self.high)

    def covered(self, signal: FloatArray) -> NDArray[np.bool_]:
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
    chain = Conversion.from_dict(measurement.conversion.structure)
    coded = coded_signal(measurement.capture.signal)
    source = rgb_signal(measurement.source.signal)

    def core(signal: FloatArray) -> FloatArray:
        ycbcr = chain.ycbcr_signal(light_of(signal, source), coded.matrix)
        return ycbcr_to_rgb(ycbcr, coded.matrix)

    if measurement.tallies.layout:
        return _from_chart(measurement, core, source, coded)
    return _from_content(measurement, chain, core, source, coded)


def rgb_signal(signal: Signal) -> Signal:
    """Return how the R'G'B' of a signal are coded."""
    return signal.with_fields("inferred", matrix="rgb")


def light_of(signal: FloatArray, coding: Signal) -> FloatArray:
    """Linear BT.2020 light (N, 3) in cd/m2 of R'G'B' signals (N, 3)."""
    light = coding.decode_light(rgb_to_codes(signal, coding.bits, coding.range))
    if coding.primaries != "bt2020":
        light = light @ matrix_rgb_to_rgb(coding.primaries, "bt2020").T
    return np.maximum(light, 0.0) + TRACE


def _limits(seen: FloatArray) -> tuple[float, float]:
    """Return the ends of the output: black and white unless the capture clearly goes beyond."""
    low, high = float(seen.min()), float(seen.max())
    return (0.0 if low > -EXCURSION else low, 1.0 if high < 1 + EXCURSION else high)


def _from_chart(measurement: Measurement, core: Map, source: Signal, coded: Signal) -> Look:
    layout = Layout.from_descriptor(
        measurement.tallies.layout, measurement.source.width, measurement.source.height
    )
    size = RECIPES[layout.kind].lattice_nodes
    top = float(signal_of_light(layout.peak, layout.transfer, layout.peak))

    def gathered(*groups: Group) -> tuple[FloatArray, FloatArray]:
        colours = gather(measurement.tallies, layout, *groups)
        return _signals(colours, measurement, coded)

    at, seen = gathered(Group.LATTICE)
    unseen_at, unseen = gathered(Group.NEUTRAL_NEAR, Group.KNEE, Group.SWEEP)
    if len(seen) < FEWEST or len(unseen) < FEWEST:
        raise UsageError(
            f"{measurement.device} shows only {len(seen)} colours of the chart's lattice, too few "
            "for a correction: capture the whole chart."
        )
    within = unseen_at.max(axis=1) <= top
    unseen_at, unseen = unseen_at[within], unseen[within]
    low, high = _limits(np.concatenate([seen, unseen]))
    node = np.rint(at / top * (size - 1)).astype(np.int64)
    known = np.zeros((size,) * 3, np.bool_)
    known[tuple(node.T)] = True
    inside = np.clip(seen, low, high)
    before = after = np.inf
    convert: Map = core
    extra = False
    # A chain that explains little may bend where the device does not: the lattice may do better.
    bases: tuple[Map, ...] = (core, np.zeros_like) if known.all() else (core,)
    for base in bases:
        left = inside - np.clip(base(at), low, high)
        values = np.zeros((size, size, size, 3))
        for _ in range(2):  # Colours stand half a code beside their nodes.
            values[tuple(node.T)] += left - (_spline(values, top)(at) if values.any() else 0.0)
        bare = np.clip(base(unseen_at), low, high)
        if base is core:
            before = float(np.sqrt(np.mean((bare - unseen) ** 2)))
            after = EARNED * before
        for strength in STRENGTHS:
            spline = _spline(values, top, strength)
            found = np.clip(bare + spline(unseen_at), low, high)
            trial = float(np.sqrt(np.mean((found - unseen) ** 2)))
            if trial < after:
                after, extra = trial, True
                convert = _sum(base, spline, low, high, top)
    codes = 2.0**coded.bits - 1

    def covered(signal: FloatArray) -> NDArray[np.bool_]:
        place = np.clip(signal / top, 0.0, 1.0) * (size - 1)
        around: NDArray[np.bool_] = known[tuple(np.rint(place).astype(np.int64).T)]
        around &= (signal.min(axis=1) >= -1e-9) & (signal.max(axis=1) <= top + 1e-9)
        return around

    return Look(
        name=measurement.device,
        source=source,
        target=rgb_signal(coded),
        top=top,
        low=low,
        high=high,
        unseen=unseen_at,
        seen=unseen,
        residual=(
            f"lattice of {size}^3, {before * codes:.2f} to {after * codes:.2f} codes RMS"
            if extra
            else f"none needed, {before * codes:.2f} codes RMS"
        )
        + f" on {len(unseen)} colours beside the chart's lattice",
        step=code_step(measurement.tallies, measurement.capture.signal),
        _convert=convert,
        _covered=covered,
    )


def _from_content(
    measurement: Measurement, chain: Conversion, core: Map, source: Signal, coded: Signal
) -> Look:
    step = code_step(measurement.tallies, measurement.capture.signal)
    neutrals, colours = (
        as_ycbcr(found, measurement.capture.signal)
        for found in content_colours(measurement.tallies, measurement.source.signal)
    )
    neutrals = neutrals[np.argsort(neutrals.source[:, 0], kind="stable")]
    evidence = gather_evidence(
        colours, neutrals, measurement.luminance_curve, measurement.source.signal, coded, step=step
    )
    lattice = residual_lattice(evidence, chain)
    at, seen = _signals(colours, measurement, coded)
    low, high = _limits(seen)
    top = float(at.max())

    def convert(signal: FloatArray) -> FloatArray:
        ycbcr = chain.ycbcr_signal(light_of(signal, source), coded.matrix)
        codes = ycbcr_to_codes(ycbcr, coded.bits, coded.range)
        return coded.decode_rgb(codes + lattice(eotf_inverse_pq(light_of(signal, source))))

    def covered(signal: FloatArray) -> NDArray[np.bool_]:
        return lattice.coverage(eotf_inverse_pq(light_of(signal, source))) >= SUPPORTED

    return Look(
        name=measurement.device,
        source=source,
        target=rgb_signal(coded),
        top=top,
        low=low,
        high=high,
        unseen=at[evidence.held_out] if len(at) == len(evidence.held_out) else at,
        seen=seen[evidence.held_out] if len(at) == len(evidence.held_out) else seen,
        residual=f"lattice over content, {lattice.before:.2f} to {lattice.after:.2f} codes RMS",
        step=step,
        _convert=convert if lattice.after < lattice.before else core,
        _covered=covered,
    )


def _signals(
    colours: Colours, measurement: Measurement, coded: Signal
) -> tuple[FloatArray, FloatArray]:
    seen = as_ycbcr(colours, measurement.capture.signal)
    at = np.clip(measurement.source.signal.decode_rgb(colours.source), 0.0, 1.0)
    return at, coded.decode_rgb(seen.capture)


def _sum(base: Map, spline: Map, low: float, high: float, top: float) -> Map:
    return lambda signal: np.clip(base(signal), low, high) + spline(np.clip(signal, 0.0, top))


def _spline(values: FloatArray, top: float, strength: float = 0.0) -> NdBSpline:
    """Cubic spline near lattice values (n, n, n, 3) over 0..top, through them at strength 0.

    Closeness is traded for fewer bends axis by axis.
    """
    size = len(values)
    axis = np.linspace(0.0, top, size)
    knots = np.concatenate([[0.0] * 4, axis[2:-2], [top] * 4])
    bend = np.diff(np.eye(size), n=2, axis=0)
    smoother = np.eye(size) + strength * bend.T @ bend
    solve = np.linalg.inv(smoother @ BSpline.design_matrix(axis, knots, 3).toarray())
    for n in range(3):
        values = np.moveaxis(np.tensordot(solve, values, (1, n)), 0, n)
    return NdBSpline((knots, knots, knots), np.ascontiguousarray(values), 3)
