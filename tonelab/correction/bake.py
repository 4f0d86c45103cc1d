"""Baking a correction: the table, what its readers err by, and where not to trust it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from tonelab.correction.files import describe_coding, write_correction
from tonelab.correction.inverse import invert
from tonelab.correction.look import Look, learn_look, standard_look
from tonelab.correction.regions import AMPLIFIED, Doubt, doubts, gain
from tonelab.correction.table import READERS, SIZES, Interpolation, LookTable, lattice, thin
from tonelab.errors import UsageError
from tonelab.readings.colours import shown_light
from tonelab.results import Measurement, Viewable
from tonelab.signal.colorimetry import delta_e_itp, rgb_to_ycbcr, ycbcr_to_rgb
from tonelab.signal.quantisation import rgb_to_codes

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tonelab.signal.arrays import FloatArray, Mask
    from tonelab.signal.colorimetry import Matrix
    from tonelab.signal.description import Signal
    from tonelab.signal.quantisation import Range

CorrectionKind: TypeAlias = Literal["source-to-look", "device-to-device", "capture-to-source"]

CONTENT_PEAK = 1000.0  # cd/m2, of a source that states none
VARYING = ("local", "scene-dependent")


@dataclass(frozen=True, slots=True)
class PredictedError:
    """ΔE_ITP of a reader on chart colours that the lattice was not fitted to.

    ``floor`` is the mean that rounding to the codes of the capture alone causes.
    """

    reader: Interpolation
    mean: float
    median: float
    p95: float
    p99: float
    max: float
    floor: float
    count: int


@dataclass(frozen=True, slots=True, eq=False)
class Correction(Viewable):
    """A baked correction.

    Attributes
    ----------
    kind, name
        What it does, and between whom.
    input, output
        How its R'G'B' numbers are coded.
    table
        The numbers.
    masks
        By name, (n^3,): nodes that were not measured, that no single source gives, that the
        device cannot show, or that amplify more than four times.
    doubts
        The same by regions of colour, the largest first.
    errors
        Predicted, for each reader.
    notes
        What whoever applies the file must know.
    """

    kind: CorrectionKind
    name: str
    input: Signal
    output: Signal
    table: LookTable
    masks: Mapping[str, Mask]
    doubts: tuple[Doubt, ...]
    errors: tuple[PredictedError, ...]
    notes: tuple[str, ...]

    def lines(self) -> tuple[str, ...]:
        """Return the description that the file carries."""
        shares = ", ".join(f"{int(mask.sum())} {name}" for name, mask in self.masks.items())
        lines = [
            f"tonelab correction, {self.kind}: {self.name}",
            "Read it by tetrahedral interpolation",
        ]
        lines += [
            f"Predicted {error.reader} error: mean dE_ITP {error.mean:.2f}, p95 {error.p95:.2f}, "
            f"p99 {error.p99:.2f}, max {error.max:.1f} on {error.count} colours, floor "
            f"{error.floor:.2f}"
            for error in self.errors
        ]
        lines.append(f"Of {self.table.size**3} nodes: {shares}")
        return (*lines, *self.notes)

    def save(self, path: str | Path, *, overwrite: bool = False) -> float:
        """Write the file once independent readers agree; return their largest difference.

        Raises
        ------
        UsageError
            As `tonelab.correction.files.write_correction`, or when a correction over a part of
            its numbers is to become a cube.
        """
        path = Path(path)
        if path.suffix.lower() == ".cube" and (self.table.low, self.table.high) != (0.0, 1.0):
            raise UsageError(
                "A cube spans all numbers from 0 to 1: bake the correction with whole=True."
            )
        descriptors = {
            "InputDescriptor": describe_coding(self.input),
            "OutputDescriptor": describe_coding(self.output),
        }
        return write_correction(path, self.table, descriptors, self.lines(), overwrite=overwrite)


def correct(
    measurement: Measurement,
    *,
    toward: Measurement | str | None = None,
    size: int = 65,
    input_range: Range | None = None,
    output_range: Range | None = None,
    whole: bool = False,
    accept_average: bool = False,
) -> Correction:
    """Bake a correction from curve files alone.

    Parameters
    ----------
    measurement
        The device: its look when ``toward`` is None, else the device whose output is corrected.
    toward
        Another measurement or the name of a standard conversion, which the device's output is
        turned into; or ``"source"``, to undo the device.
    size
        Nodes along each component: 17, 33 or 65.
    input_range, output_range
        Ranges of the R'G'B' numbers, baked in; by default full, but narrow on a side where the
        device goes below black or beyond white, which full range cannot hold.
    whole
        Whether the table spans all numbers 0..1, as a cube must, and not only those measured.
    accept_average
        Whether to bake a device whose conversion varies with the picture; the file then carries
        the size of the error.

    Returns
    -------
    Correction
        Ready to save.

    Raises
    ------
    UsageError
        When a device varies, the sources differ, or an argument is unknown.
    """
    if size not in SIZES:
        raise UsageError(f"A lattice of {size} nodes is not offered: choose 17, 33 or 65.")
    notes = [*variation(measurement, accept_average=accept_average)]
    look = learn_look(measurement)
    if toward is None:
        return _source_to_look(look, size, input_range, output_range, notes, whole=whole)
    if toward == "source":
        return _from_capture(look, None, size, (input_range, output_range), notes, whole=whole)
    if isinstance(toward, Measurement):
        notes += variation(toward, accept_average=accept_average)
        target = learn_look(toward)
        _check_sources(look, target)
    else:
        peak = measurement.source.mastering_peak or CONTENT_PEAK
        target = standard_look(toward, measurement.source.signal, peak)
    return _from_capture(look, target, size, (input_range, output_range), notes, whole=whole)


def numbers_of(signal: FloatArray, coding: Signal) -> FloatArray:
    """Numbers of a file of R'G'B' signals, any shape: codes over the largest code of the depth."""
    codes = rgb_to_codes(signal, coding.bits, coding.range)
    return np.asarray(codes / (2.0**coding.bits - 1))


