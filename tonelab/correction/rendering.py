"""Rendering a clip or a still as a device, a standard conversion or a table would show it."""

from __future__ import annotations

import os
from collections import deque
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from tonelab.correction.applying import find_look, output_coding, tabulate
from tonelab.correction.picture import CHROMA_IN, CHROMA_OUT, codes_of, exact_planes, noise_tile
from tonelab.correction.table import interpolate
from tonelab.errors import UsageError
from tonelab.media import open_clip
from tonelab.media.stills import picture_files
from tonelab.media.writing import PICTURE_SUFFIXES, check_clip, write_clip, write_picture
from tonelab.outputs import check_output
from tonelab.readings.signals import read_content_source
from tonelab.results import Measurement, Viewable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from numpy.typing import NDArray

    from tonelab.correction.applying import Applied
    from tonelab.correction.picture import Raster
    from tonelab.media.clip import Clip, Frame, Subsampling
    from tonelab.media.writing import Codec
    from tonelab.results.progress import StageProgress
    from tonelab.signal.arrays import Planes
    from tonelab.signal.description import Signal
    from tonelab.signal.quantisation import Range

# What each ending is written as unless a codec is named, and the sampling of each codec.
FILMS: Mapping[str, Codec] = {
    ".mov": "v210", ".avi": "v210", ".v210": "v210", ".mkv": "ffv1", ".mp4": "hevc",
}  # fmt: skip
SAMPLING: Mapping[str, Subsampling] = {
    "v210": "422", "prores": "422", "ffv1": "422", "hevc": "420",
}  # fmt: skip
_BITS = {"film": 10, "still": 16}
_MOST_WORKERS = 6  # by default; each holds a picture of its own
_TRIED = 20_000  # colours on which a table is held against what it was made of


@dataclass(frozen=True, slots=True)
class Applying(Viewable):
    """What was rendered, and how.

    Attributes
    ----------
    name
        Of the device, standard conversion or table.
    output, codec, frames, width, height, sampling
        The file.
    signal
        How it is coded, in words.
    chroma, rounding
        How chroma was resampled and codes were rounded.
    nodes
        Of the lattice along each component; None for the exact formula.
    table_mean, table_p99
        By how many codes the lattice misses the exact formula, on colours of the cube that was
        measured, drawn evenly; None for the exact formula.
    beyond
        Share of samples with a component brighter than any that was measured; None for the exact
        formula.
    notes
        What whoever sees it must know.
    """

    name: str
    output: str
    codec: str
    frames: int
    width: int
    height: int
    sampling: str
    signal: str
    chroma: str
    rounding: str
    nodes: int | None
    table_mean: float | None
    table_p99: float | None
    beyond: float | None
    notes: tuple[str, ...]


@dataclass
class _Work:
    """What renders frames: by the lattice, or by the formula where there is none."""

    found: Applied
    source: Signal
    target: Signal
    sampling: tuple[Subsampling, Subsampling]
    noise: NDArray[np.float32]
    raster: Raster | None
    beyond: list[int] = field(default_factory=list)

    def render(self, frame: Frame) -> Planes:
        shift = (37 * frame.index, 71 * frame.index)
        if self.raster is None:
            return exact_planes(
                frame.planes, self.found.look, self.source, self.target, self.sampling,
                self.noise, shift,
            )  # fmt: skip
        planes, beyond = self.raster.planes(frame.planes, self.sampling, self.noise, shift)
        self.beyond.append(beyond)
        return planes


