"""Pictures read bit by bit, against files laid down by their specifications and by tifffile."""

from __future__ import annotations

import hashlib
import struct
import zlib

import numpy as np
import pytest
import tifffile

from tonelab.errors import ClipError, SignalError
from tonelab.media import open_clip, parse_statement
from tonelab.signal.transfer import eotf_pq

RNG = np.random.default_rng(11)
LIGHT = {"transfer": "pq", "primaries": "bt2020", "peak": 100.0}


def picture(bits, channels=3, size=(37, 22)):
    return RNG.integers(0, 2**bits, (size[1], size[0], channels)).astype(np.uint16)


def png(path, samples, bits=16, *chunks):
    """Write PNG (ISO/IEC 15948) with the up filter on every row."""
    height, width, channels = samples.shape
    kind = {1: 0, 2: 4, 3: 2, 4: 6}[channels]
    rows = samples.astype(">u2" if bits == 16 else "u1").tobytes()
    stride = len(rows) // height
    raw = np.frombuffer(rows, np.uint8).reshape(height, stride)
    up = raw - np.vstack([np.zeros((1, stride), np.uint8), raw[:-1]])
    lines = b"".join(b"\2" + line.tobytes() for line in up)

    def chunk(name, data):
        checked = name + data
        return struct.pack(">I", len(data)) + checked + struct.pack(">I", zlib.crc32(checked))

    header = struct.pack(">IIBBBBB", width, height, bits, kind, 0, 0, 0)
    body = [chunk(b"IHDR", header), *(chunk(*c) for c in chunks)]
    body += [chunk(b"IDAT", zlib.compress(lines)), chunk(b"IEND", b"")]
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + b"".join(body))


def dpx(path, samples, bits, order=">"):
    """Write DPX (SMPTE ST 268-1): RGB; 10 bits filled by method A, 12 bits in 16-bit words."""
    height, width, _ = samples.shape
    head = bytearray(2048)
    magic = b"SDPX" if order == ">" else b"XPDS"
    struct.pack_into(f"{order}4sI8sI", head, 0, magic, 2048, b"V2.0", 0)
    struct.pack_into(f"{order}HHII", head, 768, 0, 1, width, height)
    # Descriptor 50 is RGB; packing 1 fills each word at its low end.
    struct.pack_into(f"{order}BBBBHHI", head, 800, 50, 0, 0, bits, int(bits != 16), 0, 2048)
    if bits == 10:
        r, g, b = np.moveaxis(samples.astype(np.uint32), -1, 0)
        body = (r << 22 | g << 12 | b << 2).astype(f"{order}u4").tobytes()
    else:
        body = (samples << (16 - bits)).astype(f"{order}u2").tobytes()
    struct.pack_into(f"{order}I", head, 16, 2048 + len(body))
    path.write_bytes(bytes(head) + body)


def exr(path, light, kind="f2", zipped=False):
    """Write an OpenEXR scan line file; rows deflated one by one where ``zipped``."""
    height, width, _ = light.shape
    code = {"f2": 1, "f4": 2}[kind]
    channels = b"".join(
        name + b"\0" + struct.pack("<iB3xii", code, 0, 1, 1) for name in (b"B", b"G", b"R")
    )
    box = struct.pack("<4i", 0, 0, width - 1, height - 1)
    attributes = {
        b"channels": (b"chlist", channels + b"\0"),
        b"compression": (b"compression", bytes([2 if zipped else 0])),
        b"dataWindow": (b"box2i", box),
        b"displayWindow": (b"box2i", box),
        b"lineOrder": (b"lineOrder", b"\0"),
        b"pixelAspectRatio": (b"float", struct.pack("<f", 1)),
        b"screenWindowCenter": (b"v2f", struct.pack("<2f", 0, 0)),
        b"screenWindowWidth": (b"float", struct.pack("<f", 1)),
    }
    head = struct.pack("<II", 20000630, 2)
    for name, (type_, value) in attributes.items():
        head += name + b"\0" + type_ + b"\0" + struct.pack("<I", len(value)) + value
    head += b"\0"
    lines = []
    for y, row in enumerate(light):
        data = row[:, ::-1].T.astype(f"<{kind}").tobytes()
        if zipped:
            raw = np.frombuffer(data, np.uint8)
            split = np.concatenate([raw[::2], raw[1::2]]).astype(np.int32)
            delta = np.concatenate([split[:1], np.diff(split) + 128]) % 256
            packed = zlib.compress(delta.astype(np.uint8).tobytes())
            data = min((packed, data), key=len)
        lines.append(struct.pack("<iI", y, len(data)) + data)
    offsets = len(head) + 8 * height + np.cumsum([0, *map(len, lines)])[:-1]
    path.write_bytes(head + offsets.astype("<u8").tobytes() + b"".join(lines))


