"""Writes the broken inputs of this folder, each named by its fault.

    python tests/broken/make.py

`messages.toml` holds what each is refused with; `test_broken.py` holds the readers to it.
"""

from __future__ import annotations

import struct
import sys
from fractions import Fraction
from pathlib import Path

import av
import h5py
import numpy as np
import tifffile

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "outside"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "media"))

from test_stills import dpx, exr, png  # noqa: E402

from tonelab.curvefile.schema import SCHEMA_VERSION  # noqa: E402
from tonelab.curvefile.store import _seal  # noqa: E402
from tonelab.curvefile.writer import _UNSEALED  # noqa: E402

PICTURE = np.random.default_rng(5).integers(0, 2**15, (22, 37, 3)).astype(np.uint16)


# Curve files: all but the seal and the fault is left out, since the fault is met first


def sealed(name, fault=lambda file: None, schema=SCHEMA_VERSION):
    """Write the smallest sealed HDF5 file, with a fault in it."""
    path = HERE / f"curve-file-{name}.h5"
    with h5py.File(path, "w", libver=("v110", "v110")) as file:
        if schema is not None:
            file.attrs["tonelab_schema"] = schema
        file["integrity"] = np.array(_UNSEALED)
        fault(file)
    path.write_bytes(_seal(path.read_bytes()))
    return path


def virtual(file):
    layout = h5py.VirtualLayout((4,), "u1")
    layout[:] = h5py.VirtualSource("other.h5", "x", (4,))
    file.create_virtual_dataset("source", layout)


def nested(file):
    for _ in range(40):
        file = file.create_group("deeper")


