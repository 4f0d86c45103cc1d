"""Measuring stills: R'G'B' pictures of sixteen bits through a device, and a still held as video."""

from __future__ import annotations

import struct
import zlib
from fractions import Fraction

import numpy as np
import pytest
from moving import light

from tonelab.media import open_clip, write_clip
from tonelab.pairing import pair
from tonelab.readings import read
from tonelab.signal.description import Signal
from tonelab.signal.quantisation import quantise
from tonelab.signal.transfer import eotf_inverse_pq
from tonelab.tallies.run import tally

SIZE = (480, 270)
PQ_PICTURE = {"transfer": "pq", "primaries": "bt2020"}


def write_png(path, samples):
    height, width, _ = samples.shape
    rows = b"".join(b"\0" + row.astype(">u2").tobytes() for row in samples)
    path.write_bytes(b"\x89PNG\r\n\x1a\n")
    with path.open("ab") as file:
        for name, data in (
            (b"IHDR", struct.pack(">IIBBBBB", width, height, 16, 2, 0, 0, 0)),
            (b"IDAT", zlib.compress(rows, 1)),
            (b"IEND", b""),
        ):
            file.write(struct.pack(">I", len(data)) + name + data)
            file.write(struct.pack(">I", zlib.crc32(name + data)))


def device(x):
    """Relative PQ signal to SDR signal: the curve that measuring must find."""
    return np.minimum(1.25 * x**1.3 / (0.25 + x**1.3), 1.0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A grey photograph of PQ light, its conversion as PNG, and as a held v210 capture."""
    folder = tmp_path_factory.mktemp("still pictures")
    shown = light("camera", 300)[: SIZE[1], : SIZE[0]]
    shown = np.repeat(shown.mean(axis=-1, keepdims=True), 3, axis=-1)
    signal = quantise(eotf_inverse_pq(np.maximum(shown, 0)) * 65535, 16)
    write_png(folder / "source.png", signal)
    converted = device(signal / 65535)
    write_png(folder / "converted.png", quantise(65535 * converted, 16))
    luma = quantise(64 + 876 * converted[..., 0], 10)
    grey = np.full((SIZE[1], SIZE[0] // 2), 512, np.uint16)
    write_clip(
        folder / "held.mov", [(luma, grey, grey)] * 12, width=SIZE[0], height=SIZE[1],
        rate=Fraction(50), subsampling="422", bits=10, codec="v210", signal=Signal(),
    )  # fmt: skip
    return folder


def curve_of(folder, name):
    source = open_clip(folder / "source.png", stated=PQ_PICTURE)
    capture = open_clip(folder / name)
    paired = pair(source, capture)
    return paired, read(tally(paired), source.facts(), capture.facts()).curve


def test_a_still_held_as_video_gives_the_curve_of_the_device(folder):
    paired, curve = curve_of(folder, "held.mov")
    assert paired.facts.used == 12
    expected = 64 + 876 * device(curve.source_code / 65535)
    assert len(curve.code) > 80
    assert np.abs(curve.code - expected).max() < 0.6


def test_a_pair_of_sixteen_bit_pictures_gives_the_curve_of_the_device(folder):
    paired, curve = curve_of(folder, "converted.png")
    assert paired.facts.used == 1
    expected = 4096 + 56064 * device(curve.source_code / 65535)  # luma of an R'G'B' capture
    assert np.sqrt(np.mean((curve.code - expected) ** 2)) < 34  # of 56064: 0.6 at 10 bits
