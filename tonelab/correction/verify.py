"""Proving a correction on a pair that it was not fitted to."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from tonelab.correction.applying import CURVE_SUFFIX, find_look, tabulate
from tonelab.correction.files import read_descriptors
from tonelab.correction.picture import codes_of, noise_tile
from tonelab.errors import UsageError
from tonelab.media import open_clip
from tonelab.media.clip import Frame
from tonelab.pairing import pair
from tonelab.pairing.pair import pair_captures
from tonelab.readings.colours import shown_light
from tonelab.readings.samples import colour_samples
from tonelab.results import Viewable
from tonelab.signal.colorimetry import delta_e_itp

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from tonelab.correction.applying import Applied
    from tonelab.correction.look import Look
    from tonelab.correction.table import Interpolation
    from tonelab.pairing import Pair
    from tonelab.readings.samples import Block
    from tonelab.results.progress import StageProgress
    from tonelab.signal.arrays import FloatArray
    from tonelab.signal.description import Signal

_BIN = 0.01  # ΔE_ITP
_BINS = 20_000
_CLEAR = 0.02  # of the signal from black and white, where a roll-off may be flat already
_GREY = 0.03  # of luminance, by which the components of a grey may lie apart
_LUMINANCE = np.array([0.2627, 0.6780, 0.0593])  # BT.2020-2


@dataclass(frozen=True, slots=True)
class Verification(Viewable):
    """Distance of a corrected clip from a capture, on the capture's display.

    ΔE_ITP as in `tonelab.results.Score`; ``floor`` is the mean that rounding to the codes of the
    capture causes, with what smaller chroma costs on content whose chroma was interpolated (see
    `tonelab.correction.picture`), so that 1 floor is as good as an exact formula; where a capture
    is corrected that of its own codes too, as the correction spreads it; ``luminance_error`` is
    over the captured greys, None where there are
    none, ``codes_rms`` is over Y', Cb and Cr, ``count`` colours or places. Where a capture is
    corrected, ``unclipped_mean``, its floor and its count are of those that lie clear of black
    and white in R, G and B: what a device has clipped, no correction recovers.
    """

    reader: str
    mean: float
    median: float
    p95: float
    p99: float
    max: float
    floor: float
    luminance_error: float | None
    codes_rms: float
    count: int
    what: str
    frames: int
    display: str
    unclipped_mean: float | None = None
    unclipped_floor: float | None = None
    unclipped_count: int = 0


class _Sums:
    """Distances, added up without being kept."""

    def __init__(self) -> None:
        self.histogram = np.zeros(_BINS, np.int64)
        self.total = self.floor = self.squares = self.worst = 0.0
        self.rendered = self.resampled = 0.0
        self.greys, self.grey_error = 0, 0.0
        self.unclipped, self.unclipped_total, self.unclipped_floor = 0, 0.0, 0.0

    def add_rendered(self, distance: FloatArray, floor: FloatArray) -> None:
        """Add how far rendered colours are from the capture, and from their own formula (N,)."""
        self.rendered += float(distance.sum())
        self.resampled += float(floor.sum())

    @property
    def least(self) -> float:
        """Sum of what an exact formula leaves.

        Where the capture is nearer to what was rendered, its chroma was interpolated as that was,
        and so much does it cost; else it took its chroma from the nearest samples.
        """
        return self.resampled if 0 < self.rendered < self.total else self.floor

    def add_greys(self, expected: FloatArray, given: FloatArray, peak: float) -> None:
        """Add the relative errors of luminance where the capture is grey; light (N, 3)."""
        wanted, seen = expected @ _LUMINANCE, given @ _LUMINANCE
        grey = (wanted > 0.01 * peak) & (np.ptp(expected, axis=1) < _GREY * wanted)
        self.greys += int(grey.sum())
        self.grey_error += float(np.abs(seen[grey] / wanted[grey] - 1).sum())

    def add_unclipped(self, distance: FloatArray, floor: FloatArray, signal: FloatArray) -> None:
        """Add the distances (N,) where R'G'B' signals (N, 3) keep clear of black and white."""
        rows = np.all((signal > _CLEAR) & (signal < 1 - _CLEAR), axis=1)
        self.unclipped += int(rows.sum())
        self.unclipped_total += float(distance[rows].sum())
        self.unclipped_floor += float(floor[rows].sum())

    def add(self, distance: FloatArray, floor: FloatArray, codes: FloatArray) -> None:
        index = np.minimum((distance / _BIN).astype(np.int64), _BINS - 1)
        self.histogram += np.bincount(index, minlength=_BINS)
        self.total += float(distance.sum())
        self.floor += float(floor.sum())
        self.squares += float((codes**2).sum())
        self.worst = max(self.worst, float(distance.max(initial=0.0)))

    def percentile(self, share: float) -> float:
        below = np.cumsum(self.histogram)
        place = int(np.searchsorted(below, share * below[-1]))
        return min((place + 0.5) * _BIN, self.worst)


