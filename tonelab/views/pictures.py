"""The same crops of a source and of what each device made of it, with maps of the differences."""

from __future__ import annotations

import math
from contextlib import ExitStack
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from tonelab.chart.patches import STRIP
from tonelab.conversion.standards import STANDARDS
from tonelab.errors import UsageError
from tonelab.media import open_clip
from tonelab.media.clip import CHROMA_FACTORS
from tonelab.pairing import pair
from tonelab.readings.colours import shown_light
from tonelab.readings.content import CONTENT_PEAK
from tonelab.signal.colorimetry import delta_e_itp, matrix_rgb_to_rgb
from tonelab.signal.transfer import eotf_bt1886

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from tonelab.media import Clip, Frame
    from tonelab.pairing.result import Pair
    from tonelab.results import ClipFacts, Measurement
    from tonelab.results.progress import StageProgress
    from tonelab.signal.arrays import FloatArray, IntArray
    from tonelab.signal.description import Signal

    Picture8: TypeAlias = NDArray[np.uint8]

STANDARD = "bt2446a"  # renders the source unless another is asked for
SIZE = (320, 180)
CHROMA_NOTE = "chroma interpolated linearly at the siting of each clip, nothing else resampled"

# The scale of all difference maps: ΔE_ITP and its colour, interpolated linearly in between.
# Lightness rises all the way, so that the map needs no hue.
DIFFERENCE_SCALE: tuple[tuple[float, tuple[int, int, int]], ...] = (
    (0, (12, 16, 28)),
    (1, (24, 52, 120)),
    (3, (20, 118, 150)),
    (10, (110, 182, 120)),
    (30, (236, 214, 90)),
    (100, (255, 252, 236)),
)
_NAMED = "named by the person who made this page"
_FRAMES = 12  # looked at when places are chosen
_NEARLY = 0.8  # of the largest difference, within which a place with more structure is preferred
_WHOLE = 0.01  # pixels by which an edge may miss a whole number
_STEP = 8  # source pixels between the samples by which places are chosen


@dataclass(frozen=True, slots=True)
class Crop:
    """A place to show: a frame of the source and the upper left corner in its pixels."""

    frame: int
    x: int
    y: int
    label: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class CapturedCrop:
    """What one device made of a crop.

    Attributes
    ----------
    rgb
        Shape (height, width, 3), R'G'B' code values as captured, 0..255.
    difference
        The same shape: ΔE_ITP from the rendered source, drawn by `difference_colours`.
    mean, p95
        Of the ΔE_ITP over the crop.
    scale
        Capture samples for each source sample, (x, y).
    frame
        Number of the captured frame.
    """

    rgb: Picture8
    difference: Picture8
    mean: float
    p95: float
    scale: tuple[float, float]
    frame: int


@dataclass(frozen=True, slots=True, eq=False)
class PictureSet:
    """One crop of the source with what every device made of it.

    Attributes
    ----------
    label, place, reason
        Its name, where it lies in the source, and why it was chosen.
    rendering
        Which standard conversion rendered the source.
    source
        Shape (height, width, 3), R'G'B' of the rendered source, 0..255.
    shown
        One for each measurement, in their order; None where there is no capture to show.
    note
        How the pictures were made.
    """

    label: str
    place: str
    reason: str
    rendering: str
    source: Picture8
    shown: tuple[CapturedCrop | None, ...]
    note: str


