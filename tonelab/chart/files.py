"""The chart as a clip: writing it, its static metadata, and recognising it in a clip."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from tonelab.chart.layout import Layout
from tonelab.chart.locate import locate
from tonelab.chart.marker import Marker, read_marker
from tonelab.chart.patches import COLUMNS, ROWS
from tonelab.chart.render import render_planes
from tonelab.chart.windows import sample_windows
from tonelab.errors import ChartError, PairingError
from tonelab.media import StaticMetadata, write_clip
from tonelab.signal.colorimetry import PRIMARIES, WHITE_D65
from tonelab.signal.description import Signal

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from tonelab.chart.geometry import Geometry
    from tonelab.media import Clip, Frame
    from tonelab.signal.arrays import Planes

ChartCodec: TypeAlias = Literal["h264", "hevc", "ffv1", "v210"]

# What a file name asks for when no codec is stated.
CODECS: dict[str, ChartCodec] = {".mp4": "hevc", ".mov": "hevc", ".mkv": "ffv1", ".avi": "v210"}
_PLAYED_8: ChartCodec = "h264"  # in place of HEVC for 8 bits, which every player of SDR shows
FILM_RATE = Fraction(24000, 1001)
SD_RATES = {(720, 576): Fraction(25), (720, 480): Fraction(30000, 1001)}

_MASTERING_BLACK = 0.0001  # cd/m2, the least that SMPTE ST 2086 can state
_COARSE, _ALIKE = 8, 0.02  # pixels, and share of the code range, by which pictures are alike
_TRIES = 8  # frames of a clip in which the chart is looked for


@dataclass(frozen=True, slots=True)
class ChartReading:
    """A chart as found in a clip: its layout, its place, and the marks of frame ``index``."""

    layout: Layout
    geometry: Geometry
    marker: Marker
    index: int


def chart_signal(layout: Layout) -> Signal:
    """Return how to read a chart's codes."""
    if not layout.is_hdr:
        # Primaries by size: those of BT.601 in standard definition under its own matrix.
        signal = Signal(matrix=layout.matrix, bits=layout.bits, origins={"matrix": "declared"})
        primaries = signal.with_sdr_colours(layout.width, layout.height).primaries
        return Signal(matrix=layout.matrix, primaries=primaries, bits=layout.bits)
    return Signal(
        matrix="bt2020",
        range="narrow",
        transfer=layout.transfer,
        primaries="bt2020",
        siting="topleft",
        peak=float(layout.peak) if layout.transfer == "hlg" else 100.0,
    )


def chart_metadata(
    layout: Layout, *, max_cll: int | None = None, max_fall: int | None = None
) -> StaticMetadata | None:
    """HDR static metadata of a PQ chart (SMPTE ST 2086, CTA-861.3); None for HLG and SDR.

    Parameters
    ----------
    layout
        Its peak is stated as the mastering peak.
    max_cll, max_fall
        Stated content light levels, cd/m2; without them those of the pictures, as CTA-861.3
        defines them. Neutral codes beyond ``peak`` make that MaxCLL 10000.
    """
    if layout.transfer != "pq":
        return None
    if max_cll is None or max_fall is None:
        measured_cll, measured_fall = light_levels(layout)
        max_cll = measured_cll if max_cll is None else max_cll
        max_fall = measured_fall if max_fall is None else max_fall
    return StaticMetadata(
        mastering_primaries=PRIMARIES["bt2020"],
        mastering_white=WHITE_D65,
        mastering_peak=float(layout.peak),
        mastering_black=_MASTERING_BLACK,
        max_cll=max_cll,
        max_fall=max_fall,
    )


def usual_rate(width: int, height: int) -> Fraction:
    """Frames per second of a chart of a size, unless stated: BT.601-7's own, or a film's."""
    return SD_RATES.get((width, height), FILM_RATE)


def light_levels(layout: Layout) -> tuple[int, int]:
    """MaxCLL and MaxFALL of a PQ chart in cd/m2, from the largest of R, G, B of each pixel."""
    small = replace(layout, width=12 * COLUMNS, height=12 * ROWS, hold=4)
    signal = chart_signal(small)
    brightest, average = 0.0, 0.0
    for page in range(len(small.pages)):
        luma, cb, cr = render_planes(small, page * small.hold)
        light = signal.decode_light(np.stack([luma[::2, ::2], cb, cr], axis=-1)).max(axis=-1)
        brightest = max(brightest, float(light.max()))
        average = max(average, float(light.mean()))
    return round(brightest), round(average)