def verify(
    look: str | Path,
    source: str | Path,
    capture: str | Path,
    *,
    reader: Interpolation = "tetrahedral",
    source_signal: Mapping[str, Any] | None = None,
    capture_signal: Mapping[str, Any] | None = None,
    progress: StageProgress | None = None,
    workers: int = 2,
) -> Verification:
    """Apply a correction file to ``source`` and compare the result with ``capture``.

    Parameters
    ----------
    look
        A curve file, whose exact formula is taken; or a ``.clf`` or ``.cube``: what it does not
        say about its numbers is taken to be full-range R'G'B' from the source's transfer to BT.709
        for a BT.1886 display.
    source
        What the correction is applied to: the HDR source, or a device's capture.
    capture
        What should come out, of the same content.
    reader
        Interpolation of a cube; a CLF states its own.
    source_signal, capture_signal
        Stated fields; they win over what the files say.
    progress
        Called with (stage, done, total).
    workers
        Threads for decoding and tallying.

    Raises
    ------
    UsageError, ClipError, ChartError, PairingError
        One sentence each.
    """
    path = Path(look)
    measured = path.suffix.lower() == CURVE_SUFFIX
    said_in = None if measured else read_descriptors(path)[0]
    hdr = said_in is None or said_in.is_hdr
    report = progress or (lambda _stage, _done, _total: None)
    with (
        open_clip(source, stated=source_signal or {}) as first,
        open_clip(capture, stated=capture_signal or {}) as second,
    ):
        report("pairing", 0, 1)
        paired = pair(first, second) if hdr else pair_captures(first, second)
        report("pairing", 1, 1)
        sums = _Sums()
        found = partial(find_look, path, peak=None, accept_average=True, reader=reader)
        samples = colour_samples(
            paired,
            hdr=hdr,
            workers=workers,
            progress=report,
            renderer=partial(_renderer, found, paired) if hdr else None,
        )
        look_ = found(samples.source).look
        for block in samples.blocks:
            _add_block(sums, look_, block, samples.source, samples.capture, hdr=hdr)
        recorded, frames = samples.capture, len(paired.matches)
    count = int(sums.histogram.sum())
    if not count:
        raise UsageError(f"{source} and {capture} share no flat colour to verify {path.name} on.")
    return Verification(
        reader="exact formula" if measured else reader,
        mean=sums.total / count,
        median=sums.percentile(0.5),
        p95=sums.percentile(0.95),
        p99=sums.percentile(0.99),
        max=sums.worst,
        floor=sums.least / count,
        luminance_error=100 * sums.grey_error / sums.greys if sums.greys else None,
        codes_rms=float(np.sqrt(sums.squares / (3 * count))),
        count=count,
        what=samples.what,
        frames=frames,
        display=recorded.describe(),
        unclipped_mean=sums.unclipped_total / sums.unclipped if sums.unclipped else None,
        unclipped_floor=sums.unclipped_floor / sums.unclipped if sums.unclipped else None,
        unclipped_count=sums.unclipped,
    )


def _renderer(
    found: Callable[[Signal], Applied], paired: Pair, played: Signal, recorded: Signal
) -> Callable[[Frame], Frame]:
    """Return what renders a frame as the capture holds it, rounded and its chroma resampled."""
    raster = tabulate(found(played), played, recorded)
    sampling = paired.source.subsampling, paired.capture.subsampling
    noise = noise_tile(dither=False)

    def render(frame: Frame) -> Frame:
        return Frame(frame.index, raster.planes(frame.planes, sampling, noise)[0])

    return render


def _add_block(
    sums: _Sums, look: Look, block: Block, played: Signal, recorded: Signal, *, hdr: bool
) -> None:
    """Add what a look leaves on some colours, and what it cannot but leave."""
    seen, step = block.capture, block.step
    signal = played.decode_rgb(block.source)
    codes = codes_of(look(signal), recorded)
    expected, light = shown_light(seen, recorded), shown_light(codes, recorded)
    # Rounded itself, for a clip of the device leaves nothing to round.
    whole = np.floor(codes / step + 0.5) * step
    floor = delta_e_itp(light, shown_light(whole, recorded))
    if block.rendered is not None:
        rounded = shown_light(np.floor(block.rendered / step + 0.5) * step, recorded)
        sums.add_rendered(delta_e_itp(expected, rounded), delta_e_itp(light, rounded))
    sums.add_greys(expected, light, recorded.peak)
    distance = delta_e_itp(expected, light)
    if not hdr:
        jitter = np.random.default_rng(2124).uniform(-0.5, 0.5, seen.shape)
        moved = codes_of(look(played.decode_rgb(block.source + jitter)), recorded)
        floor = np.hypot(floor, delta_e_itp(light, shown_light(moved, recorded)))
        sums.add_unclipped(distance, floor, signal)
    sums.add(distance, floor, codes - seen)
