"""v210 against an independent decoder, single-threaded."""

from __future__ import annotations

from fractions import Fraction

import av
import numpy as np
import pytest

from tonelab.media import open_clip, write_clip
from tonelab.signal.description import Signal

HEIGHT = 16  # the independent decoder gets very small pictures wrong


def random_planes(width, seed, low=0, high=1024):
    rng = np.random.default_rng(seed)
    shapes = ((HEIGHT, width), (HEIGHT, width // 2), (HEIGHT, width // 2))
    return tuple(rng.integers(low, high, shape).astype(np.uint16) for shape in shapes)


def decode_independently(path):
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        stream.thread_type = "NONE"
        stream.codec_context.thread_count = 1
        for frame in container.decode(stream):
            yield [
                np.frombuffer(plane, "<u2").reshape(plane.height, -1)[:, : plane.width].copy()
                for plane in frame.planes
            ]


@pytest.mark.outside("FFmpeg, libavcodec's v210 decoder on one thread", "library")
@pytest.mark.parametrize("suffix", [".mov", ".avi"])
@pytest.mark.parametrize("width", [2, 46, 720, 1280, 1920, 1998, 2048, 3840, 4096])
def test_our_files_and_our_reading_agree_with_the_independent_decoder(tmp_path, width, suffix):
    path = tmp_path / f"clip{suffix}"
    frames = [random_planes(width, seed) for seed in range(3)]
    write_clip(
        path,
        frames,
        width=width,
        height=HEIGHT,
        rate=Fraction(24),
        subsampling="422",
        bits=10,
        codec="v210",
        signal=Signal(),
    )
    read = [frame.planes for frame in open_clip(path).frames()]
    other = list(decode_independently(path))
    assert len(read) == len(other) == 3
    for ours, theirs, written in zip(read, other, frames, strict=True):
        for a, b, c in zip(ours, theirs, written, strict=True):
            assert np.array_equal(a, b)
            assert np.array_equal(a, c)


@pytest.mark.outside("FFmpeg, libavcodec's v210 encoder", "library")
@pytest.mark.parametrize("suffix", [".mov", ".avi"])
def test_files_of_the_independent_encoder_are_read_exactly(tmp_path, suffix):
    path = tmp_path / f"clip{suffix}"
    planes = random_planes(1280, 5, 4, 1020)  # that encoder clamps to 4..1019
    with av.open(str(path), "w") as container:
        stream = container.add_stream("v210", rate=25)
        stream.width, stream.height, stream.pix_fmt = 1280, HEIGHT, "yuv422p10le"
        frame = av.VideoFrame(1280, HEIGHT, "yuv422p10le")
        for target, plane in zip(frame.planes, planes, strict=True):
            rows = np.frombuffer(target, np.uint16).reshape(HEIGHT, -1)
            rows[:, : plane.shape[1]] = plane
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    [frame] = open_clip(path).frames()
    for read, plane in zip(frame.planes, planes, strict=True):
        assert np.array_equal(read, plane)