def planes(clip, index=0):
    [frame] = clip.frames(index, index + 1)
    return np.stack(frame.planes, axis=-1)


@pytest.mark.parametrize("channels", [1, 2, 3, 4])
@pytest.mark.parametrize("bits", [8, 16])
def test_png_is_read_bit_by_bit_without_its_alpha(tmp_path, bits, channels):
    samples = picture(bits, channels)
    png(tmp_path / "été 1.png", samples, bits)
    clip = open_clip(tmp_path / "été 1.png")
    colour = samples[..., :3] if channels > 2 else np.repeat(samples[..., :1], 3, axis=2)
    np.testing.assert_array_equal(planes(clip), colour)
    assert (clip.bits, clip.subsampling, clip.frame_count) == (bits, "444", 1)
    assert (clip.signal.matrix, clip.signal.range) == ("rgb", "full")
    assert clip.sha256() == hashlib.sha256((tmp_path / "été 1.png").read_bytes()).hexdigest()


def test_png_declares_pq_by_its_coding_independent_code_points(tmp_path):
    png(tmp_path / "pq.png", picture(16), 16, (b"cICP", bytes([9, 16, 0, 1])))
    signal = open_clip(tmp_path / "pq.png").signal
    assert (signal.transfer, signal.primaries) == ("pq", "bt2020")
    assert signal.origins["transfer"] == "declared"


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize(
    "options", [{}, {"compression": "zlib", "predictor": 2}, {"rowsperstrip": 5}]
)
def test_tiff_is_read_as_tifffile_wrote_it(tmp_path, order, bits, options):
    samples = picture(bits).astype(np.uint8 if bits == 8 else np.uint16)
    tifffile.imwrite(tmp_path / "a.tif", samples, byteorder=order, photometric="rgb", **options)
    np.testing.assert_array_equal(planes(open_clip(tmp_path / "a.tif")), samples)


@pytest.mark.parametrize("bits", [10, 12, 16])
@pytest.mark.parametrize("order", ["<", ">"])
def test_dpx_is_read_bit_by_bit(tmp_path, bits, order):
    samples = picture(bits)
    dpx(tmp_path / "a.dpx", samples, bits, order)
    clip = open_clip(tmp_path / "a.dpx")
    assert clip.bits == bits
    np.testing.assert_array_equal(planes(clip), samples)


@pytest.mark.parametrize("kind", ["f2", "f4"])
@pytest.mark.parametrize("zipped", [False, True])
def test_exr_light_is_coded_by_the_stated_transfer_function(tmp_path, kind, zipped):
    light = np.exp(RNG.uniform(-8, 5, (12, 18, 3))).astype(kind)
    light[0, 0] = (-0.5, 200, 0)
    exr(tmp_path / "a.exr", light, kind, zipped)
    clip = open_clip(tmp_path / "a.exr", stated=LIGHT)
    assert (clip.bits, clip.signal.transfer, clip.signal.matrix) == (16, "pq", "rgb")
    found = eotf_pq(planes(clip) / 65535)
    expected = np.clip(100 * light.astype(float), 0, 10000)
    np.testing.assert_allclose(found, expected, rtol=4e-4, atol=1e-4)
    seen = clip.signal.decode_light(planes(clip))
    np.testing.assert_allclose(seen, found, rtol=1e-9)


def test_exr_for_an_sdr_display_comes_back_as_its_light(tmp_path):
    light = RNG.uniform(0, 1, (8, 9, 3)).astype("f4")
    exr(tmp_path / "a.exr", light, "f4")
    for transfer in ("bt1886", "srgb", "gamma22"):
        stated = {"transfer": transfer, "primaries": "bt709", "peak": 80.0}
        clip = open_clip(tmp_path / "a.exr", stated=stated)
        np.testing.assert_allclose(clip.signal.decode_light(planes(clip)), 80 * light, atol=0.01)


def test_exr_without_a_statement_is_refused_with_the_statement_to_make(tmp_path):
    exr(tmp_path / "a.exr", np.ones((4, 4, 3)))
    with pytest.raises(SignalError, match="state primaries, peak, such as transfer=pq"):
        open_clip(tmp_path / "a.exr", stated={"transfer": "pq"})


