"""What a clip or an array becomes when a device, a standard conversion or a table is applied."""

from __future__ import annotations

from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from tonelab.conversion.standards import STANDARDS
from tonelab.correction.bake import CONTENT_PEAK, fitting_range, numbers_of, signals_of, variation
from tonelab.correction.files import SUFFIXES, lattice_of, open_reader, read_descriptors
from tonelab.correction.look import Look, learn_look, rgb_signal, standard_look
from tonelab.correction.picture import Raster
from tonelab.curvefile import load
from tonelab.errors import UsageError
from tonelab.results import Measurement
from tonelab.signal.description import Signal

if TYPE_CHECKING:
    from tonelab.correction.table import Interpolation
    from tonelab.signal.arrays import FloatArray
    from tonelab.signal.quantisation import Range

PQ_RGB = Signal(matrix="rgb", range="full", transfer="pq", primaries="bt2020")
_NODES = 129  # of the largest table that is made
_FINE = 64  # cells of a table over the colours that were measured
CURVE_SUFFIX = ".h5"


@dataclass(frozen=True, slots=True, eq=False)
class Applied:
    """A look with what is to be said of it, and the lattice that holds it.

    Attributes
    ----------
    look
        As a function of R'G'B' signals.
    lattice
        Signals of the first and the last node, and nodes along each component.
    notes
        What whoever sees the result must know.
    """

    look: Look
    lattice: tuple[float, float, int]
    notes: tuple[str, ...]


def apply_array(
    what: Measurement | str | Path,
    rgb: FloatArray,
    *,
    source: Signal = PQ_RGB,
    peak: float | None = None,
    accept_average: bool = False,
) -> FloatArray:
    """R'G'B' that a device makes of R'G'B', by its exact formula.

    Parameters
    ----------
    what
        A measurement or its curve file, the name of a standard conversion, or a ``.clf`` or
        ``.cube``.
    rgb
        Shape (..., 3), R'G'B' signals from 0 (black) to 1: with PQ, of 10000 cd/m2.
    source
        How they are coded: transfer function and primaries.
    peak
        Mastering peak in cd/m2, which standard conversions take; 1000 unless stated.
    accept_average
        Whether the average will do of a device that varies with the picture.

    Returns
    -------
    ndarray
        Shape (..., 3), R'G'B' signals of the output, 1 being nominal white; beyond 0..1 where the
        device goes beyond.

    Raises
    ------
    UsageError
        When there is no such device, it varies, or it takes other signals.
    """
    given = np.asarray(rgb, np.float64)
    if given.shape[-1:] != (3,):
        raise UsageError(f"R', G' and B' are three, not an array of the shape {given.shape}.")
    if not np.isfinite(given).all():
        raise UsageError("The array holds values that are no numbers: leave them out.")
    found = find_look(what, source, peak=peak, accept_average=accept_average)
    return found.look(given.reshape(-1, 3)).reshape(given.shape)


def find_look(
    what: Measurement | str | Path,
    source: Signal,
    *,
    peak: float | None,
    accept_average: bool,
    reader: Interpolation = "tetrahedral",
) -> Applied:
    """Find what is to be applied to sources of a kind; parameters as of `apply_array`.

    ``reader`` is the interpolation of a cube; a CLF states its own.

    Raises
    ------
    UsageError
        As `apply_array`.
    """
    if isinstance(what, Measurement):
        return _measured(what, source, accept_average=accept_average)
    if str(what) in STANDARDS:
        _check_hdr(str(what), source)
        look = standard_look(str(what), source, peak or CONTENT_PEAK)
        return Applied(look, _lattice(look), (f"Made for a mastering peak of {look_peak(peak)}",))
    path = Path(what)
    if path.suffix.lower() == CURVE_SUFFIX:
        return _measured(load(path), source, accept_average=accept_average)
    if path.suffix.lower() in SUFFIXES:
        return _from_file(path, source, reader)
    near = get_close_matches(str(what), STANDARDS, 1)
    mend = f"did you mean {near[0]}" if near else f"standards are {', '.join(STANDARDS)}"
    raise UsageError(
        f"{what} is no curve file (.h5), no correction (.clf, .cube) and no standard conversion: "
        f"{mend}?"
    )


