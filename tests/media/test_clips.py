"""What is written is read: planes, tags, metadata, exact frames, and files whole or absent."""

from __future__ import annotations

import gc
import pickle
import sys
from fractions import Fraction
from itertools import pairwise

import av
import numpy as np
import pytest

from tonelab.errors import ClipError, SignalError
from tonelab.media import (
    ClipFormat,
    StaticMetadata,
    decoder_is_deterministic,
    open_clip,
    write_clip,
)
from tonelab.media.pixels import pixel_format
from tonelab.media.readers import parse_rate
from tonelab.signal.description import Signal

WIDTH, HEIGHT = 98, 64
RATE = Fraction(24000, 1001)
FACTORS = {"420": (2, 2), "422": (2, 1), "444": (1, 1)}
HDR10 = Signal(matrix="bt2020", transfer="pq", primaries="bt2020", siting="topleft")
# The mastering display of SMPTE ST 2086 with BT.2020 primaries and D65.
METADATA = StaticMetadata(
    mastering_primaries=((0.708, 0.292), (0.170, 0.797), (0.131, 0.046)),
    mastering_white=(0.3127, 0.3290),
    mastering_peak=1000.0,
    mastering_black=0.0001,
    max_cll=1000,
    max_fall=400,
)


def shapes(subsampling):
    x, y = FACTORS[subsampling]
    small = (HEIGHT // y, WIDTH // x)
    return ((HEIGHT, WIDTH), small, small)


def noise(count, subsampling="420", bits=10):
    rng = np.random.default_rng(7)
    return [
        tuple(rng.integers(0, 2**bits, s).astype(np.uint16) for s in shapes(subsampling))
        for _ in range(count)
    ]


def write(path, frames, subsampling="420", bits=10, codec="hevc", signal=HDR10, **options):
    write_clip(
        path,
        frames,
        width=WIDTH,
        height=HEIGHT,
        rate=RATE,
        subsampling=subsampling,
        bits=bits,
        codec=codec,
        signal=signal,
        **options,
    )
    return path


def assert_same(frames, expected):
    frames = list(frames)
    assert len(frames) == len(expected)
    for frame, planes in zip(frames, expected, strict=True):
        for read, plane in zip(getattr(frame, "planes", frame), planes, strict=True):
            assert read.dtype == np.uint16
            assert np.array_equal(read, plane)


@pytest.mark.parametrize(
    ("name", "codec", "subsampling", "bits", "options"),
    [
        ("with space, accent é.mp4", "hevc", "420", 10, {"lossless": True}),
        ("a:b.mov", "hevc", "422", 10, {"lossless": True}),
        ("12.mkv", "hevc", "444", 12, {"lossless": True}),
        ("8.mkv", "hevc", "420", 8, {"lossless": True}),
        ("f.mkv", "ffv1", "420", 10, {}),
        ("f.avi", "ffv1", "422", 12, {}),
        ("f16.mkv", "ffv1", "444", 16, {}),
        ("f8.mkv", "ffv1", "444", 8, {}),
        ("v.mov", "v210", "422", 10, {}),
        ("v.avi", "v210", "422", 10, {}),
    ],
)
def test_every_code_survives(tmp_path, name, codec, subsampling, bits, options):
    if sys.platform == "win32" and ":" in name:
        pytest.skip("no colon in a file name there")
    frames = noise(5, subsampling, bits)
    clip = open_clip(write(tmp_path / name, frames, subsampling, bits, codec, **options))
    assert clip.format == ClipFormat(
        {".mkv": "matroska"}.get(clip.path.suffix, clip.path.suffix[1:]),
        codec,
        WIDTH,
        HEIGHT,
        RATE,
        subsampling,
        bits,
    )
    assert clip.frame_count == 5
    assert [frame.index for frame in clip.frames()] == [0, 1, 2, 3, 4]
    assert_same(clip.frames(), frames)
    assert_same(clip.frames(2, 4), frames[2:4])
    assert_same(clip.pick([1, 4]), [frames[1], frames[4]])
    assert [f.name for f in tmp_path.iterdir()] == [name]


@pytest.mark.parametrize(
    ("name", "codec", "subsampling"),
    [("c.mov", "v210", "422"), ("c.mkv", "ffv1", "420"), ("c.mkv", "ffv1", "444")],
)
def test_strips_and_rows_are_parts_of_the_frames(tmp_path, monkeypatch, name, codec, subsampling):
    frames = noise(4, subsampling)
    clip = open_clip(write(tmp_path / name, frames, subsampling, 10, codec))
    monkeypatch.setattr("tonelab.media.clip.STRIP_BYTES", 6 * 2 * WIDTH)
    seen = []
    for index, strips in clip.strips([1, 3]):
        parts = [(strip.tops, [plane.copy() for plane in strip.planes]) for strip in strips]
        assert len(parts) > 1
        for channel, plane in enumerate(frames[index]):
            assert np.array_equal(np.concatenate([planes[channel] for _, planes in parts]), plane)
            ends = np.cumsum([0, *(len(planes[channel]) for _, planes in parts)])
            assert [tops[channel] for tops, _ in parts] == ends[:-1].tolist()
        seen.append(index)
    assert seen == [1, 3]
    rows = np.array([0, 1, 4, 5, 6, HEIGHT // 2 - 1])
    for channel in range(3):
        found = list(clip.rows(rows, channel))
        assert [index for index, _ in found] == [0, 1, 2, 3]
        for index, part in found:
            assert np.array_equal(part, frames[index][channel][rows])


@pytest.mark.parametrize(
    ("name", "codec", "subsampling", "bits"),
    [("v.v210", "v210", "422", 10), ("p.yuv", "raw", "420", 12), ("p8.raw", "raw", "444", 8)],
)
def test_bare_files_need_their_format_stated(tmp_path, name, codec, subsampling, bits):
    frames = noise(3, subsampling, bits)
    path = write(tmp_path / name, frames, subsampling, bits, codec)
    with pytest.raises(ClipError, match="state width, height, rate"):
        open_clip(path)
    stated = {"width": WIDTH, "height": HEIGHT, "rate": 23.976}
    if codec == "raw":
        stated |= {"subsampling": subsampling, "bits": bits}
    clip = open_clip(path, stated=stated)
    assert (clip.rate, clip.frame_count, clip.bits) == (RATE, 3, bits)
    assert_same(clip.frames(), frames)
    with pytest.raises(ClipError, match="width -3 is not a positive"):
        open_clip(path, stated=stated | {"width": -3})


def test_short_stride_of_a_bare_file_is_recognised_and_noted(tmp_path):
    frames = noise(2, "422")
    path = write(tmp_path / "v.v210", frames, "422", codec="v210")
    rows = np.frombuffer(path.read_bytes(), np.uint8).reshape(2 * HEIGHT, -1)
    path.write_bytes(rows[:, : -(-WIDTH // 6) * 16].tobytes())
    clip = open_clip(path, stated={"width": WIDTH, "height": HEIGHT, "rate": 24})
    assert "padded to 6 pixels" in clip.notes[0]
    assert_same(clip.frames(), frames)


def test_violations_in_a_v210_clip(tmp_path):
    frames = noise(1, "422")
    clip = open_clip(write(tmp_path / "v.mov", frames, "422", codec="v210"))
    reserved = sum(int(((plane < 4) | (plane > 1019)).sum()) for plane in frames[0])
    assert clip.violations(0) == (reserved, 0)


def test_planes_are_read_only_and_outlive_the_clip(tmp_path):
    with open_clip(write(tmp_path / "c.mkv", noise(3), codec="ffv1")) as clip:
        kept = list(clip.frames())
    gc.collect()
    assert_same(kept, noise(3))
    with pytest.raises(ValueError, match="read-only"):
        kept[0].planes[0][0, 0] = 1


def test_hdr10_tags_and_metadata_come_back(tmp_path):
    path = write(tmp_path / "c.mp4", noise(2), metadata=METADATA)
    clip = open_clip(path)
    assert clip.metadata == METADATA
    for field in ("matrix", "range", "transfer", "primaries"):
        assert getattr(clip.signal, field) == getattr(HDR10, field)
        assert clip.signal.origins[field] == "declared"
    with av.open(str(path)) as container:
        codec = container.streams.video[0].codec_context
        assert (codec.codec_tag, codec.profile) == ("hvc1", "Main 10")
    facts = clip.facts()
    assert (facts.mastering_peak, facts.max_cll, facts.rate) == (1000.0, 1000, "24000/1001")
    assert facts.sha256 == ""
    assert len(clip.sha256()) == 64


@pytest.mark.parametrize(
    ("name", "codec", "subsampling", "kept"),
    [
        ("c.mp4", "hevc", "420", {"matrix", "transfer", "primaries", "range"}),
        ("c.mkv", "ffv1", "422", {"matrix", "transfer", "primaries", "range"}),
        ("c.mov", "v210", "422", {"matrix", "transfer", "primaries"}),
        ("c.avi", "v210", "422", set()),
    ],
)
@pytest.mark.parametrize(
    "signal",
    [
        Signal(matrix="bt2020", transfer="hlg", primaries="bt2020", range="full"),
        Signal(matrix="bt709", transfer="bt1886", primaries="bt709"),
    ],
)
def test_containers_keep_these_tags(tmp_path, name, codec, subsampling, kept, signal):
    path = write(tmp_path / name, noise(1, subsampling), subsampling, codec=codec, signal=signal)
    read = open_clip(path).signal
    for field in ("matrix", "transfer", "primaries", "range"):
        if field in kept:
            assert getattr(read, field) == getattr(signal, field)
            assert read.origins[field] == "declared"
        else:
            assert read.origins[field] == "assumed"


def test_statements_win_and_contradictions_are_refused(tmp_path):
    path = write(tmp_path / "c.mkv", noise(1), codec="ffv1")
    signal = open_clip(path, stated={"transfer": "hlg", "peak": 1000.0}).signal
    assert (signal.transfer, signal.peak) == ("hlg", 1000.0)
    assert signal.origins["transfer"] == "stated"
    assert signal.origins["primaries"] == "declared"
    with pytest.raises(SignalError, match="10-bit codes, not 8"):
        open_clip(path, stated={"bits": 8})
    with pytest.raises(SignalError, match="luma and chroma planes"):
        open_clip(path, stated={"matrix": "rgb"})


def test_rgb_planes_come_as_red_green_blue(tmp_path):
    signal = Signal(matrix="rgb", range="full", bits=16)
    frames = noise(2, "444", 16)
    path = write(tmp_path / "c.mkv", frames, "444", 16, "ffv1", signal)
    clip = open_clip(path)
    assert clip.signal.matrix == "rgb"
    assert_same(clip.frames(), frames)
    with av.open(str(path)) as container:  # gbrp16le stores green, blue, red
        picture = next(container.decode(video=0))
        green = np.frombuffer(picture.planes[0], np.uint16).reshape(HEIGHT, -1)[:, :WIDTH]
    assert np.array_equal(green, frames[0][1])


@pytest.mark.parametrize("fields", [True, False])
def test_interlaced_pictures_are_flagged(tmp_path, fields):
    path = tmp_path / "c.mp4"
    with av.open(str(path), "w") as container:
        options = {"x264-params": "tff=1"} if fields else {}
        stream = container.add_stream("libx264", rate=25, options=options)
        stream.width, stream.height, stream.pix_fmt = 64, 64, "yuv420p"
        container.mux(stream.encode(av.VideoFrame(64, 64, "yuv420p")))
        container.mux(stream.encode(None))
    clip = open_clip(path)
    assert clip.interlaced is fields
    assert (clip.bits, clip.subsampling) == (8, "420")


def test_pixel_formats():
    full, deep = pixel_format("yuvj420p"), pixel_format("gbrap12le")
    assert (full.subsampling, full.bits, full.full, full.rgb) == ("420", 8, True, False)
    assert (deep.subsampling, deep.bits, deep.full, deep.rgb) == ("444", 12, False, True)
    refused = "gray10le pal8 rgb565le gbrpf16le gbrap32le yuv440p yuv411p xyz12le ya8 nonsense"
    assert [name for name in refused.split() if pixel_format(name)] == []


@pytest.mark.parametrize("suffix", [".mp4", ".mkv"])
@pytest.mark.parametrize("parameters", ["bframes=4:keyint=12:open-gop=1", "bframes=3:keyint=250"])
def test_frames_are_exact_after_seeking_among_reordered_pictures(tmp_path, suffix, parameters):
    path = tmp_path / f"c{suffix}"
    rng = np.random.default_rng(2)
    base = np.kron(rng.integers(100, 900, (8, 8)), np.ones((8, 8))).astype(np.uint16)
    with av.open(str(path), "w") as container:
        options = {"x265-params": f"log-level=none:qp=10:scenecut=0:{parameters}"}
        stream = container.add_stream("libx265", rate=24, options=options)
        stream.width, stream.height, stream.pix_fmt = 64, 64, "yuv420p10le"
        for index in range(50):
            picture = av.VideoFrame(64, 64, "yuv420p10le")
            for plane in picture.planes:
                np.frombuffer(plane, np.uint16)[:] = 512
            luma = np.frombuffer(picture.planes[0], np.uint16).reshape(64, -1)
            luma[:, :64] = np.roll(base, index, axis=1)
            picture.pts, picture.time_base = index, Fraction(1, 24)
            container.mux(stream.encode(picture))
        container.mux(stream.encode(None))
    clip = open_clip(path)
    counted = [frame.planes[0] for frame in clip.frames()]
    assert clip.frame_count == len(counted) == 50
    assert all(abs(a.astype(int) - b).max() > 50 for a, b in pairwise(counted))
    for start in (1, 7, 10, 11, 12, 13, 23, 24, 30, 49):
        for frame in clip.frames(start, start + 3):
            assert np.array_equal(frame.planes[0], counted[frame.index])
        assert [f.index for f in clip.frames(start, start + 2)] == list(range(50))[
            start : start + 2
        ]
    assert not list(clip.frames(50))
    assert not list(clip.frames(5, 5))
    entries = clip.entries()
    assert entries[0] == 0
    assert (len(entries) == 1) == ("keyint=250" in parameters)


def test_flat_patches_survive_the_default_quality(tmp_path):
    rng = np.random.default_rng(11)
    size = {"width": 384, "height": 192}
    patches = [rng.integers(64, 941, (8, 16)).astype(np.uint16) for _ in range(3)]
    planes = tuple(
        np.kron(patch, np.ones((edge, edge), np.uint16))
        for patch, edge in zip(patches, (24, 12, 12), strict=True)
    )
    write_clip(
        tmp_path / "c.mp4",
        [planes] * 6,
        **size,
        rate=RATE,
        subsampling="420",
        bits=10,
        codec="hevc",
        signal=HDR10,
    )
    for frame in open_clip(tmp_path / "c.mp4").frames():
        for plane, patch, edge in zip(frame.planes, patches, (24, 12, 12), strict=True):
            cells = plane.reshape(8, edge, 16, edge)
            margin = edge // 4
            inner = cells[:, margin:-margin, :, margin:-margin].astype(int)
            assert abs(inner - patch[:, None, :, None]).max() <= 1


@pytest.mark.parametrize("name", ["c.mkv", "c.mov"])
def test_clips_travel_to_other_processes(tmp_path, name):
    codec = "v210" if name == "c.mov" else "ffv1"
    frames = noise(3, "422")
    clip = open_clip(write(tmp_path / name, frames, "422", codec=codec))
    assert_same(pickle.loads(pickle.dumps(clip)).frames(1), frames[1:])


def test_two_readings_agree(tmp_path):
    assert decoder_is_deterministic(open_clip(write(tmp_path / "c.mp4", noise(4))))


def test_reading_does_not_hold_on_to_frames(tmp_path):
    clip = open_clip(write(tmp_path / "c.mkv", noise(40), codec="ffv1"))
    gc.collect()
    gc.disable()
    try:
        for frame in clip.frames():
            if frame.index == 39:
                alive = sum(isinstance(thing, av.VideoFrame) for thing in gc.get_objects())
    finally:
        gc.enable()
    assert 1 <= alive <= 4


@pytest.mark.parametrize(
    ("value", "rate"),
    [
        ("24000/1001", Fraction(24000, 1001)),
        (59.94, Fraction(60000, 1001)),
        (24, Fraction(24)),
        ("25", Fraction(25)),
        (119.88, Fraction(120000, 1001)),
    ],
)
def test_rates(value, rate):
    assert parse_rate(value) == rate


@pytest.mark.parametrize("value", ["fast", 0, -24, "24/0"])
def test_bad_rates(value):
    with pytest.raises(ClipError, match="not a positive number"):
        parse_rate(value)


@pytest.mark.outside("RFC 9559 (Matroska), ChromaSitingHorz and ChromaSitingVert", "published")
@pytest.mark.parametrize(
    ("siting", "across", "down"), [("left", 1, 2), ("topleft", 1, 1), ("centre", 2, 2)]
)
def test_matroska_says_where_chroma_stands(siting, across, down, tmp_path):
    path = tmp_path / "clip.mkv"
    planes = tuple(np.full((side // 2, side), 512, np.uint16) for side in (32, 16, 16))
    write_clip(
        path, [planes], width=32, height=16, rate=Fraction(24), subsampling="420", bits=10,
        codec="ffv1", signal=Signal(siting=siting),
    )  # fmt: skip
    assert bytes([0x55, 0xB7, 0x81, across, 0x55, 0xB8, 0x81, down]) in path.read_bytes()
