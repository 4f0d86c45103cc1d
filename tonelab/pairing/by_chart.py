"""Registering a capture with its source by the chart's marks."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from tonelab.chart import (
    Group,
    chart_signal,
    locate,
    marker_rows,
    marker_words,
    marks_channel,
    marks_plane,
    read_marker,
    read_marker_rows,
    read_uncovered,
    sample_windows,
)
from tonelab.errors import PairingError
from tonelab.pairing.covers import cover_findings, moving_covers, still_covers
from tonelab.pairing.findings import page_findings, relate, space_findings, time_findings
from tonelab.pairing.identity import find_identity
from tonelab.pairing.registration import Relation, apart, place_by_detail
from tonelab.pairing.result import Pair
from tonelab.pairing.thumbnails import frames_at, luma
from tonelab.pairing.timing import FrameReading, match_frames, settle_frames
from tonelab.results import PairingFacts

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tonelab.chart import ChartReading, Geometry, Layout, Marker
    from tonelab.media import Clip
    from tonelab.pairing.covers import Box
    from tonelab.results.progress import Progress
    from tonelab.signal.arrays import Mask, Plane

_IN_PLACE, _FARTHEST = 0.02, 0.5  # pixels from whole ones; from where the marks stand
_OF_DETAIL, _LOOKED_AT, _EDGE = ("detail", "mixed"), 4, 6  # pages, how many, pixels
_PAGES, _LEAST_PAGES = 8, 4  # in which covers are looked for, and can be found
_LEAST_CONFIDENCE = 0.3
_DOUBTS = 8  # frames with the corners of a chart and no whole marks
_LEAST_SWING = 10 / 1024  # of the code range, between dark and bright
_EAGER = 24  # frames at the start of a capture in each of which the chart is looked for
_CODE_TOLERANCE = (
    12.0  # 10-bit codes; lossy coding of the source stays below, tone mapping does not
)


def pair_by_chart(
    source: Clip,
    capture: Clip,
    chart: ChartReading,
    progress: Progress | None = None,
) -> Pair:
    """Register a capture of the chart; only the marks of the captured frames are read.

    Raises
    ------
    PairingError
        When the two cannot be registered; the sentence says what to capture or state instead.
    """
    _check_source(source, capture, chart)
    identity = find_identity(source, capture, progress)
    if identity is None:
        geometry, readings = _read_capture(capture, chart.layout, progress)
    else:
        geometry, readings = chart.geometry, list(map(FrameReading, range(identity.frames)))
    timing = match_frames(
        readings,
        hold=chart.layout.hold,
        source_frames=min(source.frame_count, chart.layout.frame_count),
        settle=settle_frames(chart.layout.hold, float(source.rate)),
        ratio=float(capture.rate / source.rate),
    )
    if not len(timing.matches):
        left_out = ", ".join(f"{count} {reason}" for reason, count in timing.left_out.items())
        raise PairingError(
            f"{capture.path.name} holds no usable frame of the chart ({left_out}): capture the "
            "whole clip, at its own frame rate."
        )
    timing.matches.flags.writeable = False
    marked = Relation(*relate(chart.geometry, geometry))
    relation = _by_detail(source, capture, chart.layout, timing.matches, marked)
    covers: tuple[Box, ...] = ()
    moving: tuple[Box, ...] = ()
    if identity is None:
        covers, moving = _covers(source, capture, chart.layout, timing.matches, relation)
    facts = PairingFacts(
        method="chart",
        scale=relation.scale,
        offset=relation.offset,
        residual=geometry.residual,
        first_frame=int(timing.matches[0, 1]),
        used=len(timing.matches),
        left_out=timing.left_out,
    )
    findings = (
        *time_findings(timing, source, capture, len(readings)),
        *page_findings(timing, chart.layout),
        *space_findings(chart.layout, chart.geometry, geometry, (relation.scale, relation.offset)),
        *cover_findings(covers, moving, capture.width * capture.height),
    )
    return Pair(
        source,
        capture,
        chart.layout,
        chart.geometry,
        replace(geometry, covers=tuple(box.edges for box in (*covers, *moving))),
        timing.matches,
        facts,
        findings,
        identity=identity,
    )


def _by_detail(
    source: Clip, capture: Clip, layout: Layout, matches: NDArray[np.intp], marked: Relation
) -> Relation:
    """Sharpen the place of a scaled or moved chart by its pages; marks are few and may be blurred.

    What the marks say stays where both are the same pixel by pixel, where pages say otherwise, and
    where tones were converted, which moves smoothed edges.
    """
    if capture.signal.transfer != source.signal.transfer:
        return marked
    corners = [(0.0, 0.0), (float(source.width), float(source.height))]
    ratio = capture.width / source.width, capture.height / source.height
    whole = float(round(marked.offset[0])), float(round(marked.offset[1]))
    if apart(marked, Relation(ratio, whole), corners) < _IN_PLACE:
        return marked
    kinds = [layout.pages[n].kind for n in matches[:, 1] // layout.hold]
    of_detail = np.flatnonzero(np.isin(kinds, _OF_DETAIL))
    _, first = np.unique(matches[of_detail, 1] // layout.hold, return_index=True)
    chosen = matches[of_detail[first[:_LOOKED_AT]]]
    if not len(chosen):
        return marked
    pairs = [(_picture(source, b), _picture(capture, a)) for a, b in chosen.tolist()]
    rows, columns = (np.arange(n) + 0.5 for n in pairs[0][1].shape)
    inside = [
        (place > _EDGE) & (place < length - _EDGE)
        for place, length in (
            ((rows - marked.offset[1]) / marked.scale[1], source.height),
            ((columns - marked.offset[0]) / marked.scale[0], source.width),
        )
    ]
    clear = np.outer(*inside)
    found = place_by_detail(pairs, marked, clear)
    return found if apart(found, marked, corners) < _FARTHEST else marked


def _covers(
    source: Clip, capture: Clip, layout: Layout, matches: NDArray[np.intp], relation: Relation
) -> tuple[tuple[Box, ...], tuple[Box, ...]]:
    """Find what stands still, and what moves, over pages whose patches change."""
    # Of each page the first: no more frames than needed are read before it.
    pages = matches[np.unique(matches[:, 1] // layout.hold, return_index=True)[1]]
    chosen = pages[np.unique(np.linspace(0, len(pages) - 1, _PAGES).round().astype(int))]
    if len(chosen) < _LEAST_PAGES:
        return (), ()
    shown, seen = (
        {frame.index: luma(frame, clip) for frame in frames_at(clip, chosen[:, n].tolist())}
        for clip, n in ((source, 1), (capture, 0))
    )
    pairs = [(shown[place], seen[frame]) for frame, place in chosen.tolist()]
    clear = np.ones(pairs[0][1].shape, bool)
    still = still_covers(pairs, relation, clear)
    return still, moving_covers(pairs, relation, clear, still)


def _picture(clip: Clip, index: int) -> NDArray[np.float32]:
    return luma(next(iter(clip.frames(index, index + 1))), clip)


def is_recoded(source: Clip, chart: ChartReading) -> bool:
    """Whether a clip shows the chart as R'G'B' or in codes of another range, as it says itself."""
    said = source.signal
    if said.matrix == "rgb":
        return True
    known = said.origins.get("range", "assumed") != "assumed"
    if not known or said.range == chart_signal(chart.layout).range:
        return False
    page = _judged_page(chart.layout)
    index = page * chart.layout.hold + chart.layout.hold // 2
    return any(
        _code_difference(frame.planes[0], chart.layout, chart.geometry, page, source.bits)
        > _CODE_TOLERANCE
        for frame in source.frames(index, index + 1)
    )