def make_pictures(
    source: str | Path,
    captures: Sequence[str | Path | None],
    measurements: Sequence[Measurement],
    *,
    crops: Sequence[Crop] = (),
    standard: str = STANDARD,
    size: tuple[int, int] = SIZE,
    count: int = 3,
    progress: StageProgress | None = None,
) -> tuple[PictureSet, ...]:
    """Cut crops at 1:1 from a source and its captures.

    Parameters
    ----------
    source
        The clip that was played.
    captures
        For each measurement the capture it was made from, or None.
    measurements
        How the clips are read.
    crops
        Places to show; by default those where the devices differ most.
    standard
        The standard conversion that renders the source.
    size
        Width and height of a crop, source pixels.
    count
        How many places to choose when none is given.
    progress
        Called with (stage, done, total).

    Returns
    -------
    tuple of PictureSet
        In the order of ``crops``, else with the largest difference first.

    Raises
    ------
    UsageError
        When a clip is not the one that was measured, a crop lies outside the picture or at a
        frame that a capture does not show, or the standard conversion is unknown.
    ClipError, PairingError
        When a clip cannot be read or registered.
    """
    if standard not in STANDARDS:
        known = ", ".join(STANDARDS)
        raise UsageError(f"The standard conversion {standard!r} is unknown: name one of {known}.")
    report = progress or (lambda _stage, _done, _total: None)
    with ExitStack() as stack:
        pairs: list[Pair | None] = []
        for capture, measurement in zip(captures, measurements, strict=True):
            report("pairing", len(pairs), len(captures))
            if capture is None:
                pairs.append(None)
                continue
            clips = [
                stack.enter_context(_open(path, facts))
                for path, facts in ((source, measurement.source), (capture, measurement.capture))
            ]
            pairs.append(pair(*clips))
        if not any(pairs):
            raise UsageError("There is no capture to show pictures of: name one.")
        cutter = _Cutter(pairs, measurements, standard, size)
        chosen = [(crop, _NAMED) for crop in crops] or cutter.choose(count, report)
        sets = []
        for done, (crop, reason) in enumerate(chosen):
            report("cutting", done, len(chosen))
            sets.append(cutter.cut(crop, reason))
        return tuple(sets)


def difference_colours(distance: FloatArray) -> Picture8:
    """Draw ΔE_ITP of shape (...) as R'G'B' 0..255 on `DIFFERENCE_SCALE`, which ends at 100.

    It has 256 colours, which keeps maps small in a file.
    """
    values, colours = zip(*DIFFERENCE_SCALE, strict=True)
    stops = np.linspace(0, 255, len(values))
    channels = [np.interp(np.arange(256), stops, channel) for channel in np.transpose(colours)]
    palette = np.round(np.stack(channels, axis=-1)).astype(np.uint8)
    shade: Picture8 = palette[np.round(np.interp(distance, values, stops)).astype(int)]
    return shade


def _open(path: str | Path, facts: ClipFacts) -> Clip:
    """Open a clip as it was read when it was measured."""
    signal = facts.signal
    fields = ("matrix", "range", "transfer", "primaries", "siting", "bits", "peak", "black")
    stated: dict[str, Any] = {name: getattr(signal, name) for name in fields}
    if facts.container == "none":
        stated |= {name: getattr(facts, name) for name in ("width", "height", "rate")}
        stated["subsampling"] = facts.subsampling
    clip = open_clip(path, stated=stated)
    seen = clip.facts()
    for name in ("codec", "width", "height", "frames", "subsampling"):
        if getattr(seen, name) != getattr(facts, name):
            raise UsageError(
                f"{path} is not the clip that was measured as {facts.name}: its {name} is "
                f"{getattr(seen, name)} and was {getattr(facts, name)}; name the clip itself."
            )
    return clip


