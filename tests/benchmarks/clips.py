"""Clips for the benchmarks: a UHD chart with grain, and what a simple device makes of it."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

import av
import numpy as np

from tonelab.chart import Layout, chart_signal, render_planes
from tonelab.media import write_clip
from tonelab.signal.description import Signal

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tonelab.media.clip import Planes

RATE = Fraction(24)
LUMA = np.rint(64 + 800 * np.clip((np.arange(1024) - 64) / 876, 0, 1) ** 0.8).astype(np.uint16)
CHROMA = ((np.arange(1024) + 512) // 2).astype(np.uint16)


def make_clips(folder: Path, layout: Layout) -> None:
    """Write source.mov and capture.mov (v210), source.mp4 (HEVC) and source.mkv (FFV1)."""
    size = {"width": layout.width, "height": layout.height, "rate": RATE, "bits": 10}
    signal = chart_signal(layout)
    write_clip(
        folder / "source.mov",
        map(as_422, grainy(layout)),
        subsampling="422",
        codec="v210",
        signal=signal,
        **size,
    )
    write_clip(
        folder / "capture.mov",
        ((LUMA[y], CHROMA[cb], CHROMA[cr]) for y, cb, cr in map(as_422, grainy(layout))),
        subsampling="422",
        codec="v210",
        signal=Signal(),
        **size,
    )
    write_clip(
        folder / "source.mkv",
        grainy(layout),
        subsampling="420",
        codec="ffv1",
        signal=signal,
        **size,
    )
    write_hevc(folder / "source.mp4", layout)


def grainy(layout: Layout) -> Iterator[Planes]:
    """Pictures of the chart with grain, so that decoders have something to do."""
    rng = np.random.default_rng(2020)
    grain = rng.normal(0, 2, (layout.height, layout.width)).round().astype(np.int16)
    for index in range(layout.frame_count):
        luma, cb, cr = render_planes(layout, index)
        moved = np.roll(grain, (37 * index, 91 * index), (0, 1))
        yield np.clip(luma + moved, 4, 1019).astype(np.uint16), cb, cr


def as_422(planes: Planes) -> Planes:
    luma, cb, cr = planes
    return luma, cb.repeat(2, axis=0), cr.repeat(2, axis=0)


def write_hevc(path: Path, layout: Layout) -> None:
    """Write HEVC as it is delivered: lossy, with a key picture every half second."""
    coding = "log-level=none:keyint=12:open-gop=0:qp=10"  # fine enough to keep the grain
    options = {"preset": "ultrafast", "x265-params": coding}
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx265", rate=RATE, options=options)
        stream.width, stream.height, stream.pix_fmt = layout.width, layout.height, "yuv420p10le"
        for index, planes in enumerate(grainy(layout)):
            picture = av.VideoFrame(layout.width, layout.height, "yuv420p10le")
            for stored, plane in zip(picture.planes, planes, strict=True):
                rows = np.frombuffer(stored, np.uint16).reshape(plane.shape[0], -1)
                rows[:, : plane.shape[1]] = plane
            picture.pts, picture.time_base = index, 1 / RATE
            container.mux(stream.encode(picture))
        container.mux(stream.encode(None))
