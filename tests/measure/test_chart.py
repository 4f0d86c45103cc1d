"""The main job on real files: chart, capture, measurement, curve file; and what it refuses."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from played import played

from tonelab.chart import Layout, chart_signal, render_planes, write_chart
from tonelab.cli import main
from tonelab.conversion import ChainPart, Conversion
from tonelab.curvefile import content_hash, load, save
from tonelab.measure import measure, reduce
from tonelab.media import open_clip, write_clip
from tonelab.pairing import pair
from tonelab.signal.description import Signal

ROOT = Path(__file__).parents[2]
LAYOUT = Layout.create("quick", 960, 540, "pq", 1000, hold=4)
COMMON = {"width": 960, "height": 540, "rate": Fraction(24)}


def device(light):
    """Relative light of a made-up device on neutral light in cd/m2: a shoulder to 1 at 1000."""
    return np.minimum(1.1 * light / (light + 100), 1)


CHAIN = Conversion(ChainPart("reinhard-peak", {"semi_saturation": 100.0, "peak": 1000.0}))


def converted(codes):
    """10-bit codes of the chain for those of the chart."""
    return CHAIN.codes(codes.astype(float), chart_signal(LAYOUT), Signal(), rounded=True)


def simulated(numbers):
    """4:2:2 planes of SDR pictures of some frames of the chart."""
    return played((render_planes(LAYOUT, n) for n in numbers), converted)


def write_capture(
    path, frames, *, bits=10, subsampling="422", codec="v210", signal=None, **changes
):
    write_clip(
        path,
        frames,
        subsampling=subsampling,
        bits=bits,
        codec=codec,
        signal=signal or Signal(bits=bits),
        **{**COMMON, **changes},
    )
    return path


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Folder with a chart and its capture; the names are what users have."""
    folder = tmp_path_factory.mktemp("Été à l'écran")
    write_chart(folder / "test clip.mkv", LAYOUT, rate=Fraction(24))
    write_capture(folder / "capture (1).mov", simulated(range(LAYOUT.frame_count)))
    return folder


@pytest.fixture(scope="module")
def measured(folder):
    return measure(folder / "test clip.mkv", folder / "capture (1).mov", device="Box")


def test_luminance_curve_is_the_one_applied(measured):
    curve = measured.luminance_curve
    inside = (curve.source_code > 66) & ~curve.clipped
    truth = 64 + 876 * device(curve.luminance) ** (1 / 2.4)
    assert np.abs(curve.smooth - truth)[inside].max() < 0.6
    assert measured.conversion.neutral_codes_rms < 0.35


