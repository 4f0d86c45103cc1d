"""The self test fails where the installation does."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from tonelab import selftest
from tonelab.cli import main


@pytest.fixture
def without_measurement(monkeypatch):
    """The measurement takes long, and test_measure.py walks the same road."""
    monkeypatch.setattr(selftest, "_measurement", lambda _: (True, "left out"))


@pytest.mark.usefixtures("without_measurement")
def test_a_sound_installation_passes_and_ends_with_one_line(capsys):
    assert main(["selftest"]) == 0
    *parts, line = capsys.readouterr().out.splitlines()
    assert [part.split()[0] for part in parts] == ["passed"] * len(parts)
    assert f"{len(parts)} parts passed" in line
    assert f"numpy {np.__version__}" in line


@pytest.mark.usefixtures("without_measurement")
def test_a_decoder_that_alters_samples_fails(monkeypatch, capsys):
    def one_off(path):
        clip = selftest_open(path)
        frames = clip.frames

        def altered(*range_):
            for frame in frames(*range_):
                luma = frame.planes[0].copy()
                luma[3, 3] ^= 1
                yield replace(frame, planes=(luma, *frame.planes[1:]))

        monkeypatch.setattr(clip, "frames", altered)
        return clip

    selftest_open = selftest.open_clip
    monkeypatch.setattr(selftest, "open_clip", one_off)
    assert main(["selftest", "--json"]) == 1
    document = json.loads(capsys.readouterr().out)
    (failed,) = (part for part in document["parts"] if not part["passed"])
    assert failed["name"] == "decoders"
    assert "v210 and ffv1 and hevc" in failed["text"]
    assert "FAILED: decoders" in document["line"]


@pytest.mark.usefixtures("without_measurement")
def test_a_wrong_kernel_fails(monkeypatch):
    def swapped(words, luma, cb, cr):
        kernel(words, luma, cr, cb)

    kernel = selftest.unpack
    monkeypatch.setattr(selftest, "unpack", swapped)
    assert [part.passed for part in selftest.run_selftest().parts] == [False, True, True, True]


def test_a_part_that_raises_is_a_failed_part(monkeypatch):
    def broken(_):
        raise ImportError("DLL load failed")

    for trial in ("_v210_kernel", "_decoders", "_measurement"):
        monkeypatch.setattr(selftest, trial, broken)
    outcome = selftest.run_selftest()
    assert not outcome.passed
    assert outcome.parts[-1].text == "ImportError: DLL load failed"


@pytest.mark.usefixtures("without_measurement")
def test_a_reader_that_exchanges_channels_fails(monkeypatch):
    def exchanged(path):
        return lambda numbers: reader(path)(numbers[:, ::-1].copy())

    reader = selftest.open_reader
    monkeypatch.setattr(selftest, "open_reader", exchanged)
    (failed,) = (part for part in selftest.run_selftest().parts if not part.passed)
    assert failed.name == "corrections"