def _judged_page(layout: Layout) -> int:
    return next(n for n, page in enumerate(layout.pages) if page.kind == "mixed")


def _check_source(source: Clip, capture: Clip, chart: ChartReading) -> None:
    """Refuse a source that is not the chart as written: cut, retimed, or itself a capture."""
    layout = chart.layout
    page = _judged_page(layout)
    index = page * layout.hold + layout.hold // 2
    numbers = [chart.marker.frame - chart.index]
    for frame in source.frames(index, index + 1):
        luma = marks_plane(frame, source.signal)
        marker = read_marker(luma, chart.geometry, source.bits)
        numbers.append(marker.frame - frame.index if marker is not None and marker.ok else -1)
        difference = _code_difference(luma, layout, chart.geometry, page, source.bits)
        if not any(numbers) and difference > _CODE_TOLERANCE:
            raise PairingError(
                f"{source.path.name} shows the chart, but {difference:.0f} codes away from its own "
                "values, so it is a conversion and not the chart itself: give the clip that was "
                f"played first, and {capture.path.name} or another capture second."
            )
    if any(numbers):
        raise PairingError(
            f"The frames of {source.path.name} do not follow each other as in the chart: give "
            "the clip that 'tonelab chart' wrote, uncut and at its own frame rate."
        )