def signals_of(numbers: FloatArray, coding: Signal) -> FloatArray:
    """R'G'B' signals (..., 3) of numbers (..., 3) of a file, the inverse of `numbers_of`."""
    return coding.decode_rgb(np.asarray(numbers) * (2.0**coding.bits - 1))


def variation(measurement: Measurement, *, accept_average: bool) -> list[str]:
    """Say what baking a device that varies leaves out; refused unless ``accept_average``.

    Raises
    ------
    UsageError
        When it varies and its average is not accepted.
    """
    static = measurement.conversion.static
    if static not in VARYING:
        return []
    seen = [f for f in measurement.findings if f.id == "repeated-colours"]
    size = f"{seen[0].value:.1f} codes (p95)" if seen and seen[0].value else "an unknown amount"
    if not accept_average:
        raise UsageError(
            f"{measurement.device} is {static}: the same colours move by {size} with the picture, "
            "so no one correction holds; state --accept-average to bake the average."
        )
    return [f"AVERAGE of a {static} device: {measurement.device} moves by {size} with the picture"]


def _check_sources(first: Look, second: Look) -> None:
    one, two = first.source, second.source
    if (one.transfer, one.primaries) != (two.transfer, two.primaries):
        raise UsageError(
            f"{first.name} was shown {one.transfer} and {second.name} {two.transfer} sources, "
            "which share no colours: measure both with one chart."
        )


def _source_to_look(
    look: Look,
    size: int,
    input_range: Range | None,
    output_range: Range | None,
    notes: list[str],
    *,
    whole: bool,
) -> Correction:
    coding = _coding(look.source, input_range or "full")
    out = _coding(look.target, output_range or fitting_range(look))
    low, high = (0.0, 1.0) if whole else _ends(0.0, look.top, coding)
    signal = signals_of(lattice(low, high, size), coding)
    shown, best = _sampled(look, signal[0, 0], signal[-1, 0], size)
    table = _table(low, high, best, out)
    masks = {
        "not measured": ~look.covered(signal),
        AMPLIFIED: gain(shown, signal, size) > 4,
    }
    notes = [*notes, f"Residual: {look.residual}", _outside(look, whole=whole), *_cut(look, out)]
    errors = tuple(
        _errors(table, coding, out, look.unseen, look.seen, look.step, r) for r in READERS
    )
    return Correction(
        "source-to-look", look.name, coding, out, table, masks,
        doubts(masks, np.clip(signal, 0, 1)), errors, tuple(notes),
    )  # fmt: skip


def _sampled(look: Look, low: float, high: float, size: int) -> tuple[FloatArray, FloatArray]:
    """Output signals at nodes, and those that read best; the same where many nodes read well."""
    if 2 * size - 1 > max(SIZES):
        shown = look.cube(low, high, size)
        return shown, shown
    fine = look.cube(low, high, 2 * size - 1).reshape(*(2 * size - 1,) * 3, 3)
    best = np.clip(thin(fine), look.low, look.high)
    return fine[::2, ::2, ::2].reshape(-1, 3), best.reshape(-1, 3)


