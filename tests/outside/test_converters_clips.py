"""A converted clip holds the same codes as converted patches."""

from __future__ import annotations

import av
import numpy as np
import pytest
from converters import convert_clip, convert_patches, ffmpeg_tonemap, ocio_aces, swscale_intent
from numpy.testing import assert_array_equal

PATCH = 32  # luma pixels
GRID = (6, 10)
FRAMES = 2


@pytest.fixture(scope="module")
def pages():
    """Narrow 10-bit BT.2020 PQ colours (frame, row, column, 3) inside the colour cube."""
    rgb = np.random.default_rng(709).uniform(0, 0.75, (FRAMES, *GRID, 3))
    luma = rgb @ np.array([0.2627, 0.6780, 0.0593])
    chroma = (rgb[..., 2] - luma) / 1.8814, (rgb[..., 0] - luma) / 1.4746
    return np.rint(np.stack([luma, *chroma], -1) * (876, 896, 896) + (64, 512, 512)).astype(
        np.uint16
    )


@pytest.fixture(scope="module")
def source(pages, tmp_path_factory):
    path = tmp_path_factory.mktemp("clips") / "source.mkv"
    height, width = GRID[0] * PATCH, GRID[1] * PATCH
    with av.open(str(path), "w") as container:
        stream = container.add_stream("ffv1", rate=24)
        stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p10le"
        for index, page in enumerate(pages):
            frame = av.VideoFrame(width, height, "yuv420p10le")
            for plane, values, size in zip(
                frame.planes, np.moveaxis(page, -1, 0), (PATCH, PATCH // 2, PATCH // 2), strict=True
            ):
                drawn = np.kron(values, np.ones((size, size), np.uint16))
                np.frombuffer(plane, "<u2").reshape(plane.height, -1)[:, : plane.width] = drawn
            frame.pts = index
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


def read_planes(path):
    """Planes of each frame of a v210 clip, decoded on one thread."""
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        assert stream.codec_context.name == "v210"
        stream.thread_type = "NONE"
        stream.codec_context.thread_count = 1
        return [
            [
                np.frombuffer(plane, "<u2").reshape(plane.height, -1)[:, : plane.width]
                for plane in frame.planes
            ]
            for frame in container.decode(stream)
        ]


def read_centres(path):
    """Codes (frame, row, column, 3) of the patches of a v210 clip."""
    half = PATCH // 2
    return np.array(
        [
            np.stack(
                [
                    luma[half::PATCH, half::PATCH],
                    *(plane[half::PATCH, half // 2 :: half] for plane in chroma),
                ],
                -1,
            )
            for luma, *chroma in read_planes(path)
        ]
    )


@pytest.mark.outside("FFmpeg, filters zscale and tonemap", "library")
@pytest.mark.parametrize(
    "converter",
    [
        ffmpeg_tonemap("hable"),
        ffmpeg_tonemap("mobius", peak=4, desaturation=2),
        swscale_intent("saturation"),
        ocio_aces("2.0"),
    ],
    ids=lambda converter: converter.name,
)
def test_clip_equals_patches(converter, pages, source, tmp_path):
    capture = tmp_path / "capture.mov"
    convert_clip(source, capture, converter)
    converted = convert_patches(pages.reshape(-1, 3), converter)
    assert_array_equal(read_centres(capture), converted.reshape(pages.shape))


@pytest.mark.parametrize("tagged", [False, True])
def test_tags_are_kept_or_stripped(tagged, source, tmp_path):
    capture = tmp_path / "capture.mov"
    convert_clip(source, capture, ffmpeg_tonemap("clip"), tagged=tagged)
    with av.open(str(capture)) as container:
        context = container.streams.video[0].codec_context
        assert (context.color_primaries, context.color_trc) == ((1, 1) if tagged else (2, 2))


@pytest.mark.outside("FFmpeg, filters zscale and tonemap", "library")
@pytest.mark.parametrize(
    "converter",
    [ffmpeg_tonemap("reinhard"), ocio_aces("1.0")],
    ids=lambda converter: converter.name,
)
def test_captured_chart_holds_the_converted_patches(converter, captured, quick_layout):
    patches = quick_layout.patches
    expected = convert_patches(patches.code.astype(np.uint16), converter)
    x, y = patches.x + patches.width // 2, patches.y + patches.height // 2
    frames = read_planes(captured(converter))
    assert len(frames) == quick_layout.frame_count
    for page in np.unique(patches.page):
        rows = patches.page == page
        luma, cb, cr = frames[page * quick_layout.hold + 1]
        chroma = (plane[y[rows], x[rows] // 2] for plane in (cb, cr))
        read = np.stack([luma[y[rows], x[rows]], *chroma], -1)
        assert_array_equal(read, expected[rows])