def write_chart(
    path: str | Path,
    layout: Layout,
    *,
    codec: ChartCodec | None = None,
    rate: Fraction = FILM_RATE,
    metadata: StaticMetadata | None = None,
    quality: int | None = None,
    lossless: bool = False,
    overwrite: bool = False,
    progress: Callable[[int], None] | None = None,
) -> None:
    """Write a chart as a clip; the file appears whole or not at all.

    Parameters
    ----------
    path
        Where to; without ``codec`` its suffix decides: HEVC in .mp4 and .mov (H.264 of 8 bits),
        FFV1 in .mkv, v210 in .avi.
    layout
        The chart.
    codec
        ``"h264"``, ``"hevc"`` or ``"ffv1"`` (4:2:0), or ``"v210"`` (4:2:2, where 8-bit codes stand
        as 10-bit codes, times four).
    rate
        Frames per second.
    metadata
        HDR static metadata, see `chart_metadata`.
    quality, lossless, overwrite
        As for `write_clip`.
    progress
        Called with the number of frames written.

    Raises
    ------
    ChartError
        When the suffix names no codec.
    ClipError
        When the file cannot be written.
    """
    chosen = codec or CODECS.get(Path(path).suffix.lower())
    if codec is None and chosen == "hevc" and layout.bits == 8 and not lossless:
        chosen = _PLAYED_8
    if chosen is None:
        raise ChartError(
            f"The name {Path(path).name!r} does not say how to store the chart: end it in "
            ".mp4 or .mov (HEVC), .mkv (FFV1, lossless) or .avi (v210)."
        )
    subsampling: Literal["420", "422"] = "422" if chosen == "v210" else "420"
    bits = 10 if chosen == "v210" else layout.bits
    write_clip(
        path,
        _frames(layout, subsampling, bits - layout.bits),
        width=layout.width,
        height=layout.height,
        rate=rate,
        subsampling=subsampling,
        bits=bits,
        codec=chosen,
        signal=chart_signal(layout),
        metadata=metadata,
        quality=quality,
        lossless=lossless,
        overwrite=overwrite,
        progress=progress,
    )


def _frames(layout: Layout, subsampling: str, deeper: int) -> Iterator[Planes]:
    for frame in range(layout.frame_count):
        luma, cb, cr = (plane << np.uint16(deeper) for plane in render_planes(layout, frame))
        if subsampling == "422":
            # Exact on flat patches, whose edges lie on even rows.
            yield luma, cb.repeat(2, axis=0), cr.repeat(2, axis=0)
        else:
            yield luma, cb, cr


def marks_plane(frame: Frame, signal: Signal) -> NDArray[np.uint16]:
    """Return the plane (height, width) in which the marks are read: luma, or green of R'G'B'."""
    return frame.planes[marks_channel(signal)]


def marks_channel(signal: Signal) -> int:
    """Return which plane carries the marks: luma, or green of an RGB clip."""
    return 1 if signal.matrix == "rgb" else 0


def find_chart(clip: Clip) -> ChartReading:
    """Recognise the chart in the first frames of a clip.

    Raises
    ------
    ChartError
        When they show no readable chart, or one that this tonelab does not know.
    """
    without: NDArray[np.int64] | None = None
    for frame in clip.frames(0, _TRIES):
        luma = marks_plane(frame, clip.signal)
        # A picture that is hardly another than one without marks has none either.
        few = luma[::_COARSE, ::_COARSE].astype(np.int64)
        if without is not None and np.abs(few - without).mean() < _ALIKE * 2**clip.bits:
            continue
        try:
            geometry = locate(luma, clip.bits)
        except PairingError:
            without = few
            continue
        marker = read_marker(luma, geometry, clip.bits)
        if marker is not None and marker.ok and not marker.blended:
            layout = _rebuild(clip, marker.descriptor)
            if layout.refinement is not None and clip.signal.matrix != "rgb":
                layout = _with_colours_read(clip, layout, geometry, marker.frame - frame.index)
            return ChartReading(layout, geometry, marker, frame.index)
    raise ChartError(
        f"{clip.path.name} shows no chart in its first frames: make one with 'tonelab chart', play "
        "it, and give it as the source."
    )


def read_layout(clip: Clip) -> Layout:
    """Rebuild the layout of the chart in a clip; raises as `find_chart` does."""
    return find_chart(clip).layout


def _with_colours_read(clip: Clip, layout: Layout, geometry: Geometry, ahead: int) -> Layout:
    """Read a refined chart's own colours from its pictures, which alone carry them.

    ``ahead`` is by how much the numbers of the frames exceed their places in the clip. Colours of
    pages that the clip does not show stay `UNREAD`.
    """
    patches = layout.patches
    luma, chroma = sample_windows(layout, geometry, clip.subsampling)
    codes = patches.code.copy()
    scale = 2.0 ** (layout.bits - clip.bits)
    for page in np.unique(patches.page).tolist():
        place = page * layout.hold + layout.hold // 2 - ahead
        rows = np.flatnonzero((patches.page == page) & (luma[:, 2] > 0))
        for frame in clip.frames(place, place + 1) if 0 <= place < clip.frame_count else ():
            windows = luma[rows], chroma[rows], chroma[rows]
            for channel, (plane, boxes) in enumerate(zip(frame.planes, windows, strict=True)):
                middle = [plane[y0:y1, x0:x1].mean() for x0, y0, x1, y1 in boxes.tolist()]
                codes[rows, channel] = np.rint(np.array(middle) * scale)
    return layout.with_colours(codes[layout.free])


def _rebuild(clip: Clip, descriptor: int) -> Layout:
    try:
        return Layout.from_descriptor(descriptor, clip.width, clip.height)
    except ChartError as error:
        raise ChartError(f"{clip.path.name} cannot be used as the source: {error}") from None