def _from_capture(
    look: Look,
    target: Look | None,
    size: int,
    ranges: tuple[Range | None, Range | None],
    notes: list[str],
    *,
    whole: bool,
) -> Correction:
    coding = _coding(look.target, ranges[0] or fitting_range(look))
    if target is None:
        out = _coding(look.source, ranges[1] or "full")
    else:
        out = _coding(target.target, ranges[1] or fitting_range(target))
    low, high = (0.0, 1.0) if whole else _ends(look.low, look.high, coding)
    signal = signals_of(lattice(low, high, size), coding)
    found = invert(look, signal)
    shown = found.source if target is None else target(found.source)
    table = _table(low, high, shown, out)
    covered = look.covered(found.source)
    if target is not None:
        covered &= target.covered(found.source)
    masks = {
        "not measured": ~covered,
        "not invertible": ~found.single,
        "out of the device's reach": ~found.reached,
        AMPLIFIED: gain(shown, signal, size) > 4,
    }
    name = f"{look.name} -> {'its source' if target is None else target.name}"
    notes = [*notes, f"Residual: {look.residual}"]
    notes.append(
        "Colours on a clip take their darkest source, those out of reach the nearest within it: "
        "what a device clipped cannot be recovered"
    )
    clean = ~np.any([m.reshape((size,) * 3) for m in masks.values()], axis=0)
    place = np.rint(table.place(numbers_of(look.seen, coding))).astype(np.int64)
    sound = clean[tuple(place.T)] if len(place) else np.zeros(0, np.bool_)
    at = look.unseen[sound]
    wanted = at if target is None else _shown_by(target, look, sound)
    errors = tuple(
        _errors(table, coding, out, look.seen[sound], wanted, look.step, reader)
        for reader in READERS
    )
    return Correction(
        "capture-to-source" if target is None else "device-to-device", name, coding, out, table,
        masks, doubts(masks, np.clip(signal, 0, 1)), errors, tuple(notes),
    )  # fmt: skip


def _shown_by(target: Look, look: Look, rows: Mask) -> FloatArray:
    """Return what the target shows: as measured where both saw the same colours."""
    same = target.unseen.shape == look.unseen.shape and np.allclose(
        target.unseen, look.unseen, atol=1e-3
    )
    return target.seen[rows] if same else target(look.unseen[rows])


def fitting_range(look: Look) -> Range:
    """Range whose numbers hold all that a device puts out: full where that is 0 to 1."""
    return "narrow" if look.low < 0 or look.high > 1 else "full"


def _coding(signal: Signal, range_: Range) -> Signal:
    return replace(signal, range=range_)


def _ends(low: float, high: float, coding: Signal) -> tuple[float, float]:
    ends = numbers_of(np.array([low, high]), coding)
    return max(float(ends[0]), 0.0), min(float(ends[1]), 1.0)


def _table(low: float, high: float, shown: FloatArray, out: Signal) -> LookTable:
    size = round(len(shown) ** (1 / 3))
    numbers = np.clip(numbers_of(shown, out), 0.0, 1.0)
    return LookTable(low, high, numbers.reshape(size, size, size, 3))


def _cut(look: Look, out: Signal) -> list[str]:
    if fitting_range(look) == "full":
        return []
    seen = f"The device puts out signals from {look.low:.2f} to {look.high:.2f}"
    if out.range == "narrow":
        return [f"{seen}: its numbers are of narrow range, which holds them"]
    return [f"{seen}: full-range numbers end at 0 and 1, narrow-range ones hold more"]


def _outside(look: Look, *, whole: bool) -> str:
    light = float(
        look.source.decode_light(
            rgb_to_codes(np.full((1, 3), look.top), look.source.bits, look.source.range)
        )[0, 1]
    )
    if whole:
        return f"Colours above {light:.0f} cd/m2 were not measured: continued, not known"
    return f"Components above {light:.0f} cd/m2 were not measured and are taken as it"


def _errors(
    table: LookTable,
    coding: Signal,
    out: Signal,
    at: FloatArray,
    wanted: FloatArray,
    step: float,
    reader: Interpolation,
) -> PredictedError:
    if not len(at):
        nan = float("nan")
        return PredictedError(reader, nan, nan, nan, nan, nan, nan, 0)
    given = signals_of(table.read(numbers_of(at, coding), reader), out)
    expected = _light(wanted, out)
    error = delta_e_itp(expected, _light(given, out))
    matrix: Matrix = "bt2020" if out.is_hdr else "bt709"
    span = step / 2.0**out.bits
    moved = rgb_to_ycbcr(wanted, matrix)
    moved = moved + span * np.random.default_rng(2124).uniform(-0.5, 0.5, moved.shape)
    floor = delta_e_itp(expected, _light(ycbcr_to_rgb(moved, matrix), out))
    low, high = np.percentile(error, (95, 99))
    return PredictedError(
        reader, float(error.mean()), float(np.median(error)), float(low), float(high),
        float(error.max()), float(floor.mean()), len(at),
    )  # fmt: skip


def _light(signal: FloatArray, coding: Signal) -> FloatArray:
    return shown_light(rgb_to_codes(signal, coding.bits, coding.range), coding)
