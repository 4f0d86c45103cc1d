"""Bad input gives one sentence, and a failed write leaves nothing."""

from __future__ import annotations

import os
import subprocess
import sys
from fractions import Fraction

import av
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tonelab.errors import ClipError, TonelabError
from tonelab.media import StaticMetadata, open_clip, write_clip
from tonelab.signal.description import Signal

WIDTH, HEIGHT, COUNT = 96, 64, 12
SIGNAL = Signal()
KINDS = {
    "hevc.mp4": ("hevc", "420"),
    "hevc.mkv": ("hevc", "420"),
    "ffv1.mkv": ("ffv1", "422"),
    "ffv1.avi": ("ffv1", "422"),
    "v210.mov": ("v210", "422"),
    "v210.avi": ("v210", "422"),
}


def planes(index, subsampling):
    rng = np.random.default_rng(index)
    small = (HEIGHT // 2 if subsampling == "420" else HEIGHT, WIDTH // 2)
    return tuple(
        np.kron(rng.integers(64, 940, (h // 8, w // 8)), np.ones((8, 8))).astype(np.uint16)
        for h, w in ((HEIGHT, WIDTH), small, small)
    )


def write(path, codec="hevc", subsampling="420", frames=None, **options):
    options = {
        "width": WIDTH,
        "height": HEIGHT,
        "rate": Fraction(24),
        "subsampling": subsampling,
        "bits": 10,
        "signal": SIGNAL,
    } | options
    if frames is None:
        frames = (planes(index, subsampling) for index in range(COUNT))
    write_clip(path, frames, codec=codec, **options)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    folder = tmp_path_factory.mktemp("whole")
    for name, (codec, subsampling) in KINDS.items():
        write(folder / name, codec, subsampling)
    # An index at the head, as players on a network want it, survives a cut.
    with av.open(str(folder / "hevc.mp4")) as source:
        options = {"movflags": "+faststart"}
        with av.open(str(folder / "head.mp4"), "w", options=options) as target:
            stream = target.add_stream_from_template(source.streams.video[0])
            for packet in source.demux(video=0):
                if packet.dts is not None:
                    packet.stream = stream
                    target.mux(packet)
    return {
        path.name: (path.read_bytes(), [frame.planes for frame in open_clip(path).frames()])
        for path in folder.iterdir()
    }


def one_sentence(error):
    text = str(error.value)
    assert "\n" not in text
    assert text.endswith(".")
    return text


def read(path, data, expected):
    """Read damaged bytes; what comes before the sentence must be right. Returns the count."""
    path.write_bytes(data)
    good = 0
    try:
        for frame in open_clip(path).frames():
            assert all(map(np.array_equal, frame.planes, expected[frame.index]))
            good += 1
    except ClipError as error:
        text = str(error)
        if f"frame {good - 1} is the last good one of {COUNT}" not in text:
            assert good == 0
    return good


@settings(deadline=None, max_examples=25)
@given(part=st.floats(0.0, 0.999))
@pytest.mark.parametrize("name", [*KINDS, "head.mp4"])
def test_a_cut_file_gives_its_good_frames_and_a_sentence(whole, tmp_path_factory, name, part):
    data, expected = whole[name]
    cut = data[: int(part * len(data))]
    path = tmp_path_factory.mktemp("cut") / name
    assert read(path, cut, expected) <= part * COUNT + 3


def test_a_cut_inside_the_index_is_one_sentence(whole, tmp_path):
    data, expected = whole["head.mp4"]
    for size in range(280, 460, 3):
        assert read(tmp_path / "head.mp4", data[:size], expected) == 0


@pytest.mark.parametrize("name", ["head.mp4", "hevc.mkv", "ffv1.mkv", "ffv1.avi", "v210.avi"])
def test_a_file_cut_in_the_middle_names_its_last_good_frame(whole, tmp_path, name):
    data, _ = whole[name]
    path = tmp_path / name
    path.write_bytes(data[: int(0.7 * len(data))])
    clip = open_clip(path)
    with pytest.raises(ClipError, match=r"frame \d+ is the last good one of 12") as error:
        list(clip.frames())
    one_sentence(error)


@settings(deadline=None, max_examples=25)
@given(where=st.floats(0.0, 0.999), bit=st.integers(0, 7))
@pytest.mark.parametrize("name", list(KINDS))
def test_a_flipped_bit_never_gives_a_traceback(whole, tmp_path_factory, name, where, bit):
    data = bytearray(whole[name][0])
    data[int(where * len(data))] ^= 1 << bit
    path = tmp_path_factory.mktemp("flip") / name
    path.write_bytes(data)
    try:
        for frame in open_clip(path).frames():
            assert frame.planes[0].dtype == np.uint16
    except TonelabError as error:
        assert str(error).endswith(".")  # noqa: PT017 - most flips are decoded, some are seen


def test_missing_folder_empty_and_foreign_files(tmp_path):
    for name, content, reason in (
        ("missing.mov", None, "does not exist"),
        ("empty.mov", b"", "is empty"),
        ("text.mov", b"not a video at all\n" * 50, "not a video"),
        ("junk.mp4", bytes(5000), "not a video"),
    ):
        if content is not None:
            (tmp_path / name).write_bytes(content)
        with pytest.raises(ClipError, match=reason) as error:
            open_clip(tmp_path / name)
        assert name in one_sentence(error)
    with pytest.raises(ClipError, match="leads to no PNG"):
        open_clip(tmp_path)


@pytest.mark.skipif(os.name == "nt", reason="files in use cannot be removed there")
@pytest.mark.parametrize("name", list(KINDS))
def test_an_input_that_vanishes_is_one_sentence(whole, tmp_path, name):
    """As on a disk that is unplugged after the clip was opened."""
    path = tmp_path / name
    path.write_bytes(whole[name][0])
    clip = open_clip(path)
    path.unlink()
    for read in (lambda: list(clip.frames()), lambda: list(clip.frames(5)), clip.sha256):
        with pytest.raises(ClipError, match=r"cannot be read any more .* still there") as error:
            read()
        one_sentence(error)


def test_a_file_without_permission(tmp_path):
    path = tmp_path / "c.mov"
    path.write_bytes(b"x")
    path.chmod(0)
    if os.access(path, os.R_OK):
        pytest.skip("this user reads everything")
    with pytest.raises(ClipError, match="check its permissions"):
        open_clip(path)


def test_a_file_with_sound_alone(tmp_path):
    path = tmp_path / "sound.mkv"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("pcm_s16le", rate=48000)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.int16), "s16", "mono")
        frame.rate = 48000
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    with pytest.raises(ClipError, match="holds no video"):
        open_clip(path)


def test_pictures_of_fewer_bits_are_refused(tmp_path):
    path = tmp_path / "few.nut"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("rawvideo", rate=24)
        stream.width, stream.height, stream.pix_fmt = 32, 32, "rgb565le"
        container.mux(stream.encode(av.VideoFrame(32, 32, "rgb565le")))
        container.mux(stream.encode(None))
    with pytest.raises(ClipError, match="no native planes") as error:
        open_clip(path)
    assert "rgb565le" in one_sentence(error)


def test_v210_packets_too_small_for_their_size(tmp_path):
    path = tmp_path / "short.mov"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("v210", rate=24)
        stream.width, stream.height, stream.pix_fmt = 1280, 16, "yuv422p10le"
        packet = av.Packet(bytes(3424 * 16 - 16))
        packet.stream, packet.time_base, packet.is_keyframe = stream, Fraction(1, 24), True
        packet.pts = packet.dts = 0
        container.mux(packet)
    with pytest.raises(ClipError, match="too few for 1280x16") as error:
        open_clip(path)
    one_sentence(error)


@pytest.mark.parametrize(
    ("name", "options", "reason"),
    [
        ("c.avi", {}, "cannot hold hevc"),
        ("c.mov", {"codec": "v210", "subsampling": "420"}, "v210 cannot hold 420"),
        ("c.mov", {"codec": "v210", "subsampling": "422", "bits": 8}, "cannot hold 8 bits"),
        ("c.mp4", {"codec": "mystery"}, "codec mystery is unknown"),
        ("c.mp4", {"width": 95}, "use even numbers"),
        ("c.mp4", {"quality": 99}, "quality of 99 is out of range"),
        ("c.mp4", {"frames": []}, "would hold no frame"),
        ("c.mp4", {"signal": Signal(matrix="rgb")}, "use 444 sampling"),
        ("c.mp4", {"metadata": StaticMetadata(mastering_peak=1000.0)}, "state all of them"),
        ("none/c.mp4", {}, "does not exist"),
        ("c.mp4", {"frames": [planes(0, "422")]}, "second plane of frame 0"),
        ("c.mp4", {"frames": [[p * 2 for p in planes(0, "420")]]}, "beyond 10 bits"),
    ],
)
def test_impossible_writes_are_refused_and_leave_nothing(tmp_path, name, options, reason):
    with pytest.raises(ClipError, match=reason) as error:
        write(tmp_path / name, **options)
    one_sentence(error)
    assert not list(tmp_path.iterdir())


def test_an_existing_file_is_kept_unless_asked(tmp_path):
    path = tmp_path / "c.mkv"
    path.write_bytes(b"precious")
    with pytest.raises(ClipError, match="exists"):
        write(path, "ffv1")
    assert path.read_bytes() == b"precious"
    write(path, "ffv1", overwrite=True)
    assert open_clip(path).frame_count == COUNT
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("name", [*KINDS, "bare.v210"])
@pytest.mark.parametrize("failure", [KeyboardInterrupt, RuntimeError])
def test_an_interrupted_write_leaves_nothing(tmp_path, name, failure):
    codec, subsampling = KINDS.get(name, ("v210", "422"))

    def frames():
        yield planes(0, subsampling)
        yield planes(1, subsampling)
        raise failure

    with pytest.raises(failure):
        write(tmp_path / name, codec, subsampling, frames())
    assert not list(tmp_path.iterdir())


@pytest.mark.skipif(sys.platform == "win32", reason="limits of file size are a Unix facility")
@pytest.mark.parametrize("name", ["c.mov", "c.v210"])
def test_a_full_disk_gives_a_sentence_and_leaves_nothing(tmp_path, name):
    program = f"""
import resource, signal
from fractions import Fraction
import numpy as np
from tonelab.errors import ClipError
from tonelab.media import write_clip
from tonelab.signal.description import Signal
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
frame = tuple(np.full(s, 512, np.uint16) for s in ((64, 96), (64, 48), (64, 48)))
write = dict(width=96, height=64, rate=Fraction(24), subsampling="422", bits=10, codec="v210")
resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
try:
    write_clip({str(tmp_path / name)!r}, [frame] * 20, signal=Signal(), **write)
except ClipError as error:
    print(error)
"""
    result = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert "cannot be written" in result.stdout
    assert result.stdout.count("\n") == 1
    assert not result.stderr
    assert not list(tmp_path.iterdir())


def test_nothing_is_said_on_standard_error(tmp_path, capfd):
    write(tmp_path / "c.mp4")
    data = (tmp_path / "c.mp4").read_bytes()
    (tmp_path / "d.mp4").write_bytes(data[:-200])
    with pytest.raises(ClipError):
        list(open_clip(tmp_path / "d.mp4").frames())
    assert capfd.readouterr().err == ""