def test_a_device_far_too_dark_is_measured(folder):
    def dark(codes):
        light = np.clip((np.asarray(codes)[:, :1] - 64) / 876 / 0.7518, 0, 1) ** 5
        return np.rint(np.hstack([64 + 255 * light, np.full((len(codes), 2), 512)])).astype(int)

    pictures = (render_planes(LAYOUT, n) for n in range(LAYOUT.frame_count))
    capture = write_capture(folder / "dark.mov", played(pictures, dark))
    with open_clip(folder / "test clip.mkv") as source, open_clip(capture) as captured:
        paired = pair(source, captured)
    assert "unreadable" not in paired.facts.left_out
    assert len(set(paired.matches[:, 1] // LAYOUT.hold)) == len(LAYOUT.pages)


def test_pairing_and_signals_are_stated(measured):
    assert measured.pairing.method == "chart"
    assert measured.pairing.used > LAYOUT.frame_count / 3
    assert measured.source.signal.transfer == "pq"
    assert measured.capture.signal.origins["range"] == "inferred"
    assert len(measured.source.sha256) == len(measured.capture.planes_sha256) == 64


def test_static_device_is_called_static(measured):
    assert measured.conversion.static == "static"


@pytest.mark.long
def test_two_measurements_of_one_pair_have_one_content_hash(folder, measured, tmp_path):
    """Also where all that could use several threads has one."""
    paths = tmp_path / "one.h5", tmp_path / "two.h5"
    save(measured, paths[0])
    single = dict.fromkeys(
        ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"), "1"
    )
    words = ["measure", "test clip.mkv", "capture (1).mov", "--device", "Box", "--workers", "1"]
    subprocess.run(
        [sys.executable, "-m", "tonelab", *words, "-o", str(paths[1])],
        cwd=folder, env={**os.environ, **single, "PYTHONPATH": str(ROOT)}, check=True,
    )  # fmt: skip
    assert content_hash(paths[0]) == content_hash(paths[1])


def test_curve_file_can_be_identified_anew_without_the_capture(measured, tmp_path):
    save(measured, tmp_path / "box.h5")
    kept = load(tmp_path / "box.h5")
    anew = reduce(kept.tallies, kept.source, kept.capture, pairing=kept.pairing, device=kept.device)
    np.testing.assert_array_equal(anew.luminance_curve.smooth, measured.luminance_curve.smooth)
    assert anew.conversion.held_out_codes_rms == measured.conversion.held_out_codes_rms


def test_command_leaves_a_curve_file(folder, tmp_path, capsys):
    out = tmp_path / "box.h5"
    words = [str(folder / "test clip.mkv"), str(folder / "capture (1).mov"), "--device", "Box"]
    assert main(["measure", *words, "--setting", "picture=standard", "-o", str(out)]) == 0
    assert load(out).settings == {"picture": "standard"}
    assert "18 % grey" in capsys.readouterr().out


def noise(folder):
    rng = np.random.default_rng(0)
    frame = [rng.integers(64, 940, (540, 960)).astype(np.uint16)]
    frame += [np.full((540, 480), 512, np.uint16)] * 2
    return write_capture(folder / "noise.mov", [tuple(frame)] * 3)


def text(folder):
    path = folder / "not a clip.mov"
    path.write_text("This is no video.")
    return path


def cut_short(folder):
    whole = (folder / "capture (1).mov").read_bytes()
    path = folder / "cut short.mov"
    path.write_bytes(whole[: len(whole) // 2])
    return path


def sdr_source(folder):
    signal = Signal().with_fields("declared", transfer="bt1886")
    frames = [render_planes(LAYOUT, n) for n in range(4)]
    path = folder / "sdr.mkv"
    return write_capture(path, frames, subsampling="420", codec="ffv1", signal=signal)


def eight_bit_source(folder):
    frames = [tuple(plane // 4 for plane in render_planes(LAYOUT, n)) for n in range(4)]
    signal = chart_signal(LAYOUT).with_fields("declared", bits=8)
    path = folder / "eight bits.mkv"
    return write_capture(path, frames, subsampling="420", codec="ffv1", bits=8, signal=signal)


def small_capture(folder):
    quarter = (tuple(plane[::4, ::4].copy() for plane in frame) for frame in simulated(range(8)))
    return write_capture(folder / "small.mov", quarter, width=240, height=135)


def level_of(code):
    def made(folder):
        planes = np.full((540, 960), code, np.uint16), *[np.full((540, 480), 512, np.uint16)] * 2
        return write_capture(folder / f"level {code}.mov", [planes] * 5)

    return made


@pytest.mark.parametrize(
    ("source", "capture", "sentence"),
    [
        ("test clip.mkv", level_of(64), "shows one level throughout, codes 64 to 64"),
        ("test clip.mkv", level_of(940), "far too dark or too bright"),
        ("none.mkv", "capture (1).mov", "none.mkv"),
        ("test clip.mkv", "none.mov", "none.mov"),
        ("test clip.mkv", text, "not a clip.mov"),
        ("test clip.mkv", noise, "noise.mov"),
        ("test clip.mkv", cut_short, "cut short.mov"),
        ("test clip.mkv", small_capture, "small.mov"),
        (sdr_source, "capture (1).mov", "SDR"),
        (eight_bit_source, "capture (1).mov", "8 bits"),
        ("capture (1).mov", "test clip.mkv", "swap"),
    ],
)
def test_unusable_pairs_end_in_one_sentence(folder, tmp_path, capsys, source, capture, sentence):
    paths = [made(folder) if callable(made) else folder / made for made in (source, capture)]
    out = tmp_path / "out.h5"
    assert main(["measure", *map(str, paths), "--device", "Box", "-o", str(out)]) == 2
    said = capsys.readouterr().err.strip()
    assert said.startswith("tonelab: ")
    assert sentence in said
    assert "\n" not in said
    assert "Traceback" not in said
    assert list(tmp_path.iterdir()) == []


def test_interlaced_capture_is_refused(folder, tmp_path, monkeypatch, capsys):
    opened = open_clip(folder / "capture (1).mov")
    opened.interlaced = True
    monkeypatch.setattr(
        sys.modules["tonelab.measure"],  # the name in the package is the function
        "open_clip",
        lambda path, **words: opened if path.suffix == ".mov" else open_clip(path, **words),
    )
    words = [str(folder / "test clip.mkv"), str(folder / "capture (1).mov"), "--device", "Box"]
    assert main(["measure", *words, "-o", str(tmp_path / "out.h5")]) == 2
    assert "interlaced" in capsys.readouterr().err


def test_sdr_passed_through_is_held_against_its_source(folder, tmp_path, capsys):
    clip = str(folder / "test clip.mkv")
    out = str(tmp_path / "out.h5")
    coding = "transfer=bt1886,matrix=bt709,primaries=bt709"
    words = ["measure", clip, clip, "--device", "Box", "--json", "-o", out]
    stated = ["--source-signal", coding, "--capture-signal", coding]
    assert main([*words, *stated]) == 0
    said = json.loads(capsys.readouterr().out)
    (score,) = load(out).scores
    assert (score.standard, score.max) == ("source", pytest.approx(0.0, abs=1e-6))
    assert "source-is-sdr" in {one["id"] for one in said["findings"]}
    assert load(out).source.signal.transfer == "bt1886"
    assert main(["correct", out, "-o", str(tmp_path / "look.clf")]) == 2
    assert "no HDR-to-SDR conversion" in capsys.readouterr().err


def test_capture_tagged_hdr_is_held_against_its_source(folder, tmp_path, capsys):
    words = [str(folder / "test clip.mkv"), str(folder / "capture (1).mov"), "--device", "Box"]
    stated = ["--capture-signal", "transfer=pq", "-o", str(tmp_path / "out.h5"), "--json"]
    assert main(["measure", *words, *stated]) == 0
    said = json.loads(capsys.readouterr().out)
    assert [score["standard"] for score in said["scores"]] == ["source"]
    (finding,) = [one for one in said["findings"] if one["id"] == "capture-is-hdr"]
    assert "if the tag is wrong" in finding["text"]
    stated[1] = "transfer=hlg"
    assert main(["measure", *words, *stated, "--force"]) == 2
    assert "is not measured" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["", "  "])
def test_device_needs_a_name(folder, name):
    with pytest.raises(ValueError, match="has no name"):
        measure(folder / "test clip.mkv", folder / "capture (1).mov", device=name)