class _Cutter:
    """Cuts the same places out of the clips of several pairs."""

    def __init__(
        self,
        pairs: Sequence[Pair | None],
        measurements: Sequence[Measurement],
        standard: str,
        size: tuple[int, int],
    ) -> None:
        self.pairs, self.measurements = pairs, measurements
        self.present = [one for one in pairs if one is not None]
        self.first = self.present[0]
        self.source = self.first.source
        self.standard = STANDARDS[standard]
        self.limits = self._limits()
        self.size = tuple(
            min(length, high - low) for length, (low, high) in zip(size, self.limits, strict=True)
        )
        self.peak = measurements[0].source.mastering_peak or (
            float(self.first.layout.peak) if self.first.layout else CONTENT_PEAK
        )

    def _limits(self) -> tuple[tuple[int, int], tuple[int, int]]:
        """Source pixels from and to which all captures show it, (x, y); chart marks left out."""
        edge = round(STRIP * self.first.geometry_source.scale[1]) if self.first.layout else 0
        limits = []
        for axis, (length, margin) in enumerate(
            ((self.source.width, 0), (self.source.height, edge))
        ):
            low, high = float(margin), float(length - margin)
            for one in self.present:
                scale, offset = one.facts.scale[axis], one.facts.offset[axis]
                seen = (one.capture.width, one.capture.height)[axis]
                low, high = max(low, -offset / scale), min(high, (seen - offset) / scale)
            limits.append((math.ceil(low - _WHOLE), math.floor(high + _WHOLE)))
        return limits[0], limits[1]

    def choose(self, count: int, report: StageProgress) -> list[tuple[Crop, str]]:
        """Choose the places where the captures are furthest apart, each of another kind.

        The kinds are those of chart pages, or without a chart as many parts of the clip.
        """
        found: dict[object, tuple[float, Crop]] = {}
        frames, layout = self._frames(), self.first.layout
        for done, number in enumerate(frames):
            report("looking", done, len(frames))
            kind: object = done * count // len(frames)
            if layout is not None:
                kind = layout.pages[layout.page_of(number)].kind
            place = self._furthest(number)
            found[kind] = max(found.get(kind, place), place, key=lambda one: one[0])
        what = "captures are furthest apart"
        if len(self.present) == 1:
            what = "capture is furthest from the rendered source"
        among = "of the chart pages of this kind" if layout else "of this part of the clip"
        return [
            (crop, f"chosen because the {what} here, {among}: ΔE_ITP {mean:.1f} on average")
            for mean, crop in sorted(found.values(), key=lambda one: -one[0])[:count]
        ]

    def cut(self, crop: Crop, reason: str) -> PictureSet:
        """Cut one place out of all clips."""
        width, height = self.size
        (left, right), (top, bottom) = self.limits
        if not (left <= crop.x <= right - width and top <= crop.y <= bottom - height):
            raise UsageError(
                f"The crop at {crop.x}, {crop.y} leaves what all captures show: at {width} × "
                f"{height} pixels x can be {left} to {right - width} and y {top} to "
                f"{bottom - height}."
            )
        frame = _frame(self.source, crop.frame)
        x, y = np.arange(crop.x, crop.x + width), np.arange(crop.y, crop.y + height)
        rendered = self._render(frame, x, y)
        shown = tuple(
            None if paired is None else self._shown(paired, measurement, frame, crop)
            for paired, measurement in zip(self.pairs, self.measurements, strict=True)
        )
        layout = self.first.layout
        name = f"frame {crop.frame}"
        if layout:
            page = layout.page_of(crop.frame)
            name = f"chart page {page + 1} ({layout.pages[page].kind})"
        return PictureSet(
            label=crop.label or name,
            place=f"source frame {crop.frame}, x {crop.x} to {crop.x + width}, "
            f"y {crop.y} to {crop.y + height}",
            reason=reason,
            rendering=f"{self.standard.label}, for a mastering peak of {self.peak:g} cd/m2",
            source=_eight_bits(rendered),
            shown=shown,
            note=CHROMA_NOTE,
        )

    def _shown(
        self, paired: Pair, measurement: Measurement, frame: Frame, crop: Crop
    ) -> CapturedCrop:
        """Cut a capture at its own samples, and map its difference from the rendered source."""
        scale, offset = paired.facts.scale, paired.facts.offset
        capture = paired.capture
        corners = zip(scale, offset, (crop.x, crop.y), self.size,
                      (capture.width, capture.height), strict=True)  # fmt: skip
        indices = [
            np.arange(max(round(s * start + o), 0), min(round(s * (start + length) + o), limit))
            for s, o, start, length, limit in corners
        ]
        number = self._captured(paired, crop.frame)
        codes = _codes(_frame(capture, number), capture, *indices)
        # The source sample under each captured one.
        under = [
            np.clip(np.floor((index + 0.5 - o) / s).astype(int), start, start + length - 1)
            for index, s, o, start, length in zip(
                indices, scale, offset, (crop.x, crop.y), self.size, strict=True
            )
        ]
        signal = measurement.capture.signal
        wanted = _light_of(self._render(frame, *under), signal)
        distance = delta_e_itp(shown_light(codes, capture.signal), wanted)
        return CapturedCrop(
            rgb=_eight_bits(capture.signal.decode_rgb(codes)),
            difference=difference_colours(distance),
            mean=float(distance.mean()),
            p95=float(np.percentile(distance, 95)),
            scale=scale,
            frame=number,
        )

    def _frames(self) -> list[int]:
        """Source frames that every capture shows: one of each chart page, or spread over them."""
        shown = [set(one.matches[:, 1].tolist()) for one in self.present]
        layout = self.first.layout
        if layout is None:
            common = set.intersection(*shown)
        else:
            pages = [{layout.page_of(number): number for number in sorted(one)} for one in shown]
            common = {pages[0][page] for page in set.intersection(*map(set, pages))}
        if not common:
            raise UsageError(
                "No frame of the source is shown by all captures: show fewer, or name crops."
            )
        ordered = sorted(common)
        picks = np.linspace(0, len(ordered) - 1, min(_FRAMES, len(ordered)))
        return [ordered[index] for index in np.round(picks).astype(int)]

    def _furthest(self, number: int) -> tuple[float, Crop]:
        """Mean ΔE_ITP of the most differing place of a frame, and the place.

        Of the places that differ nearly as much, it is the one with the most structure.
        """
        right, bottom = (high for _, high in self.limits)
        x, y = (np.arange(low, high - _STEP + 1, _STEP) + _STEP // 2 for low, high in self.limits)
        frame = _frame(self.source, number)
        lights = [
            self._shown_at(paired, measurement, number, x, y)
            for paired, measurement in zip(self.pairs, self.measurements, strict=True)
            if paired is not None
        ]
        if len(lights) == 1:
            lights.append(_light_of(self._render(frame, x, y), self.first.capture.signal))
        furthest = np.zeros((len(y), len(x)))
        for index, one in enumerate(lights):
            for other in lights[:index]:
                furthest = np.maximum(furthest, delta_e_itp(one, other))
        size = [max(1, length // _STEP) for length in self.size[::-1]]
        mean = _box_means(furthest, size)
        luma = frame.planes[0][np.ix_(y, x)].astype(np.float64)
        structure = _box_means(luma**2, size) - _box_means(luma, size) ** 2
        row, column = np.unravel_index(
            int(np.argmax(np.where(mean >= _NEARLY * mean.max(), structure, -1.0))), mean.shape
        )
        place = (
            min(int(x[column]) - _STEP // 2, right - self.size[0]),
            min(int(y[row]) - _STEP // 2, bottom - self.size[1]),
        )
        return float(mean[row, column]), Crop(number, *place)

    def _shown_at(
        self, paired: Pair, measurement: Measurement, number: int, x: IntArray, y: IntArray
    ) -> FloatArray:
        """Light that a capture shows at samples x and y of the source, (len(y), len(x), 3)."""
        (sx, sy), (ox, oy), capture = paired.facts.scale, paired.facts.offset, paired.capture
        across = np.clip(np.floor(sx * (x + 0.5) + ox).astype(int), 0, capture.width - 1)
        down = np.clip(np.floor(sy * (y + 0.5) + oy).astype(int), 0, capture.height - 1)
        frame = _frame(capture, self._captured(paired, number))
        return shown_light(_codes(frame, capture, across, down), measurement.capture.signal)

    def _captured(self, paired: Pair, number: int) -> int:
        """Capture frame that shows a source frame, or for the chart another of its page."""
        layout, matches = self.first.layout, paired.matches
        same = matches[:, 1] == number
        if layout is not None and not same.any():
            page = layout.page_of(number)
            same = np.array([layout.page_of(int(one)) == page for one in matches[:, 1]])
        if not same.any():
            raise UsageError(
                f"{paired.capture.path.name} does not show frame {number} of the source: name "
                "another frame."
            )
        rows = matches[same]
        return int(rows[len(rows) // 2, 0])

    def _render(self, frame: Frame, x: IntArray, y: IntArray) -> FloatArray:
        """R'G'B' of the source through the standard conversion, shape (height, width, 3)."""
        signal = self.source.signal
        light = signal.decode_light_2020(_codes(frame, self.source, x, y))
        rgb = self.standard.convert(light.reshape(-1, 3), source_peak=self.peak)
        return rgb.reshape(light.shape)


def _frame(clip: Clip, number: int) -> Frame:
    return next(iter(clip.frames(number, number + 1)))


def _codes(frame: Frame, clip: Clip, x: IntArray, y: IntArray) -> FloatArray:
    """Code values (len(y), len(x), 3) at luma samples, chroma interpolated at its siting."""
    luma, *chroma = frame.planes
    parts = [luma[np.ix_(y, x)].astype(np.float64)]
    across, down = CHROMA_FACTORS[clip.subsampling]
    siting = clip.signal.siting
    u = _chroma_index(x, across, cosited=siting != "centre")
    v = _chroma_index(y, down, cosited=siting == "topleft")
    parts += [_linear(plane, u, v) for plane in chroma]
    return np.stack(parts, axis=-1)


def _box_means(values: FloatArray, size: Sequence[int]) -> FloatArray:
    """Means over all boxes of (rows, columns) samples."""
    rows, columns = size
    total = np.pad(values.cumsum(0).cumsum(1), ((1, 0), (1, 0)))
    boxes = total[rows:, columns:] - total[:-rows, columns:]
    boxes = boxes - total[rows:, :-columns] + total[:-rows, :-columns]
    means: FloatArray = boxes / (rows * columns)
    return means


def _chroma_index(index: IntArray, factor: int, *, cosited: bool) -> FloatArray:
    return index / factor if cosited else (index + 0.5) / factor - 0.5


def _linear(plane: NDArray[np.uint16], u: FloatArray, v: FloatArray) -> FloatArray:
    """Interpolate a plane linearly at columns u and rows v."""
    rows, columns = plane.shape
    u, v = np.clip(u, 0, columns - 1), np.clip(v, 0, rows - 1)
    left, above = np.floor(u).astype(int), np.floor(v).astype(int)
    right, below = np.minimum(left + 1, columns - 1), np.minimum(above + 1, rows - 1)
    to_right, down = u - left, (v - above)[:, None]
    upper = plane[np.ix_(above, left)] * (1 - to_right) + plane[np.ix_(above, right)] * to_right
    lower = plane[np.ix_(below, left)] * (1 - to_right) + plane[np.ix_(below, right)] * to_right
    mixed: FloatArray = upper * (1 - down) + lower * down
    return mixed


def _light_of(rgb: FloatArray, signal: Signal) -> FloatArray:
    """Light in cd/m2, linear BT.2020, of BT.709 R'G'B' on the display of a capture."""
    light = eotf_bt1886(np.clip(rgb, 0, None), signal.peak, signal.black)
    shown: FloatArray = np.maximum(light @ matrix_rgb_to_rgb("bt709", "bt2020").T, 0.0)
    return shown


def _eight_bits(rgb: FloatArray) -> Picture8:
    return np.round(255 * np.clip(rgb, 0, 1)).astype(np.uint8)