def _code_difference(
    luma: Plane, layout: Layout, geometry: Geometry, page: int, bits: int
) -> float:
    """Median distance of the patches of a page from their intended luma, 10-bit codes."""
    windows, _ = sample_windows(layout, geometry, "444")
    # The colours of a refined chart are known from its own pictures alone.
    told = layout.patches.group != Group.REFINED
    rows = np.flatnonzero(told & (layout.patches.page == page) & (windows[:, 2] > 0))
    if not len(rows):
        return 0.0
    x0, y0, x1, y1 = windows[rows].T
    seen = luma[(y0 + y1) // 2, (x0 + x1) // 2] / 2.0 ** (bits - 10)
    return float(np.median(np.abs(seen - layout.patches.code[rows, 0] / layout.coding.unit)))


def _read_capture(
    capture: Clip, layout: Layout, progress: Progress | None
) -> tuple[Geometry, list[FrameReading]]:
    geometry = _find_geometry(capture, layout)
    readings: list[FrameReading] = []
    channel = marks_channel(capture.signal)
    words: Mask | None = None
    for index, rows in capture.rows(marker_rows(geometry), channel):
        reading = _judge(read_marker_rows(rows, geometry, capture.bits), layout.descriptor)
        if reading.reason in {"blended", "unreadable"}:  # perhaps under something
            if words is None:
                words = marker_words(layout.frame_count, layout.hold, layout.descriptor)
            number = read_uncovered(rows, geometry, capture.bits, words)
            reading = reading if number is None else FrameReading(number)
        readings.append(reading)
        if progress is not None:
            progress(index + 1, capture.frame_count)
    if sum(reading.reason == "other chart" for reading in readings) > len(readings) / 2:
        raise PairingError(
            f"{capture.path.name} shows another chart than the source: give the clip that was "
            "played for this capture."
        )
    return geometry, readings


def _find_geometry(capture: Clip, layout: Layout) -> Geometry:
    """Where the chart stands in the picture, from the first captured frame whose marks are whole.

    Where something stands over the marks of every frame, from the first that has the corners.
    """
    stride = max(1, layout.hold // 4)
    low, high = np.inf, -np.inf
    doubtful: list[Geometry] = []
    for frame in capture.frames():
        if frame.index < _EAGER or frame.index % stride == 0:
            luma = marks_plane(frame, capture.signal)
            geometry = _try_locate(luma, capture.bits)
            if geometry is not None:
                marker = read_marker(luma, geometry, capture.bits)
                if marker is not None and marker.ok:
                    return geometry
                doubtful.append(geometry)
                if len(doubtful) >= _DOUBTS:
                    break
            low, high = min(low, int(luma.min())), max(high, int(luma.max()))
    if doubtful:
        return doubtful[0]
    if high - low < _LEAST_SWING * 2**capture.bits:
        raise PairingError(
            f"{capture.path.name} shows one level throughout, codes {low} to {high} of "
            f"{2**capture.bits}, where the clip goes from black to white: the device puts out no "
            "picture, or one far too dark or too bright to be measured; see that the clip plays "
            "and capture again."
        )
    raise PairingError(
        f"There are no chart marks in {capture.path.name}: capture the chart full screen, with "
        "nothing drawn over its corners, at between half and double its size."
    )


def _try_locate(luma: Plane, bits: int) -> Geometry | None:
    try:
        geometry = locate(luma, bits)
    except PairingError:
        return None
    return geometry if geometry.confidence >= _LEAST_CONFIDENCE else None


def _judge(marker: Marker | None, descriptor: int) -> FrameReading:
    if marker is None:
        return FrameReading(reason="unreadable")
    if marker.blended:
        return FrameReading(reason="blended")
    if not marker.ok:
        return FrameReading(reason="unreadable")
    if marker.descriptor != descriptor:
        return FrameReading(reason="other chart")
    return FrameReading(marker.frame)
