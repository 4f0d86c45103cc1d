"""Registering a capture with its source: by the chart where there is one, else by the content."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tonelab.chart import find_chart, locate, marks_plane
from tonelab.errors import ChartError, PairingError, SignalError
from tonelab.pairing.by_chart import pair_by_chart
from tonelab.pairing.by_content import pair_by_content

if TYPE_CHECKING:
    from tonelab.chart import ChartReading
    from tonelab.media import Clip
    from tonelab.pairing.result import Pair
    from tonelab.results.progress import Progress


def pair(source: Clip, capture: Clip, *, progress: Progress | None = None) -> Pair:
    """Register a capture with its source.

    Parameters
    ----------
    source
        The clip as it was played: the chart, or anything else.
    capture
        What was recorded at the device's output.
    progress
        Called with (frames read, frames announced by the capture).

    Raises
    ------
    ChartError
        When the source shows a chart that is not known here.
    PairingError
        When the two cannot be registered; the sentence says what to capture or state instead.
    SignalError
        When the source is not the chart, and nothing says whether it is PQ, HLG or SDR.
    """
    _check_clips(source, capture)
    chart = _chart_of(source)
    if chart is None:
        _check_transfer(source)
        return pair_by_content(source, capture, progress)
    _check_scan(source, capture)
    return pair_by_chart(source, capture, chart, progress)


def pair_captures(first: Clip, second: Clip, *, progress: Progress | None = None) -> Pair:
    """Register two captures of the same content with each other, whatever their dynamic range.

    ``first`` takes the place of the source.

    Raises
    ------
    PairingError
        When they do not show the same.
    """
    return pair_by_content(first, second, progress)


def _chart_of(source: Clip) -> ChartReading | None:
    try:
        return find_chart(source)
    except ChartError:
        if _shows_marks(source):
            raise
        return None


def _shows_marks(clip: Clip) -> bool:
    """Whether a clip starts with chart marks, though perhaps of a chart that is not known here."""
    for frame in clip.frames(0, 1):
        try:
            locate(marks_plane(frame, clip.signal), clip.bits)
        except PairingError:
            continue
        return True
    return False


def _check_scan(*clips: Clip) -> None:
    for clip in clips:
        if clip.interlaced:
            raise PairingError(
                f"{clip.path.name} is flagged as interlaced, and deinterlacing would change its "
                "samples: set the output to a progressive mode and capture again."
            )


def _check_transfer(source: Clip) -> None:
    if not (source.signal.is_hdr or source.signal.is_stated_sdr):
        raise SignalError(
            f"Nothing says whether the source {source.path.name} is PQ or HLG: state "
            "--source-signal transfer=pq or transfer=hlg."
        )


def _check_clips(source: Clip, capture: Clip) -> None:
    # A source without a tag is judged by its code values instead.
    read_as_sdr = not source.signal.is_hdr and source.signal.origins.get("transfer") != "assumed"
    if read_as_sdr and capture.signal.is_hdr:
        raise PairingError(
            f"The first clip, {source.path.name}, is SDR and the second, {capture.path.name}, is "
            "HDR: swap them, the HDR source comes first."
        )
    if source.signal.is_stated_sdr:
        return
    if source.bits < 10:
        raise PairingError(
            f"The source {source.path.name} has {source.bits} bits and HDR needs 10: give the clip "
            "that was played, not a conversion of it."
        )
    if read_as_sdr:
        raise PairingError(
            f"The source {source.path.name} is read as SDR ({source.signal.transfer}): give the "
            "HDR clip that was played, or state transfer=pq or transfer=hlg for the source if its "
            f"tag is wrong, or transfer={source.signal.transfer} if SDR was passed through."
        )
