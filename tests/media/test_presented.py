"""Files that present other frames than they store: repeats, edit lists, recordings broken off."""

from __future__ import annotations

import struct
import subprocess
from fractions import Fraction

import av
import numpy as np
import pytest
from imageio_ffmpeg import get_ffmpeg_exe

from tonelab.cli import main
from tonelab.errors import ClipError
from tonelab.media import open_clip, write_clip
from tonelab.signal.description import Signal

WIDTH, HEIGHT, COUNT = 48, 16, 12
GOOD = {"use_good_part": True}


def planes(index, subsampling="422", bits=10):
    rng = np.random.default_rng(index)
    sizes = ((HEIGHT, WIDTH), *[(HEIGHT, WIDTH // 2 if subsampling == "422" else WIDTH)] * 2)
    return tuple(rng.integers(0, 2**bits, size).astype(np.uint16) for size in sizes)


FRAMES = [planes(index) for index in range(COUNT)]


def run(*words, given=b""):
    command = [get_ffmpeg_exe(), "-v", "error", "-y", *map(str, words)]
    return subprocess.run(command, input=given, capture_output=True, check=True).stdout


def write(path, codec):
    write_clip(
        path, FRAMES, width=WIDTH, height=HEIGHT, rate=Fraction(24), subsampling="422",
        bits=10, codec=codec, signal=Signal(),
    )  # fmt: skip
    return path


def write_y210(path):
    """Packed pictures, each of which is a key picture."""
    data = b"".join(p.astype("<u2").tobytes() for frame in FRAMES for p in frame)
    layout = ("-f", "rawvideo", "-pix_fmt", "yuv422p10le", "-s", f"{WIDTH}x{HEIGHT}", "-r", 24)
    run(*layout, "-i", "-", "-c:v", "rawvideo", "-pix_fmt", "y210le", path, given=data)
    return path


def emptied(path, empty, *, index=True):
    """Take the data from some packets of an AVI, and write its index anew or not at all."""
    data = path.read_bytes()
    start = data.index(b"movi") - 8
    (size,) = struct.unpack_from("<I", data, start + 4)
    movi, entries, at, count = b"movi", b"", start + 12, 0
    while at < start + 8 + size:
        name, length = struct.unpack_from("<4sI", data, at)
        if name[2:] in {b"dc", b"db"}:
            held = b"" if count in empty else data[at + 8 : at + 8 + length]
            entries += struct.pack("<4sIII", name, 16, len(movi), len(held))
            movi += struct.pack("<4sI", name, len(held)) + held + bytes(len(held) % 2)
            count += 1
        at += 8 + length + length % 2
    body = data[8:start].replace(b"indx", b"JUNK")
    body += struct.pack("<4sI", b"LIST", len(movi)) + movi
    body += struct.pack("<4sI", b"idx1", len(entries)) + entries if index else b""
    path.write_bytes(struct.pack("<4sI", b"RIFF", len(body)) + body)


def assert_frames(clip, shown):
    """The frames of a clip are these of `FRAMES`, read in one go and from each one on."""
    read = list(clip.frames())
    assert [frame.index for frame in read] == list(range(len(shown)))
    for start in range(len(shown)):
        read.append(next(clip.frames(start)))
        assert read[-1].index == start
    for frame in read:
        assert all(map(np.array_equal, frame.planes, FRAMES[shown[frame.index]]))


WRITERS = {"v210": lambda path: write(path, "v210"), "y210": write_y210}


@pytest.mark.parametrize("codec", WRITERS)
def test_an_empty_packet_of_avi_repeats_the_frame_before(tmp_path, codec):
    path = WRITERS[codec](tmp_path / "c.avi")
    emptied(path, {3, 4, 11})
    clip = open_clip(path)
    assert clip.frame_count == COUNT
    assert_frames(clip, [0, 1, 2, 2, 2, 5, 6, 7, 8, 9, 10, 10])
    assert clip.notes == ("3 frames are repeats of those before them, by empty packets.",)


@pytest.mark.parametrize("codec", WRITERS)
def test_an_avi_without_an_index_repeats_frames_too(tmp_path, codec):
    path = WRITERS[codec](tmp_path / "c.avi")
    emptied(path, {3, 4}, index=False)
    clip = open_clip(path)
    assert_frames(clip, [0, 1, 2, 2, 2, *range(5, 12)])
    assert clip.notes == ("2 frames are repeats of those before them, by empty packets.",)


@pytest.mark.parametrize("stated", [10, 14, 4_000_000_000])
@pytest.mark.parametrize("codec", WRITERS)
def test_no_more_frames_of_avi_are_repeats_than_its_index_lists(tmp_path, codec, stated):
    path = WRITERS[codec](tmp_path / "c.avi")
    emptied(path, {3})
    data = bytearray(path.read_bytes())
    struct.pack_into("<I", data, data.index(b"strh") + 8 + 32, stated)
    path.write_bytes(data)
    if stated > COUNT:
        with pytest.raises(ClipError, match=f"frame 11 is the last good one of {stated}"):
            list(open_clip(path).frames())
    clip = open_clip(path, stated=GOOD)
    assert clip.frame_count == COUNT
    assert_frames(clip, [0, 1, 2, 2, *range(4, 12)])


@pytest.mark.parametrize("codec", WRITERS)
def test_nothing_is_repeated_before_the_first_picture(tmp_path, codec):
    path = WRITERS[codec](tmp_path / "c.avi")
    emptied(path, {0, 1, 5})
    clip = open_clip(path)
    assert clip.frame_count == COUNT - 2
    assert_frames(clip, [2, 3, 4, 4, 6, 7, 8, 9, 10, 11])
    assert clip.notes == ("1 frame is a repeat of the one before it, by an empty packet.",)


@pytest.mark.parametrize("codec", WRITERS)
def test_frames_that_were_cut_off_are_no_repeats(tmp_path, codec):
    path = WRITERS[codec](tmp_path / "c.avi")
    emptied(path, {3, 4})
    data = path.read_bytes()
    path.write_bytes(data[: int(0.75 * len(data))])
    with pytest.raises(ClipError, match=r"frame \d is the last good one of 12.*--use-good-part"):
        list(open_clip(path).frames())
    clip = open_clip(path, stated=GOOD)
    assert 7 <= clip.frame_count <= 10
    assert_frames(clip, [0, 1, 2, 2, 2, *range(5, clip.frame_count)])
    left = f"Frames 0 to {clip.frame_count - 1} of 12 are used; the rest is cut off or damaged."
    assert left in clip.notes


@pytest.mark.parametrize("length", [0, 3, 16, 2**32 - 1])
def test_an_index_of_avi_of_another_length_than_it_has(tmp_path, length):
    path = write_y210(tmp_path / "c.avi")
    emptied(path, {3})
    data = bytearray(path.read_bytes())[:-1]
    struct.pack_into("<I", data, data.rindex(b"idx1") + 4, length)
    struct.pack_into("<I", data, 4, len(data) - 8)
    path.write_bytes(data)
    clip = open_clip(path, stated=GOOD)
    assert clip.frame_count >= 11
    assert_frames(clip, [0, 1, 2, 2, *range(4, 12)][: clip.frame_count])


@pytest.mark.parametrize("codec", ["v210", "ffv1"])
def test_an_empty_packet_of_another_container(tmp_path, codec):
    source, path = write(tmp_path / "c.mov", "v210"), tmp_path / "c.nut"
    if codec == "ffv1":
        source = tmp_path / "c.mkv"
        run("-i", tmp_path / "c.mov", "-c:v", "ffv1", "-g", 1, source)
    with av.open(str(source)) as read, av.open(str(path), "w") as written:
        stream = written.add_stream_from_template(read.streams.video[0])
        for count, packet in enumerate(read.demux(video=0)):
            if packet.pts is None:
                continue
            if count in {3, 4, 11}:
                held = av.Packet(b"")
                held.pts = held.dts = packet.pts
                held.time_base = packet.time_base
            else:
                held = packet
            held.stream = stream
            written.mux(held)
    clip = open_clip(path)
    assert_frames(clip, [0, 1, 2, 2, 2, 5, 6, 7, 8, 9, 10, 10])
    assert clip.notes == ("3 frames are repeats of those before them, by empty packets.",)


@pytest.fixture(scope="module")
def reordered(tmp_path_factory):
    """A clip of 48 pictures that are coded in another order than shown."""
    path = tmp_path_factory.mktemp("edits") / "whole.mp4"
    source = ("-f", "lavfi", "-i", "testsrc2=s=64x48:r=24:d=2")
    run(*source, "-c:v", "libx264", "-preset", "veryfast", "-g", 12, "-bf", 2, path)
    return path


def edited(path, target, duration, start):
    """Write what a file presents into its edit list, in pictures."""
    data = bytearray(path.read_bytes())
    (scale,) = struct.unpack_from(">I", data, data.index(b"mvhd") + 16)
    (base,) = struct.unpack_from(">I", data, data.index(b"mdhd") + 16)
    at = data.index(b"elst") + 12
    (first,) = struct.unpack_from(">i", data, at + 4)
    struct.pack_into(">Ii", data, at, duration * scale // 24, first + start * base // 24)
    target.write_bytes(data)


def decoded_elsewhere(path, pixels="yuv420p"):
    """Bytes of the frames that an independent player presents."""
    return run("-i", path, "-fps_mode", "passthrough", "-f", "rawvideo", "-pix_fmt", pixels, "-")


@pytest.mark.outside("FFmpeg, libavformat and libavcodec of an independent build", "library")
@pytest.mark.parametrize(("duration", "start"), [(24, 0), (24, 14), (30, 18), (5, 3)])
def test_an_edit_list_presents_what_a_player_shows(reordered, tmp_path, duration, start):
    path = tmp_path / "edited.mp4"
    edited(reordered, path, duration, start)
    clip = open_clip(path)
    assert clip.frame_count == duration
    assert clip.notes == (
        f"{48 - duration} stored frames are hidden by the edit list, and not read.",
    )
    read = b"".join(p.astype(np.uint8).tobytes() for f in clip.frames() for p in f.planes)
    assert read == decoded_elsewhere(path)
    alone = b"".join(p.astype(np.uint8).tobytes() for p in next(clip.frames(4)).planes)
    assert alone == read[4 * len(alone) : 5 * len(alone)]


@pytest.mark.outside("FFmpeg, libavformat and libavcodec of an independent build", "library")
@pytest.mark.parametrize(("start", "length"), [("0.5", "1"), ("0.7", "0.8"), ("0", "0.9")])
def test_a_clip_trimmed_by_copying_its_packets(reordered, tmp_path, start, length):
    path = tmp_path / "trimmed.mp4"
    run("-ss", start, "-i", reordered, "-t", length, "-c", "copy", path)
    clip = open_clip(path)
    read = b"".join(p.astype(np.uint8).tobytes() for f in clip.frames() for p in f.planes)
    assert read == decoded_elsewhere(path)
    assert clip.frame_count * (64 * 48 * 3 // 2) == len(read)
    assert next(clip.frames(5)).index == 5


def test_an_edit_list_over_stored_frames(tmp_path):
    path = write(tmp_path / "c.mov", "v210")
    edited(path, path, 7, 2)
    clip = open_clip(path)
    assert clip.frame_count == 7
    assert_frames(clip, range(2, 9))
    assert clip.notes == ("5 stored frames are hidden by the edit list, and not read.",)


@pytest.mark.parametrize("suffix", [".avi", ".mkv", ".mov"])
def test_a_decoded_recording_that_was_broken_off(tmp_path, suffix):
    path = write(tmp_path / f"c{suffix}", "v210" if suffix == ".mov" else "ffv1")
    data = path.read_bytes()
    if suffix == ".mov":  # its index at its head, so that it survives
        run("-i", path, "-c", "copy", "-movflags", "+faststart", tmp_path / "head.mov")
        data = (tmp_path / "head.mov").read_bytes()
    path.write_bytes(data[: int(0.6 * len(data))])
    with pytest.raises(ClipError, match=r"last good one of 12.*--use-good-part"):
        list(open_clip(path).frames())
    clip = open_clip(path, stated=GOOD)
    assert 4 <= clip.frame_count <= 8
    assert_frames(clip, range(clip.frame_count))
    assert not list(clip.frames(clip.frame_count))
    assert clip.notes[-1].startswith(f"Frames 0 to {clip.frame_count - 1} of 12 are used")


@pytest.mark.parametrize(("name", "codec"), [("c.v210", "v210"), ("c.yuv", "raw")])
def test_a_bare_file_that_was_cut_off_follows_the_same_rule(tmp_path, name, codec):
    path = write(tmp_path / name, codec)
    path.write_bytes(path.read_bytes()[:-5])
    stated = {"width": WIDTH, "height": HEIGHT, "rate": 24}
    if codec == "raw":
        stated |= {"subsampling": "422", "bits": 10}
    with pytest.raises(ClipError, match=r"frame 10 is the last good one of 12.*--use-good-part"):
        list(open_clip(path, stated=stated).frames())
    clip = open_clip(path, stated=stated | GOOD)
    assert_frames(clip, range(11))
    assert "Frames 0 to 10 of 12 are used; the rest is cut off or damaged." in clip.notes


def test_a_whole_file_stays_whole(tmp_path):
    for name, codec in (("c.mov", "v210"), ("c.mkv", "ffv1")):
        clip = open_clip(write(tmp_path / name, codec), stated=GOOD)
        assert (clip.frame_count, clip.notes) == (COUNT, ())
        assert_frames(clip, range(COUNT))


def unfinished(path):
    """Take the index from a MOV, as a recorder that loses its power does."""
    data = write(path, "v210").read_bytes()
    path.write_bytes(data[: data.index(b"moov") - 4])
    return path


def test_a_mov_without_its_index_says_so_and_is_read_as_described(tmp_path):
    path = unfinished(tmp_path / "c.mov")
    with pytest.raises(ClipError, match=r"lacks the index .* state width, height and rate"):
        open_clip(path)
    stated = {"width": WIDTH, "height": HEIGHT, "rate": 24}
    clip = open_clip(path, stated=stated)
    assert_frames(clip, range(COUNT))
    assert clip.notes == ("The file lacks its index and is read as v210 frames alone, as stated.",)
    path.write_bytes(path.read_bytes()[:-3])
    assert_frames(open_clip(path, stated=stated | GOOD), range(COUNT - 1))


def test_a_mov_without_its_index_that_holds_something_else(tmp_path):
    path = unfinished(tmp_path / "c.mov")
    data = path.read_bytes()
    noise = np.random.default_rng(1).bytes(len(data))
    path.write_bytes(data[:64] + noise[64:])
    with pytest.raises(ClipError, match="is no v210 of 48x16 pixels, or has sound"):
        open_clip(path, stated={"width": WIDTH, "height": HEIGHT, "rate": 24})


def test_the_option_is_taken_and_what_is_left_out_is_said(tmp_path, capsys):
    path = write(tmp_path / "c.avi", "v210")
    path.write_bytes(path.read_bytes()[: int(0.6 * path.stat().st_size)])
    assert main(["inspect", str(path)]) == 2
    assert "--use-good-part" in capsys.readouterr().err
    assert main(["inspect", str(path), "--use-good-part"]) == 0
    assert "of 12 are used; the rest is cut off or damaged." in capsys.readouterr().out