def apply(
    what: Measurement | str | Path,
    clip: str | Path,
    output: str | Path,
    *,
    codec: Codec | None = None,
    output_range: Range | None = None,
    dither: bool = False,
    exact: bool | None = None,
    frame: int | None = None,
    quality: int | None = None,
    peak: float | None = None,
    accept_average: bool = False,
    source_signal: Mapping[str, Any] | None = None,
    overwrite: bool = False,
    workers: int | None = None,
    progress: StageProgress | None = None,
) -> Applying:
    """Render a clip or a still as a device would show it.

    Parameters
    ----------
    what
        A measurement or its curve file, the name of a standard conversion, or a ``.clf`` or
        ``.cube``.
    clip
        HDR, as the device would play it.
    output
        ``.mov``, ``.avi`` or ``.v210`` (v210), ``.mkv`` (FFV1), ``.mp4`` (HEVC), or for one
        picture ``.png``, ``.tif`` or ``.tiff`` with R'G'B' of 16 bits.
    codec
        In place of the one that goes with the ending: ``v210``, ``ffv1``, ``hevc``, ``prores``.
    output_range
        Of the codes; by default that of the device.
    dither
        Add noise of triangular density and one code before rounding.
    exact
        Take the formula for each pixel in place of a lattice; by default for stills.
    frame
        The one to render, as a still.
    quality
        Quantiser of HEVC, see `tonelab.write_clip`.
    peak
        Mastering peak in cd/m2 that a standard conversion takes; that of the clip by default.
    accept_average
        Whether the average will do of a device that varies with the picture.
    source_signal
        Stated fields; they win over what the clip says.
    overwrite
        Replace an existing file.
    workers
        Threads that render; one for each core by default, six at most.
    progress
        Called with (stage, done, total).

    Raises
    ------
    UsageError, ClipError, SignalError
        One sentence each; no file is left then.
    """
    clip, output = Path(clip), Path(output)
    still = _is_still(output, codec)
    _check_paths(what, clip, output, overwrite=overwrite)
    with open_clip(clip, stated=source_signal or {}) as opened:
        _check_frames(clip, output, opened, frame, still=still)
        source = opened.signal
        source = read_content_source(source)[0] if _takes_hdr(what) else source
        metadata = opened.metadata
        found = find_look(
            what,
            source,
            peak=peak or (metadata.mastering_peak if metadata else None),
            accept_average=accept_average,
        )
        written = "" if still else codec or FILMS[output.suffix.lower()]
        wanted: Subsampling = "444" if still else SAMPLING[written]
        if written == "ffv1" and opened.subsampling == "444":
            wanted = "444"
        bits = _BITS["still" if still else "film"]
        target = output_coding(found.look, bits, output_range, rgb=still)
        if not still:
            check_clip(output, opened, codec=written, subsampling=wanted, bits=bits, signal=target)
        work = _Work(
            found, source, target, (opened.subsampling, wanted), noise_tile(dither=dither), None
        )
        report = progress or (lambda _stage, _done, _total: None)
        if not (still if exact is None else exact):
            report("tabulating", 0, 1)
            work.raster = tabulate(found, source, target)
            report("tabulating", 1, 1)
        if still:
            shown = work.render(next(opened.frames(frame or 0, (frame or 0) + 1)))
            write_picture(output, shown, bits=bits, signal=target, overwrite=overwrite)
            count = 1
        else:
            count = _write_film(
                work, opened, output, written, quality, workers, report, overwrite=overwrite
            )
        return _told(work, opened, output, written, count, dither=dither)


def _write_film(
    work: _Work,
    clip: Clip,
    output: Path,
    codec: str,
    quality: int | None,
    workers: int | None,
    report: StageProgress,
    *,
    overwrite: bool,
) -> int:
    """Write all frames of a film; return how many there are."""
    count = 0

    def progress(done: int) -> None:
        nonlocal count
        count = done
        report("rendering", done, max(clip.frame_count, done))

    threads = workers or min(os.cpu_count() or 1, _MOST_WORKERS)
    write_clip(
        output,
        in_order(work.render, clip.frames(), threads),
        width=clip.width,
        height=clip.height,
        rate=clip.rate,
        subsampling=work.sampling[1],
        bits=work.target.bits,
        codec=codec,  # type: ignore[arg-type]
        signal=work.target,
        quality=quality,
        overwrite=overwrite,
        progress=progress,
    )
    return count


def in_order(
    render: Callable[[Frame], Planes], frames: Iterator[Frame], workers: int
) -> Iterator[Planes]:
    """Yield what frames become, in their order, while ``workers`` threads render those after."""
    pool = ThreadPoolExecutor(workers, thread_name_prefix="render")
    waiting: deque[Any] = deque()
    try:
        for frame in frames:
            waiting.append(pool.submit(render, frame))
            if len(waiting) > workers:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        pool.shutdown(cancel_futures=True)