def look_peak(peak: float | None) -> str:
    """Say which mastering peak is taken, and whether it was assumed."""
    return f"{peak:g} cd/m2" if peak else f"{CONTENT_PEAK:g} cd/m2, assumed: the clip states none"


def tabulate(found: Applied, source: Signal, target: Signal) -> Raster:
    """Lay a look on a lattice that turns the codes of a source into those of a target."""
    low, high, size = found.lattice
    values = found.look.cube(low, high, size)
    return Raster.of(values, (low, high), found.look.top, source, target)


def output_coding(look: Look, bits: int, range_: Range | None, *, rgb: bool) -> Signal:
    """Return how the output is coded: as the device puts it out, unless a range is stated.

    R'G'B' is of full range where the device stays within black and white.
    """
    own = fitting_range(look) if rgb else look.target.range
    matrix = "rgb" if rgb else look.target.coding_matrix
    return replace(
        look.target, matrix=matrix, range=range_ or own, bits=bits, siting="left", origins={}
    )


def _measured(measurement: Measurement, source: Signal, *, accept_average: bool) -> Applied:
    notes = variation(measurement, accept_average=accept_average)
    look = learn_look(measurement)
    _check_alike(look.name, look.source, source)
    return Applied(look, _lattice(look), (*notes, f"Residual: {look.residual}"))


def _from_file(path: Path, source: Signal, reader: Interpolation) -> Applied:
    apply = open_reader(path, reader)
    said, told = read_descriptors(path)
    coding = said or replace(rgb_signal(source), range="full")
    out = told or Signal(matrix="rgb", range="full")
    _check_alike(path.name, coding, source)
    low, high, size = lattice_of(path) or (0.0, 1.0, _NODES)
    nodes, ends = (signals_of(np.array(two), coding) for two in ((low, high), (0.0, 1.0)))
    limits = signals_of(np.array([0.0, 1.0]), out)
    notes = [] if said else ["It does not say what it takes: full-range R'G'B' of the clip's kind"]
    notes += [] if told else ["It does not say what it gives: full-range R'G'B' of BT.709"]
    look = Look(
        name=path.name,
        source=rgb_signal(source),
        target=out,
        top=float(nodes[1]),
        low=float(limits[0]),
        high=float(limits[1]),
        unseen=np.zeros((0, 3)),
        seen=np.zeros((0, 3)),
        residual="none: read from a file",
        step=1.0,
        _convert=lambda signal: signals_of(apply(numbers_of(signal, coding)), out),
        _covered=lambda signal: np.ones(len(signal), np.bool_),
        ends=(float(ends[0]), float(ends[1])),
    )
    return Applied(look, (float(nodes[0]), float(nodes[1]), size), tuple(notes))


def _lattice(look: Look) -> tuple[float, float, int]:
    """Nodes over all signals, as close as 65 of them over those that were measured."""
    return 0.0, 1.0, min(int(np.ceil(_FINE / look.top)) + 1, _NODES)


def _check_alike(name: str, taken: Signal, source: Signal) -> None:
    if taken.is_hdr:
        _check_hdr(name, source)
    kinds = (taken.transfer, taken.primaries), (source.transfer, source.primaries)
    if kinds[0] != kinds[1]:
        raise UsageError(
            f"{name} takes {' of '.join(kinds[0])} and the clip is {' of '.join(kinds[1])}: give "
            "a clip of the kind that it was made for, or state how it is read "
            "(--source-signal)."
        )


def _check_hdr(name: str, source: Signal) -> None:
    if not source.is_hdr:
        raise UsageError(
            f"{name} takes HDR and the clip is SDR ({source.transfer}): give an HDR clip, or state "
            "its transfer (--source-signal transfer=pq)."
        )
