"""Registering a capture with its source: by the chart where there is one, else by the content."""

from __future__ import annotations

from typing import TYPE_CHECKING

from tonelab.chart import find_chart, locate, marks_plane, read_marker
from tonelab.errors import ChartError, PairingError, SignalError
from tonelab.pairing.by_chart import is_recoded, pair_by_chart
from tonelab.pairing.by_content import pair_by_content

if TYPE_CHECKING:
    from tonelab.chart import ChartReading
    from tonelab.media import Clip
    from tonelab.pairing.result import Pair
    from tonelab.results.progress import Progress

_HDR_BITS = 10  # the least that BT.2100-2 allows


def pair(
    source: Clip, capture: Clip, *, sdr: bool = False, progress: Progress | None = None
) -> Pair:
    """Register a capture with its source.

    Parameters
    ----------
    source
        The clip as it was played: the chart, or anything else.
    capture
        What was recorded at the device's output.
    sdr
        Whether an SDR source is taken, and not only where a person says that it is one.
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
    if not sdr and reads_as_sdr(source):
        _refuse_sdr(source)
    chart = _chart_of(source)
    if chart is None:
        _check_transfer(source)
        return pair_by_content(source, capture, progress)
    if not chart.layout.is_hdr and not sdr:
        _refuse_sdr(source)
    if (chart.layout.is_hdr and reads_as_sdr(source)) or is_recoded(source, chart):
        # What a device made of the chart, held against another capture of it; or a chart that was
        # coded anew, whose codes are not those that the layout knows.
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


def reads_as_sdr(clip: Clip) -> bool:
    """Whether something says that a clip is SDR, or its depth does: HDR needs 10 bits."""
    transfer = clip.signal.origins.get("transfer", "assumed")
    return not clip.signal.is_hdr and (transfer != "assumed" or clip.bits < _HDR_BITS)


def _chart_of(source: Clip) -> ChartReading | None:
    try:
        return find_chart(source)
    except ChartError:
        # A conversion of a chart may have another size than the chart.
        if not reads_as_sdr(source) and _shows_marks(source):
            raise
        return None


def _shows_marks(clip: Clip) -> bool:
    """Whether a clip starts with chart marks, though perhaps of a chart that is not known here."""
    for frame in clip.frames(0, 1):
        luma = marks_plane(frame, clip.signal)
        try:
            marker = read_marker(luma, locate(luma, clip.bits), clip.bits)
        except PairingError:
            continue
        return marker is not None and marker.ok
    return False


def _check_scan(*clips: Clip) -> None:
    for clip in clips:
        if clip.interlaced:
            raise PairingError(
                f"{clip.path.name} is flagged as interlaced, and deinterlacing would change its "
                "samples: set the output to a progressive mode and capture again."
            )


def _check_transfer(source: Clip) -> None:
    if not (source.signal.is_hdr or reads_as_sdr(source)):
        raise SignalError(
            f"Nothing says whether the source {source.path.name} is PQ, HLG or SDR: state "
            "--source-signal transfer=pq, transfer=hlg or transfer=bt1886."
        )


def _check_clips(source: Clip, capture: Clip) -> None:
    # A source without a tag is judged by its code values instead.
    read_as_sdr = not source.signal.is_hdr and source.signal.origins.get("transfer") != "assumed"
    if read_as_sdr and capture.signal.is_hdr:
        raise PairingError(
            f"The first clip, {source.path.name}, is SDR and the second, {capture.path.name}, is "
            "HDR: swap them, the HDR source comes first."
        )
    if source.signal.is_hdr and source.bits < _HDR_BITS:
        raise PairingError(
            f"The source {source.path.name} has {source.bits} bits and HDR needs {_HDR_BITS}: give "
            "the clip that was played, not a conversion of it."
        )


def _refuse_sdr(source: Clip) -> None:
    """Refuse SDR where a conversion from HDR is to be measured, unless a person says that it is."""
    if source.signal.is_stated_sdr:
        return
    raise PairingError(
        f"The source {source.path.name} is read as SDR ({source.signal.transfer}): hold a capture "
        "of it against it with 'tonelab check', as 'tonelab measure' takes HDR; or state "
        "transfer=pq or transfer=hlg for the source if its tag is wrong, or "
        f"transfer={source.signal.transfer} if SDR was passed through and is to be measured."
    )
