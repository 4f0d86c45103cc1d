"""What the checks look at: the colours of a pair, its codes, and the tables of its pixels.

All colours are brought to 10-bit narrow codes less black and neutral: (Y' - 64, Cb - 512,
Cr - 512), so that the checks of a 12-bit and an 8-bit capture read the same.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property, partial, wraps
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from tonelab.chart import COLOURED, Group
from tonelab.checks.coarse import CoarseStage, are_repeated, ratio_by_digits, stage_before_all
from tonelab.checks.converted import ConvertedClip
from tonelab.checks.covers import Cover, find_cover
from tonelab.checks.explain import AS_SENT, Explanation, explain
from tonelab.checks.samples import (
    LEAST_PIXELS,
    Samples,
    after_stage,
    common_step,
    is_straight,
    nominal,
    none,
    of_curve,
    of_luma,
    of_scaled,
)
from tonelab.checks.surroundings import Drift, find_drift
from tonelab.pixels.before_filters import codes_before_scaling
from tonelab.pixels.bursts import bursts
from tonelab.pixels.rescaled import KNOWN, identify_scaling
from tonelab.pixels.run import tally_pixels
from tonelab.readings.colours import as_ycbcr, gather, gather_cells, gather_tones
from tonelab.signal.quantisation import ORIGIN

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from tonelab.chart import Layout
    from tonelab.media import Clip
    from tonelab.pairing import Pair
    from tonelab.pairing.identity import Identity
    from tonelab.pixels.before_filters import CodesBefore
    from tonelab.pixels.rescaled import Scaling
    from tonelab.pixels.tables import PixelTables
    from tonelab.readings.colours import Colours
    from tonelab.results import Finding, PairingFacts, Tallies
    from tonelab.signal.arrays import FloatArray, IntArray
    from tonelab.signal.description import Signal
    from tonelab.tallies.workers import Workers

_T = TypeVar("_T")
STRONG_CHROMA = 24.0  # codes; below, rounding decides the hue
LEAST_COLOURS = 48  # coloured samples
LEAK_LIMIT = 0.005  # luma codes for each chroma code
CLEAR_VARIANCE = 1.0  # squared codes; below, a captured code depends on its source code alone
_LEAST_GREYS = 8
_STRAIGHT = 3.0  # codes RMS by which a pass-through may leave a straight line on neutrals
_STRAIGHT_AS_DECLARED = 40.0  # the same, where both sides declare one transfer
_DITHERED = 0.3  # code steps of noise in flat areas; dither that carries a mean has 0.4
_STILL = 0.02  # squared codes
_EXPLAINED = 0.5  # share of a spread
_RESERVED, _SINGLE = [0, 1, 2, 3, 1020, 1021, 1022, 1023], 0.05  # codes; share of samples
_NEARLY_GREY = 3  # codes of chroma
_MOSTLY = 0.75  # share of codes
_FEWER = 2  # every so many bursts are read again
_BENT = 0.3  # codes RMS about a line
_SPREAD = 150.0  # codes of luma over which colours other than neutrals show a straight line


def kept(function: Callable[[PathEvidence], _T]) -> Callable[[PathEvidence], _T]:
    """Work out once for an evidence what several checks ask of it."""

    @wraps(function)
    def known(evidence: PathEvidence) -> _T:
        results: dict[str, _T] = evidence.__dict__.setdefault("_answers", {})
        name = function.__qualname__
        if name not in results:
            results[name] = function(evidence)
        return results[name]

    return known


@dataclass(frozen=True)
class PathEvidence:
    """Everything a check may ask.

    Attributes
    ----------
    source, capture
        How both sides are read.
    layout
        Of the chart, None for other content.
    tallies
        Of flat places in some bursts of frames, or of the whole pair.
    paths
        Tables of co-registered pixels; None before a measurement, where only tallies are at hand.
    clips
        Source and capture, for what stands in the files themselves; None where they are gone.
    pair
        Both registered, where their pictures may be read once more; R'G'B' as Y'CbCr.
    recorded
        The pair as it was recorded, and how its source is read.
    pairing
        The registration in figures, and what it found.
    known
        What explains the colours, where that was found before.
    workers
        On which pictures are read once more, see `tonelab.pixels.run.tally_pixels`.
    declared
        Fields of the capture's signal that the output declared on the wire, as a person read them.
    """

    source: Signal
    capture: Signal
    layout: Layout | None = None
    tallies: Tallies | None = None
    paths: PixelTables | None = None
    clips: tuple[Clip, Clip] | None = None
    pair: Pair | None = None
    recorded: tuple[Pair, Signal] | None = None
    pairing: PairingFacts | None = None
    findings: tuple[Finding, ...] = ()
    known: Explanation | None = None
    workers: Workers = 1
    declared: Mapping[str, Any] = field(default_factory=dict)

    def of(self, *groups: int) -> Samples:
        """Colours of some groups of chart patches, one row per patch; none without a chart.

        What surroundings add to luma is taken off; patches are left out that it drives beyond the
        ends of the codes.
        """
        samples = self.as_captured(*groups)
        if self.drift is None or not len(samples):
            return samples
        samples = samples[self.drift.within[samples.patch]]
        capture = samples.capture.copy()
        capture[:, 0] -= self.drift.codes[samples.patch]
        return replace(samples, capture=capture)

    def as_captured(self, *groups: int) -> Samples:
        """Return the same colours as they were captured, with what surroundings add to them."""
        if self.layout is None or self.in_view is None:
            return none()
        return self._samples(gather(self.in_view, self.layout, *groups, merge=False))

    @cached_property
    def _first_explanation(self) -> Explanation:
        """What explains the chart's colours, covered, and with what surroundings add."""
        assert self.layout is not None
        assert self.tallies is not None
        seen = gather(self.tallies, self.layout, Group.NEUTRAL, *COLOURED, merge=False)
        return explain(nominal(self._samples(seen)), self.source, self.code_step)

    @cached_property
    def cover(self) -> Cover | None:
        """What stands still over the chart, if anything does."""
        if self.layout is None or self.tallies is None:
            return None
        seen = self._samples(gather(self.tallies, self.layout, merge=False))
        return find_cover(self.layout, seen, self._first_explanation) if len(seen) else None

    @cached_property
    def in_view(self) -> Tallies | None:
        """The tallies without the patches of a chart that something covers."""
        if self.tallies is None or self.cover is None:
            return self.tallies
        tables = dict(self.tallies.tables)
        for name in ("patch_count_source", "patch_count_capture"):
            tables[name] = np.where(self.cover.patches[:, None], 0, tables[name])
        return replace(self.tallies, tables=tables)

    @cached_property
    def drift(self) -> Drift | None:
        """What surroundings add to the luma of each patch of the chart, if they add any."""
        seen = self.as_captured()
        if self.layout is None or not len(seen):
            return None
        found = self._first_explanation
        if self.cover is not None:
            clear = self.as_captured(Group.NEUTRAL, *COLOURED)
            found = explain(nominal(clear), self.source, self.code_step)
        return find_drift(self.layout, seen, found)

    def predict(self, samples: Samples) -> FloatArray:
        """Centred codes (N, 3) predicted for colours of `as_captured`, without clipping."""
        there = self.explanation.predict(samples.source)
        if self.drift is not None:
            there[:, 0] += self.drift.codes[samples.patch]
        return there

    @cached_property
    def neutrals(self) -> Samples:
        """Greys of the chart; of other content its flat places close to neutral, by luma code."""
        if self.layout is not None:
            return self.of(Group.NEUTRAL)
        return none() if self.tallies is None else self._samples(gather_tones(self.tallies))

    @cached_property
    def tones(self) -> Samples:
        """Luma of the capture by luma of the source, chroma left at zero where it is not used.

        Of the chart its greys; of other content all pixels that are co-registered, by source code.
        """
        if self.layout is not None or self.paths is None:
            return self.neutrals
        if self.before_scaling is not None:
            return of_curve(self.before_scaling[0])
        joint, codes = self.paths.joint[0].copy(), np.arange(1024.0)
        # Single samples at reserved codes are another fault.
        single = joint[:, _RESERVED].sum(axis=1) < _SINGLE * joint.sum(axis=1)
        joint[np.ix_(single, _RESERVED)] = 0
        count = joint.sum(axis=1)
        rows = np.flatnonzero(count >= LEAST_PIXELS)
        if len(rows) < _LEAST_GREYS:
            return self.neutrals
        mean = joint[rows] @ codes / count[rows]
        variance = joint[rows] @ codes**2 / count[rows] - mean**2
        joint = of_luma(rows, mean, variance, count[rows])
        if self.leak <= LEAK_LIMIT:
            return joint
        if self.explanation.gamut is not None or not len(self.paths.samples):
            return self.neutrals
        spread = float(np.median(variance))
        known = self.explanation.matrices is not None
        if not known and spread <= CLEAR_VARIANCE:
            return joint
        leak = self.explanation.linear[0, 1:]
        flat = self.paths.samples
        alone, mixed = (self._of_samples(flat, codes) for codes in (leak, 0 * leak))
        # A leak that was fitted where there is none, as with a bend, explains no spread.
        before, after = (np.median(tones.variance[:, 0]) for tones in (mixed, alone))
        return alone if known or after < _EXPLAINED * before else joint

    @cached_property
    def before_scaling(self) -> tuple[CodesBefore, ...] | None:
        """What became of the codes before the picture was scaled, if that bent luma."""
        if self.layout is not None or self.pair is None or not self.rescaled:
            return None
        assert self.paths is not None
        if not self.scaler_is_known:
            return None
        found = codes_before_scaling(self.pair, bursts(self.pair), self.scaler.name)
        joint = self.paths.joint[0]
        count = np.maximum(joint.sum(axis=1), 1)
        mean, square = (joint @ np.arange(1024.0) ** n / count for n in (1, 2))
        # What the same codes would leave had they been bent after the scaler.
        after = float(np.sqrt(np.average(square - mean**2, weights=count)))
        luma = found[0]
        bent = luma.straight**2 - luma.left**2
        return found if bent > _BENT**2 and luma.left < after else None

    @cached_property
    def scaler(self) -> Scaling:
        """How the picture was scaled."""
        assert self.paths is not None
        return identify_scaling(self.paths.resampled, self.paths.resampled_chroma)

    @property
    def scaler_is_known(self) -> bool:
        """Whether no other filter would take much off what that of the scaler leaves."""
        how = self.scaler
        return (how.left if any(how.detail) else how.filtered) < KNOWN

    @property
    def greys_of_samples(self) -> Samples:
        """Luma by source code of greys; of pictures that were converted, of all flat grey chroma.

        A conversion makes of colours what it does not make of greys.
        """
        if self.layout is not None or self.paths is None:
            return self.neutrals
        chroma = self.paths.samples[:, 2:4] - ORIGIN[1:]
        grey = self.paths.samples[np.abs(chroma).max(axis=1) <= _NEARLY_GREY]
        return max(self._of_samples(grey, np.zeros(2)), self.neutrals, key=len)

    def _of_samples(self, table: IntArray, leak: FloatArray) -> Samples:
        """Luma over flat chroma, by source code, less what each code of Cb and Cr adds to it."""
        _, luma, *chroma, seen, count = table.T
        alone = seen - leak @ (np.stack(chroma) - ORIGIN[1:, None])
        total = np.bincount(luma, count, 1024)
        rows = np.flatnonzero(total >= LEAST_PIXELS)
        if len(rows) < _LEAST_GREYS:
            return self.neutrals
        sums = [np.bincount(luma, count * alone**n, 1024)[rows] for n in (1, 2)]
        mean, square = (part / total[rows] for part in sums)
        return of_luma(rows, mean, square - mean**2, total[rows].astype(np.int64))

    @property
    def clear(self) -> bool:
        """Whether a captured luma code depends on its source code alone, not on detail or noise.

        Patches of the chart are flat; pixels of other content have neighbours.
        """
        variance = self.tones.variance[:, 0]
        if self.layout is not None or not len(variance):
            return self.layout is not None
        return bool(np.median(variance) < CLEAR_VARIANCE)

    @cached_property
    def leak(self) -> float:
        """Luma codes that leak in for each chroma code."""
        return float(np.abs(self.explanation.linear[0, 1:]).max())

    @property
    def coupled(self) -> bool:
        """Whether captured luma depends on chroma too."""
        return self.leak > LEAK_LIMIT or self.explanation.gamut is not None

    @cached_property
    def colours(self) -> Samples:
        """Colours within the nominal range of the source."""
        if self.layout is not None:
            samples = self.of(Group.NEUTRAL, *COLOURED)
        elif self.tallies is None:
            return none()
        else:
            samples = self._samples(gather_cells(self.tallies))
            strong = np.hypot(samples.source[:, 1], samples.source[:, 2]) > STRONG_CHROMA
            if self.stage is not None:
                samples = after_stage(self.stage, self.sites)
            elif (self.resampled or strong.sum() < LEAST_COLOURS) and self.paths is not None:
                samples = max(samples, of_scaled(self.paths.predicted), key=len)
        return nominal(samples)

    def _samples(self, colours: Colours) -> Samples:
        seen = as_ycbcr(colours, self.capture)
        a, b = 2.0 ** (10 - self.source.bits), 2.0 ** (10 - self.capture.bits)
        return Samples(
            source=seen.source * a - ORIGIN,
            capture=seen.capture * b - ORIGIN,
            variance=seen.variance * b**2,
            count=seen.count[:, 0],
            # Neighbouring cells of content are neighbouring colours, whose errors go together.
            cluster=seen.page if self.layout is not None else np.arange(len(seen)) // 16,
            patch=seen.patch,
        )

    @cached_property
    def sites(self) -> Samples:
        """Colours of pictures, by source colour, from single samples over flat chroma."""
        if self.paths is None:
            return none()
        table = self.paths.sites
        colours, of = np.unique(table[:, :3], axis=0, return_inverse=True)
        count = np.bincount(of, table[:, 6])
        mean, square = (
            np.stack([np.bincount(of, table[:, 6] * plane**n) for plane in table.T[3:6]], axis=1)
            / count[:, None]
            for n in (1, 2)
        )
        source, capture = colours - ORIGIN, mean - ORIGIN
        _, chroma = np.unique(source[:, 1:], axis=0, return_inverse=True)
        every = np.arange(len(colours))
        return Samples(source, capture, square - mean**2, count.astype(np.int64), chroma, every)

    @cached_property
    def stage(self) -> CoarseStage | None:
        """Fewer bits that pictures went through before all that changed them, if they did."""
        if self.code_step > 1 or self.bits_repeated or self.resampled:
            return None
        rows = self.sites[self.sites.variance[:, 1:].max(axis=1, initial=0.0) < _STILL]
        return stage_before_all(rows.source + ORIGIN, np.rint(rows.capture + ORIGIN))

    @cached_property
    def explanation(self) -> Explanation:
        """How the colours went from source to capture, as far as a few known steps say it."""
        if self.known is not None:
            return self.known
        # What surroundings add is predicted to about a code, and less well with a cover.
        step = 1 if self.stage is not None else self.grain
        step += (self.drift is not None) * (1 + (self.cover is not None))
        found = self.layout is not None and self.tallies is not None and self.cover is None
        # Neither covered nor driven by surroundings, or else the step is larger.
        if found and step == self.code_step:
            return self._first_explanation
        return explain(self.colours, self.source, step)

    @cached_property
    def after_conversion(self) -> PathEvidence:
        """What a conversion of primaries does not account for: the source converted alike."""
        found = self.explanation
        rgb = "rgb" in {self.source.matrix, self.capture.matrix}
        if found.gamut is None or self.pair is None or rgb or not self.pass_through:
            return self
        source = ConvertedClip(self.pair.source, partial(found.converted, first=found.first))
        pair = replace(self.pair, source=source)
        known = replace(found, gamut=None, first=AS_SENT)
        paths = tally_pixels(pair, bursts(pair)[::_FEWER], workers=self.workers)
        return replace(self, pair=None, paths=paths, known=known)

    @cached_property
    def after_curve(self) -> PathEvidence:
        """What the luma curve of greys does not account for, where a chart was converted."""
        layout, pair = self.layout, self.pair
        if layout is None or pair is None or self.pass_through or not self.has_greys:
            return self
        code, of = np.unique(np.rint(self.neutrals.source[:, 0]), return_inverse=True)
        shown = np.bincount(of, self.neutrals.capture[:, 0]) / np.bincount(of)

        bent = partial(_with_luma, code=code, shown=shown)
        pair = replace(pair, source=ConvertedClip(pair.source, bent))
        pages = [(layout.pages[run[0, 1] // layout.hold], run) for run in bursts(pair)]
        runs = [run for page, run in pages if page.kind == "detail"]
        paths = tally_pixels(pair, runs, workers=self.workers)
        return replace(self, pair=None, paths=paths, known=self.explanation)

    @property
    def has_greys(self) -> bool:
        """Whether there are greys enough to be judged by themselves."""
        return len(self.neutrals) >= _LEAST_GREYS

    @cached_property
    def tint(self) -> tuple[float, float]:
        """Cb and Cr, in codes, that greys arrive with, but for a conversion of primaries."""
        greys, found = self.neutrals, self.explanation
        if not self.has_greys or found.gamut is not None:
            return found.chroma_offset
        rest = greys.capture[:, 1:] - greys.source[:, 1:] @ found.linear[1:, 1:].T
        cb, cr = np.median(rest, axis=0).tolist()
        return cb, cr

    @property
    def identity(self) -> Identity | None:
        """What all samples are, where they are the same on both sides."""
        return None if self.pair is None else self.pair.identity

    @cached_property
    def pass_through(self) -> bool:
        """Whether the capture shows the source's own signal and no conversion of it."""
        if self.identity is not None:
            return True
        if self.layout is not None and not self.layout.is_hdr and not self.capture.is_hdr:
            return True  # whatever bends it: SDR is not converted to SDR
        sides = (self.source, self.capture)
        declared = all(side.origins.get("transfer") in {"declared", "stated"} for side in sides)
        as_declared = (
            self.layout is None and declared and self.capture.transfer == self.source.transfer
        )
        limit = _STRAIGHT_AS_DECLARED if as_declared else _STRAIGHT
        neutrals = self.neutrals
        inside = (neutrals.source[:, 0] > 20) & (neutrals.source[:, 0] < 640)
        if inside.sum() >= _LEAST_GREYS and self.capture.matrix != "rgb":
            return is_straight(neutrals.source[inside, :1], neutrals.capture[inside, 0], limit)
        colours = self.colours
        if len(colours) >= 4 * _LEAST_GREYS and np.ptp(colours.source[:, 0]) > _SPREAD:
            if is_straight(colours.source, colours.capture[:, 0], limit):
                return True
            # Other primaries bend the luma of colours, where there are no greys.
            if as_declared or self.source.is_hdr:
                affine = explain(colours, self.source, self.code_step).affine
                return affine or (not as_declared and self.capture.transfer == self.source.transfer)
        return self.capture.transfer == self.source.transfer

    @property
    def resampled(self) -> bool:
        """Whether the picture was scaled or moved by parts of a pixel, which rings at edges."""
        return self.paths is not None and bool(self.paths.resampled[0, 0, 0])

    @property
    def rescaled(self) -> bool:
        """Whether no pixels are co-registered but those of the source scaled as the capture was."""
        return self.resampled and self.paths is not None and not self.paths.every_sample[0]

    @property
    def mixed(self) -> bool:
        """Whether a scaler, which is predicted to a code, stands between `tones` and the source."""
        return self.rescaled and self.before_scaling is None

    @cached_property
    def code_step(self) -> int:
        """Common step of all captured luma codes, in 10-bit codes: 4 for 8 bits."""
        return common_step(self.capture_histogram[:1])

    @cached_property
    def sent_step(self) -> int:
        """Common step of the luma codes of the source, in 10-bit codes: 4 for 8 bits."""
        return common_step(self.source_histogram[:1])

    @cached_property
    def bits_repeated(self) -> bool:
        """Whether all captured luma is of 8 bits with the two highest of them below."""
        return are_repeated(np.flatnonzero(self.capture_histogram[0]))

    @property
    def last_stages(self) -> tuple[CoarseStage, ...]:
        """What may have rounded the captured codes last, as far as they show it."""
        if self.code_step > 1:
            bits = 10 - int(np.log2(self.code_step))
            return CoarseStage("bits", bits, "rounded"), CoarseStage("bits", bits, "cut off")
        if self.bits_repeated:
            return CoarseStage("repeated", 8, "rounded"), CoarseStage("repeated", 8, "cut off")
        return ()

    @cached_property
    def ratio_by_digits(self) -> tuple[complex, float] | None:
        """Ratio of chroma before it was rounded to few bits at the end, and its half width.

        From the colours of pictures one by one, as rounding moves their means; None if not found.
        """
        if self.layout is not None or not self.last_stages:
            return None
        rows = self.sites[self.sites.variance[:, 1:].max(axis=1, initial=0.0) < _STILL]
        seen = np.rint(rows.capture[:, 1:])
        return ratio_by_digits(rows.source[:, 1:], seen, self.last_stages)

    @cached_property
    def grain(self) -> int:
        """Source codes that arrive as one: the code step, or more where levels follow rounding."""
        if not self.pass_through:
            return self.code_step
        sent = int(np.count_nonzero(self.source_histogram[0]))
        used = int(np.count_nonzero(self.capture_histogram[0]))
        return max(self.code_step, round(sent / max(used, 1)))

    @cached_property
    def rounded_to(self) -> int:
        """Source codes whose means arrive as one: the grain, or 1 where dither carries means on."""
        if self.stage is not None:
            return 1  # after it
        # Fewer codes occur for other reasons, too, where a common step is seen.
        limit = _DITHERED * (self.code_step if self.code_step > 1 else self.grain)
        noises = self.chroma_noises if self.layout is None else np.full(1, np.inf)
        dithered = np.count_nonzero(noises > limit) > _MOSTLY * len(noises)
        return 1 if dithered and self.noise > limit else self.grain

    @cached_property
    def chroma_rounded_to(self) -> int:
        """The same of chroma, which may have more codes than luma is left with."""
        sent = int(np.count_nonzero(self.source_histogram[1:]))
        used = int(np.count_nonzero(self.capture_histogram[1:]))
        # A chart has not all codes to lose; a tint moves those that are left.
        left = [np.diff(np.flatnonzero(plane)) for plane in self.capture_histogram[1:]]
        step = min(int(np.gcd.reduce(steps)) if len(steps) else 1 for steps in left)
        return min(self.rounded_to, max(step, round(sent / max(used, 1))))

    @property
    def uncertain_offset(self) -> float:
        """Codes by which rounding may move a mean of chroma."""
        return (self.chroma_rounded_to - 1) / 2

    @cached_property
    def capture_histogram(self) -> IntArray:
        """Captured samples by plane and 10-bit code, shape (3, 1024)."""
        return self._histogram("capture", self.capture.bits)

    @cached_property
    def source_histogram(self) -> IntArray:
        """Source samples by plane and 10-bit code, shape (3, 1024)."""
        return self._histogram("source", self.source.bits)

    @cached_property
    def noise(self) -> float:
        """Standard deviation of captured luma samples of one source code, median, 10-bit codes.

        Of one source colour where luma depends on chroma too.
        """
        if self.coupled and self.layout is None and self.paths is not None:
            return self._noise_of_colours(self.paths.samples)
        # Scaling is predicted to a code only, which is no noise.
        variance = (self.neutrals if self.rescaled else self.tones).variance[:, 0]
        return float(np.sqrt(np.median(variance))) if len(variance) else 0.0

    @staticmethod
    def _noise_of_colours(samples: IntArray) -> float:
        """Find the same among samples of one source colour, over flat chroma."""
        _, luma, cb, cr, seen, count = samples.T
        _, colour = np.unique((luma << 20) | (cb << 10) | cr, return_inverse=True)
        total = np.bincount(colour, count)
        mean, square = (np.bincount(colour, count * seen**n) / total for n in (1, 2))
        often = total >= LEAST_PIXELS
        variance = (square - mean**2)[often]
        return float(np.sqrt(np.median(np.maximum(variance, 0)))) if len(variance) else 0.0

    @cached_property
    def chroma_noises(self) -> FloatArray:
        """The same (N,) of captured Cb and Cr by source code, where they are co-registered."""
        if self.paths is None:
            return np.zeros(0)
        joint, codes = self.paths.joint[1:].reshape(-1, 1024), np.arange(1024.0)
        count = joint.sum(axis=1)
        rows = joint[count >= LEAST_PIXELS]
        total = rows.sum(axis=1)
        variance = rows @ codes**2 / total - (rows @ codes / total) ** 2
        noises: FloatArray = np.sqrt(np.maximum(variance, 0.0))
        return noises

    def _histogram(self, side: str, bits: int) -> IntArray:
        if self.tallies is not None:
            table = self.tallies.tables[f"{side}_histogram"]
        elif self.identity is not None:
            table = self.identity.codes
        else:
            return np.zeros((3, 1024), np.int64)
        if bits > 10:
            summed: IntArray = table.reshape(3, 1024, -1).sum(axis=2)
            return summed
        spread = np.zeros((3, 1024), np.int64)
        spread[:, :: 1024 // table.shape[1]] = table
        return spread


def _with_luma(codes: FloatArray, code: FloatArray, shown: FloatArray) -> FloatArray:
    """Centred codes with the luma that a curve shows; sent to workers."""
    return np.column_stack([np.interp(codes[:, 0], code, shown), codes[:, 1:]])