def curve_files():
    sealed("group-missing")
    sealed("schema-newer", schema=SCHEMA_VERSION + 1)
    sealed("schema-missing", schema=None)
    sealed("schema-of-text", schema="one")
    sealed("schema-of-many", schema=[1, 1])
    sealed("soft-link", lambda file: file.__setitem__("source", h5py.SoftLink("/capture")))
    sealed("external-link", lambda f: f.__setitem__("source", h5py.ExternalLink("other.h5", "/")))
    sealed("two-names", lambda file: file.__setitem__("source", file["integrity"]))
    sealed("named-type", lambda file: file.__setitem__("source", np.dtype("f8")))
    sealed("reference", lambda f: f.create_dataset("source", data=f.ref, dtype=h5py.ref_dtype))
    sealed("texts-of-any-length", lambda f: f.create_dataset("source", data="x" * 9))
    sealed("absurd-size", lambda f: f.create_dataset("source", (2**40,), "u1", chunks=(1024,)))
    sealed("absurd-text", lambda f: f.create_dataset("source", (2**20,), "S2000", chunks=(1,)))
    sealed(
        "outside-storage",
        lambda f: f.create_dataset("source", (4,), "u1", external=[("raw.bin", 0, 4)]),
    )
    sealed("virtual", virtual)
    sealed("filter", lambda f: f.create_dataset("source", data=np.ones(9), compression="lzf"))
    sealed("nested", nested)
    sealed("dataset-for-group", lambda file: file.__setitem__("source", np.ones(3)))
    whole = sealed("cut").read_bytes()
    (HERE / "curve-file-cut.h5").write_bytes(whole[: len(whole) // 2])
    (HERE / "curve-file-tail-cut.h5").write_bytes(whole[:-1])
    flipped = bytearray(whole)
    flipped[40] ^= 4
    (HERE / "curve-file-bit-flipped.h5").write_bytes(flipped)
    (HERE / "curve-file-zero-length.h5").write_bytes(b"")
    (HERE / "curve-file-wrong-magic.h5").write_bytes(b"\x89PNG\r\n\x1a\n" + whole[8:])
    with h5py.File(HERE / "curve-file-foreign.h5", "w") as file:
        file["x"] = 1


# Clips


def container(name, **options):
    return av.open(str(HERE / f"clip-{name}"), "w", **options)


def coded(name, codec, width, height, pixels, packet=None):
    """Write one frame; or a packet as it is in place of what the encoder would give."""
    with container(name) as file:
        stream = file.add_stream(codec, rate=24)
        stream.width, stream.height, stream.pix_fmt = width, height, pixels
        if packet is None:
            file.mux(stream.encode(av.VideoFrame(width, height, pixels)))
            file.mux(stream.encode(None))
            return
        packet = av.Packet(packet)
        packet.stream, packet.time_base, packet.is_keyframe = stream, Fraction(1, 24), True
        packet.pts = packet.dts = 0
        file.mux(packet)


def clips():
    (HERE / "clip-zero-length.mov").write_bytes(b"")
    (HERE / "clip-of-text.mov").write_bytes(b"not a video at all\n" * 20)
    # Of a kind that leads a reader to other files of the folder.
    (HERE / "clip-list-of-files.mov").write_text("ffconcat version 1.0\nfile clip-of-text.mov\n")
    (HERE / "clip-of-zeros.mp4").write_bytes(bytes(3000))
    coded("few-bits.avi", "rawvideo", 32, 32, "rgb555le")
    coded("frame-too-short.mov", "v210", 1280, 16, "yuv422p10le", bytes(3424 * 16 - 16))
    coded("sound.mkv", "ffv1", 32, 32, "yuv422p10le")
    with container("sound-alone.mkv") as file:
        stream = file.add_stream("pcm_s16le", rate=48000)
        sound = av.AudioFrame.from_ndarray(np.zeros((1, 64), np.int16), "s16", "mono")
        sound.rate = 48000
        file.mux(stream.encode(sound))
        file.mux(stream.encode(None))
    whole = (HERE / "clip-sound.mkv").read_bytes()
    (HERE / "clip-sound.mkv").unlink()
    (HERE / "clip-cut-in-its-head.mkv").write_bytes(whole[:60])
    coded("v210.mov", "v210", 48, 16, "yuv422p10le", bytes(128 * 16))
    whole = (HERE / "clip-v210.mov").read_bytes()
    (HERE / "clip-v210.mov").unlink()
    (HERE / "clip-index-cut.mov").write_bytes(whole[: whole.index(b"moov") + 40])
    # The size of the picture in the index: 65520 x 65520 would be 17 GB.
    place = whole.index(b"v210", whole.index(b"stsd")) + 28
    absurd = whole[:place] + struct.pack(">HH", 65520, 65520) + whole[place + 4 :]
    (HERE / "clip-absurd-size.mov").write_bytes(absurd)


# Pictures


def pictures():
    png(HERE / "still-cut.png", PICTURE)
    dpx(HERE / "still-cut.dpx", PICTURE, 16)
    exr(HERE / "still-cut.exr", PICTURE / 2**15)
    tifffile.imwrite(HERE / "still-cut.tif", PICTURE, photometric="rgb")
    for name in ("cut.dpx", "cut.exr", "cut.tif"):
        path = HERE / f"still-{name}"
        path.write_bytes(path.read_bytes()[:-400])
    whole = (HERE / "still-cut.png").read_bytes()
    (HERE / "still-cut.png").write_bytes(whole[: len(whole) // 2])
    wide = whole[:16] + struct.pack(">II", 2**31 - 1, 2**31 - 1) + whole[24:]
    (HERE / "still-absurd-size.png").write_bytes(wide)
    (HERE / "still-zero-length.png").write_bytes(b"")
    (HERE / "still-of-another-kind.dpx").write_bytes(whole)
    exr(HERE / "still-not-a-number.exr", np.where(PICTURE > 2**14, np.nan, 1.0))
    deep = bytearray((HERE / "still-not-a-number.exr").read_bytes())
    deep[5] |= 8
    (HERE / "still-deep.exr").write_bytes(deep)
    tifffile.imwrite(HERE / "still-floating.tif", PICTURE.astype(np.float32), photometric="rgb")
    tifffile.imwrite(HERE / "still-signed.tif", PICTURE.astype(np.int16), photometric="rgb")
    tifffile.imwrite(HERE / "still-in-tiles.tif", PICTURE, photometric="rgb", tile=(16, 16))
    inks = PICTURE[..., [0, 1, 2, 0]].astype(np.uint8)
    tifffile.imwrite(HERE / "still-inks.tif", inks, photometric="separated")


# Corrections

CLF = """<?xml version="1.0" encoding="UTF-8"?>
<ProcessList compCLFversion="3" id="x">
  <LUT3D inBitDepth="32f" outBitDepth="32f">
    <Array dim="2 2 2 3">
{rows}
    </Array>
  </LUT3D>
</ProcessList>
"""
ROWS = [f"{r} {g} {b}" for b in (0, 1) for g in (0, 1) for r in (0, 1)]


def cube(name, rows, size="2", head=""):
    text = "\n".join((f"{head}LUT_3D_SIZE {size}", *rows, ""))
    (HERE / f"correction-{name}.cube").write_text(text, encoding="utf-8", newline="\n")


def clf(name, rows=ROWS, change=("", "")):
    text = CLF.format(rows="\n".join(rows)).replace(*change, 1)
    (HERE / f"correction-{name}.clf").write_text(text, encoding="utf-8", newline="\n")


def corrections():
    cube("rows-missing", ROWS[:-1])
    cube("rows-in-excess", [*ROWS, ROWS[0]])
    cube("absurd-size", ROWS, size="99999")
    cube("size-of-one", ROWS[:1], size="1")
    cube("size-of-text", ROWS, size="two")
    cube("word-for-number", [*ROWS[:-1], "1 1 one"])
    cube("not-a-number", ["nan nan nan"] * 8)
    cube("infinite", ["inf inf inf"] * 8)
    cube("descriptor", ROWS, head="# InputDescriptor: transfer=magic (of a stranger)\n")
    clf("rows-missing", ROWS[:-1])
    clf("absurd-size", change=("2 2 2 3", "99999 99999 99999 3"))
    clf("word-for-number", [*ROWS[:-1], "1 1 one"])
    clf("unknown-step", change=("</ProcessList>", "<Lens curve='3'/></ProcessList>"))
    clf("cut", change=("  </LUT3D>\n</ProcessList>\n", ""))
    laughs = "".join(f'<!ENTITY {b} "{f"&{a};" * 9}">' for a, b in zip("abcdefgh", "bcdefghi"))  # noqa: B905
    bomb = f'<!DOCTYPE x [<!ENTITY a "ha">{laughs}]>\n<ProcessList'
    text = CLF.format(rows="\n".join(ROWS)).replace("<ProcessList", bomb, 1)
    text = text.replace("<LUT3D", "<Description>&i;</Description>\n  <LUT3D", 1)
    (HERE / "correction-entities.clf").write_text(text, encoding="utf-8", newline="\n")
    (HERE / "correction-zero-length.clf").write_bytes(b"")
    (HERE / "correction-of-bytes.cube").write_bytes(bytes(range(256)) * 4)
    (HERE / "correction-other-ending.txt").write_text("0 0 0\n", encoding="utf-8")


# Bench plans

PLAN = """\
[sources.chart]
file = "clip-of-text.mov"

[devices.box]
name = "Box"

[[captures]]
file = "clip-of-zeros.mp4"
device = "box"
"""


def plan(name, text=PLAN, change=("", "")):
    (HERE / f"plan-{name}.toml").write_bytes(text.replace(*change, 1).encode())


def plans():
    plan("unknown-word", change=("name =", "nmae ="))
    plan("wrong-type", change=('"Box"', "7"))
    plan("input-missing", change=("clip-of-text", "/nowhere/at/all"))
    plan("markup-for-name", change=("[[captures]]", '[[captures]]\nname = "<b>x</b>"'))
    plan("climbing-name", change=("[[captures]]", '[[captures]]\nname = "../x"'))
    plan("climbing-folder", 'output.folder = "../results"\n' + PLAN)
    plan("absolute-folder", "output.folder = '/results'\n" + PLAN)
    plan("not-a-number", "limits.residual = nan\n" + PLAN)
    plan("infinite", "limits.residual = inf\n" + PLAN)
    plan("zero-length", "")
    plan("cut", PLAN[:-2])
    plan("nested", "x = " + "[" * 2000 + "]" * 2000)
    plan("zero-byte", change=("clip-of-text", "clip\\u0000"))
    (HERE / "plan-not-utf-8.toml").write_bytes(PLAN.replace("Box", "Bo\xf6x").encode("latin-1"))


if __name__ == "__main__":
    curve_files()
    clips()
    pictures()
    corrections()
    plans()