@pytest.mark.parametrize("name", ["", "s.%04d.png", "s.####.png", "s.*.png"])
def test_a_sequence_is_a_folder_or_a_pattern(tmp_path, name):
    folder = tmp_path / "my shots"
    folder.mkdir()
    shots = [picture(16) for _ in range(3)]
    for number, samples in zip((9, 10, 11), shots, strict=True):
        png(folder / f"s.{number:04d}.png", samples)
    clip = open_clip(folder / name, stated=parse_statement("rate=23.976,transfer=pq"))
    assert clip.frame_count == 3
    assert str(clip.rate) == "24000/1001"
    for index, samples in enumerate(shots):
        np.testing.assert_array_equal(planes(clip, index), samples)
    assert clip.signal.origins["transfer"] == "stated"
    assert len(clip.sha256()) == 64


def test_numbers_without_leading_zeros_are_in_order(tmp_path):
    for number in (2, 10, 1):
        png(tmp_path / f"{number}.png", np.full((4, 4, 3), number, np.uint16))
    clip = open_clip(tmp_path)
    assert [int(frame.planes[0][0, 0]) for frame in clip.frames()] == [1, 2, 10]
    assert "24 a second" in clip.notes[0]


def test_pictures_that_cannot_be_read_end_in_one_sentence(tmp_path):
    with pytest.raises(ClipError, match="leads to no PNG, TIFF, DPX or OpenEXR pictures"):
        open_clip(tmp_path)
    with pytest.raises(ClipError, match="leads to no"):
        open_clip(tmp_path / "nothing.%d.png")
    with pytest.raises(ClipError, match=r"gone\.png does not exist"):
        open_clip(tmp_path / "gone.png")
    png(tmp_path / "1.png", picture(16))
    whole = (tmp_path / "1.png").read_bytes()
    (tmp_path / "short.png").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(ClipError, match=r"short\.png is (cut short or )?damaged"):
        open_clip(tmp_path / "short.png")
    (tmp_path / "short.png").unlink()
    png(tmp_path / "2.png", picture(16, size=(30, 22)))
    with pytest.raises(ClipError, match=r"2\.png has another size or format than 1\.png"):
        list(open_clip(tmp_path).frames())
    tifffile.imwrite(tmp_path / "3.tif", picture(16), photometric="rgb")
    with pytest.raises(ClipError, match="mixes picture formats"):
        open_clip(tmp_path)


@pytest.mark.parametrize(
    ("samples", "options", "fault"),
    [
        (np.zeros((32, 32, 4), np.uint8), {"photometric": "separated"}, "neither RGB nor grey"),
        (picture(16, size=(64, 64)), {"photometric": "rgb", "tile": (16, 16)}, "in tiles"),
        (picture(15).astype(np.int16), {"photometric": "rgb"}, "signed or floating"),
        (picture(15).astype(np.float32), {"photometric": "rgb"}, "signed or floating"),
    ],
)
def test_a_tiff_that_the_decoder_would_misread_is_refused(tmp_path, samples, options, fault):
    tifffile.imwrite(tmp_path / "a.tif", samples, **options)
    with pytest.raises(ClipError, match=f"{fault}.*save it as RGB in strips"):
        open_clip(tmp_path / "a.tif")


@pytest.mark.parametrize("kind", ["png", "tif", "dpx", "exr"])
def test_a_picture_that_was_cut_short_is_refused(tmp_path, kind):
    samples, path = picture(15, size=(40, 30)), tmp_path / f"a.{kind}"
    write = {
        "png": png,
        "tif": lambda path, s: tifffile.imwrite(path, s, photometric="rgb"),
        "dpx": lambda path, s: dpx(path, s, 16),
        "exr": exr,
    }
    write[kind](path, samples)
    whole = path.read_bytes()
    for share in (0.02, 0.3, 0.9):
        path.write_bytes(whole[: int(share * len(whole))])
        with pytest.raises(ClipError, match="copy it again"):
            list(open_clip(path, stated=LIGHT).frames())


def test_the_pictures_before_a_damaged_one_are_used_when_asked_for(tmp_path):
    for number in range(4):
        png(tmp_path / f"{number}.png", picture(number, size=(40, 30)))
    path = tmp_path / "2.png"
    path.write_bytes(path.read_bytes()[:200])
    with pytest.raises(ClipError, match=r"2\.png.*copy it again, or take .* --use-good-part"):
        list(open_clip(tmp_path).frames())
    clip = open_clip(tmp_path, stated={"use_good_part": True})
    assert clip.frame_count == len(list(clip.frames())) == 2
    assert "Frames 0 to 1 of 4 are used; the rest is cut off or damaged." in clip.notes


def test_statements_hold_storage_with_the_signal():
    stated = parse_statement("width=1920, height=1080,rate=50,transfer=pq,stride=5120")
    assert stated == {
        "width": "1920",
        "height": "1080",
        "rate": "50",
        "stride": "5120",
        "transfer": "pq",
    }
    with pytest.raises(SignalError, match="unknown"):
        parse_statement("depth=3")