def _is_still(output: Path, codec: Codec | None) -> bool:
    suffix = output.suffix.lower()
    if suffix in PICTURE_SUFFIXES:
        if codec is not None:
            raise UsageError(f"{output} is a still and {codec} is for films: leave the codec out.")
        return True
    if suffix not in FILMS:
        known = ", ".join((*FILMS, *PICTURE_SUFFIXES))
        raise UsageError(f"{output} cannot be rendered: let its name end in one of {known}.")
    if codec is not None and codec not in SAMPLING:
        raise UsageError(f"The codec {codec} is not rendered: name one of {', '.join(SAMPLING)}.")
    return False


def _check_paths(
    what: Measurement | str | Path, clip: Path, output: Path, *, overwrite: bool
) -> None:
    read = [clip, *([] if isinstance(what, Measurement) else [Path(what)])]
    if clip.suffix.lower() in PICTURE_SUFFIXES or clip.is_dir():
        read += picture_files(clip)
    for path in read:
        if path.exists() and output.exists() and path.samefile(output):
            raise UsageError(f"{output} is what is read: name another file to write.")
    check_output(output, overwrite=overwrite)


def _check_frames(path: Path, output: Path, clip: Clip, frame: int | None, *, still: bool) -> None:
    """Refuse a clip that is interlaced, and one that asks for another number of pictures."""
    if clip.interlaced:
        raise UsageError(f"{path} is interlaced: rendering takes whole pictures only.")
    if still and clip.frame_count > 1 and frame is None:
        raise UsageError(
            f"{output.name} holds one picture and {path.name} is a film: name its frame "
            "(--frame), or a film to write."
        )
    if frame is not None and not (still and 0 <= frame < clip.frame_count):
        raise UsageError(
            f"Frame {frame} cannot be rendered: name one of 0 to {clip.frame_count - 1}, and "
            "a still to write (.png, .tif)."
        )


def _takes_hdr(what: Measurement | str | Path) -> bool:
    """Whether it takes HDR for certain: a table may be made for a device's output."""
    return isinstance(what, Measurement) or Path(what).suffix.lower() not in {".clf", ".cube"}


def _told(
    work: _Work, clip: Clip, output: Path, codec: str, count: int, *, dither: bool
) -> Applying:
    look, raster = work.found.look, work.raster
    mean, p99, nodes = None, None, None
    if raster is not None:
        nodes = work.found.lattice[2]
        mean, p99 = _missed(work, raster)
    samples = clip.width * clip.height * count
    cut = _cut_words(work)
    return Applying(
        name=look.name,
        output=output.name,
        codec=codec or output.suffix.lower().lstrip("."),
        frames=count,
        width=clip.width,
        height=clip.height,
        sampling=work.sampling[1],
        signal=work.target.describe(),
        chroma=_chroma_words(work),
        rounding=(
            "dithered by triangular noise of one code" if dither else "rounded to the nearest code"
        ),
        nodes=nodes,
        table_mean=mean,
        table_p99=p99,
        beyond=None if raster is None else sum(work.beyond) / samples,
        notes=(*work.found.notes, *cut),
    )


def _chroma_words(work: _Work) -> str:
    words = [] if work.sampling[0] == "444" else [f"in: {CHROMA_IN} ({work.source.siting})"]
    words += [] if work.sampling[1] == "444" else [f"out: {CHROMA_OUT}"]
    return "; ".join(words) or "not resampled"


def _missed(work: _Work, raster: Raster) -> tuple[float, float]:
    """Mean and 99th percentile of the codes by which a lattice misses what it was made of."""
    look = work.found.look
    signal = np.random.default_rng(1201).uniform(0, min(look.top, 1.0), (_TRIED, 3))
    place = (signal - work.found.lattice[0]) / (work.found.lattice[1] - work.found.lattice[0])
    nodes = work.found.lattice[2]
    table = np.asarray(raster.values[:, :3], np.float64).reshape(nodes, nodes, nodes, 3)
    read = interpolate(table, np.clip(place, 0.0, 1.0) * (nodes - 1), "tetrahedral")
    away = np.abs(read - codes_of(look(signal), work.target))
    return float(away.mean()), float(np.percentile(away, 99))


def _cut_words(work: _Work) -> list[str]:
    """Say what the range of the output cannot hold of what the device puts out."""
    look, target = work.found.look, work.target
    if target.range == "narrow" or (look.low >= 0 and look.high <= 1):
        return []
    seen = f"The device puts out signals from {look.low:.2f} to {look.high:.2f}"
    return [f"{seen}, of which full range holds 0 to 1: --output-range narrow holds more"]
