"""Rendering clips and stills: against an independent library, a plain definition, and bad input."""

from __future__ import annotations

import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from tonelab.cli import main
from tonelab.conversion.standards import STANDARDS
from tonelab.correction import apply, apply_array, correct
from tonelab.correction.applying import find_look, output_coding
from tonelab.correction.picture import Raster, chroma_place, exact_planes, noise_tile
from tonelab.correction.rendering import in_order
from tonelab.correction.table import lattice
from tonelab.curvefile import load
from tonelab.errors import TonelabError
from tonelab.media import open_clip, write_clip
from tonelab.media.clip import chroma_size
from tonelab.signal.description import Signal
from tonelab.signal.transfer import eotf_pq

STANDARD_FILE = Path(__file__).parents[2] / "curves" / "standards" / "bt2446a-1000.h5"
PQ = Signal(matrix="bt2020", transfer="pq", primaries="bt2020", siting="topleft")
SDR = Signal()
WIDTH, HEIGHT = 96, 54


def planes_of(sampling, seed=0, width=WIDTH, height=HEIGHT, low=64, high=700):
    """Codes of noise, which no filter leaves alone."""
    random = np.random.default_rng(seed)
    small = chroma_size(width, height, sampling)
    luma = random.integers(low, high, (height, width))
    return tuple(
        plane.astype(np.uint16)
        for plane in (luma, random.integers(400, 620, small), random.integers(400, 620, small))
    )


def smooth_planes(index=0):
    """Codes of a picture that changes slowly, 4:2:0."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    luma = 350 + 2.5 * x + y + 3 * index
    small = np.mgrid[0 : HEIGHT // 2, 0 : WIDTH // 2]
    return tuple(p.astype(np.uint16) for p in (luma, 500 + small[1], 530 - small[0]))


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    path = tmp_path_factory.mktemp("films") / "film.mkv"
    write_clip(
        path, [smooth_planes(n) for n in range(5)], width=WIDTH, height=HEIGHT, rate=Fraction(24),
        subsampling="420", bits=10, codec="ffv1", signal=PQ,
    )  # fmt: skip
    return path


@pytest.mark.parametrize("sampling", [("420", "422"), ("422", "420"), ("444", "444")])
@pytest.mark.parametrize("siting", ["left", "centre", "topleft"])
@pytest.mark.parametrize("dither", [False, True])
def test_compiled_rendering_equals_the_plain_definition(sampling, siting, dither):
    source = PQ.with_fields("stated", siting=siting)
    mixed = np.array([[0.7, 0.2, 0.1], [0.1, 0.8, 0.0], [0.0, 0.3, 0.6]])

    def convert(signal):  # linear, so that a lattice holds it exactly
        return 0.05 + np.clip(signal, 0, 1) @ mixed.T

    raster = Raster.of(convert(lattice(0, 1, 5)), (0.0, 1.0), 0.6, source, SDR)
    noise = noise_tile(dither=dither)
    planes = planes_of(sampling[0], low=300, high=600)
    given, beyond = raster.planes(planes, sampling, noise, (5, 77))
    wanted = exact_planes(planes, convert, source, SDR, sampling, noise, (5, 77))
    for ours, plain in zip(given, wanted, strict=True):
        # Single precision decides some ties otherwise.
        assert np.abs(ours.astype(int) - plain).max() <= 1
        assert (ours == plain).mean() > 0.999
    if sampling[0] == "444":
        codes = np.stack(planes, axis=-1).reshape(-1, 3).astype(float)
        assert abs(beyond - int((source.decode_rgb(codes).max(axis=1) > 0.601).sum())) <= 2


def test_reduced_chroma_keeps_a_ramp_at_its_sites():
    ramp = np.broadcast_to((470 + np.arange(WIDTH)).astype(np.uint16), (HEIGHT, WIDTH)).copy()
    luma = np.full((HEIGHT, WIDTH), 500, np.uint16)
    identity = Raster.of(lattice(0, 1, 3), (0.0, 1.0), 1.0, SDR, SDR)
    shown, _ = identity.planes((luma, ramp, ramp), ("444", "422"), noise_tile(dither=False))
    assert_array_equal(shown[0], luma)
    assert_array_equal(shown[1][0, 1:-1], (470 + 2 * np.arange(WIDTH // 2))[1:-1])


@pytest.mark.outside("PyOpenColorIO", "library")
@pytest.mark.parametrize("suffix", [".clf", ".cube"])
def test_a_baked_table_gives_what_an_independent_reader_gives(suffix, film, tmp_path):
    import PyOpenColorIO as OCIO  # noqa: N814

    look, still = tmp_path / f"look{suffix}", tmp_path / "still.tif"
    correct(load(STANDARD_FILE), size=17, whole=suffix == ".cube").save(look)
    with open_clip(film) as clip:
        planes = next(clip.frames()).planes
        large = [np.repeat(np.repeat(p[1:2, 1:2], 4, 0), 4, 1) for p in planes]
        source = tmp_path / "flat.mkv"
        write_clip(
            source, [tuple(large)], width=4, height=4, rate=Fraction(24), subsampling="444",
            bits=10, codec="ffv1", signal=PQ,
        )  # fmt: skip
        rgb = clip.signal.decode_rgb(np.array([[float(p[0, 0]) for p in large]]))
    processor = OCIO.Config.CreateRaw().getProcessor(
        OCIO.FileTransform(str(look), interpolation=OCIO.INTERP_TETRAHEDRAL)
    )
    numbers = np.ascontiguousarray(rgb, np.float32)
    processor.getDefaultCPUProcessor().applyRGB(numbers)
    for exact in (True, False):
        apply(look, source, still, exact=exact, overwrite=True)
        with open_clip(still) as shown:
            codes = [int(p[0, 0]) for p in next(shown.frames()).planes]
        assert_allclose(np.array(codes) / 65535, numbers[0], atol=2e-4)


@pytest.mark.outside("tifffile", "library")
def test_a_still_holds_the_formula_of_the_standard(film, tmp_path):
    import tifffile

    for name in ("still.tif", "still.png"):
        found = apply("bt2446a", film, tmp_path / name, frame=2, peak=1000)
        assert found.nodes is None
    stored = tifffile.imread(tmp_path / "still.tif")
    with open_clip(film) as clip, open_clip(tmp_path / "still.png") as png:
        planes = [p.astype(float) for p in list(clip.frames())[2].planes]
        assert png.signal.transfer == "bt1886"
        assert png.signal.origins["transfer"] == "declared"
        assert_array_equal(np.stack(next(png.frames()).planes, -1), stored)
    # Sited top left, a sample of chroma stands at every other row and column of luma.
    codes = np.stack([planes[0][::2, ::2], planes[1], planes[2]], axis=-1)
    light = eotf_pq(PQ.decode_rgb(codes.reshape(-1, 3)))
    shown = STANDARDS["bt2446a"].convert(light, source_peak=1000.0)
    wanted = np.clip(shown, 0, 1).reshape(codes.shape)
    assert_allclose(stored[::2, ::2] / 65535, wanted, atol=1e-5)


@pytest.mark.parametrize(
    ("name", "codec", "sampling"),
    [
        ("out.mov", "v210", "422"),
        ("out.avi", "v210", "422"),
        ("out.mkv", "ffv1", "422"),
        ("out.mp4", "hevc", "420"),
        ("pro.mov", "prores", "422"),
    ],
)
def test_films_are_tagged_and_hold_what_the_formula_gives(name, codec, sampling, film, tmp_path):
    asked = codec if name.startswith("pro") else None
    found = apply(STANDARD_FILE, film, tmp_path / name, codec=asked, workers=2)
    look = load(STANDARD_FILE)
    assert (found.frames, found.codec, found.sampling) == (5, codec, sampling)
    assert found.table_mean < 0.5
    with open_clip(tmp_path / name) as made, open_clip(film) as clip:
        assert (made.codec, made.subsampling, made.bits) == (codec, sampling, 10)
        assert (made.signal.matrix, made.signal.transfer) == ("bt709", "bt1886")
        if name != "out.avi":
            assert made.signal.origins["matrix"] == "declared"
        seen = [frame.planes[0] for frame in made.frames()]
        for shown, frame in zip(seen, clip.frames(), strict=True):
            rgb = apply_array(look, _rgb(frame.planes), source=PQ)
            luma = 64 + 876 * rgb @ np.array([0.2126, 0.7152, 0.0722])  # BT.709-6
            away = np.abs(shown[::2, ::2] - luma)
            assert away.mean() < 1.5
            assert np.percentile(away, 90) < 3


def _rgb(planes):
    codes = np.stack([planes[0][::2, ::2], planes[1], planes[2]], axis=-1).astype(float)
    return PQ.decode_rgb(codes)


def test_super_white_is_kept_where_the_device_keeps_it():
    found = find_look(load(STANDARD_FILE), PQ, peak=None, accept_average=False)
    bright = replace(found.look, high=1.09, _convert=lambda signal: np.full(np.shape(signal), 1.08))
    assert output_coding(bright, 16, None, rgb=True).range == "narrow"
    assert output_coding(found.look, 16, None, rgb=True).range == "full"
    target = output_coding(bright, 10, None, rgb=False)
    shown = exact_planes(
        smooth_planes(), bright, PQ, target, ("420", "422"), noise_tile(dither=False)
    )
    assert shown[0].min() == 1010  # 64 + 876 * 1.08


def test_dither_keeps_the_mean_that_rounding_moves(tmp_path):
    flat = [tuple(np.full(p.shape, c, np.uint16) for p, c in zip(smooth_planes(), (421, 512, 512),
            strict=True))] * 4  # fmt: skip
    source = tmp_path / "flat.mkv"
    write_clip(
        source, flat, width=WIDTH, height=HEIGHT, rate=Fraction(24), subsampling="420", bits=10,
        codec="ffv1", signal=PQ,
    )  # fmt: skip
    grey = apply_array("bt2446a", PQ.decode_rgb(np.array([[421.0, 512, 512]])), peak=1000)
    wanted = 64 + 876 * grey[0, 1]
    for dither in (False, True):
        apply("bt2446a", source, tmp_path / "out.mkv", dither=dither, exact=True, overwrite=True)
        with open_clip(tmp_path / "out.mkv") as made:
            luma = np.stack([frame.planes[0] for frame in made.frames()])
        if not dither:
            assert len(np.unique(luma)) == 1
        if dither:
            assert abs(luma.mean() - wanted) < 0.03
            assert not np.array_equal(luma[0], luma[1])


def test_frames_come_in_order_and_few_are_held():
    held, most = 0, 0

    def source():
        nonlocal held, most
        for number in range(40):
            held += 1
            most = max(most, held)
            yield number

    for wanted, (number, got) in enumerate(
        zip(range(40), in_order(lambda n: n, source(), 3), strict=True)
    ):
        held -= 1
        assert wanted == number == got
    assert most <= 5


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["bt2446a", "{sdr}", "-o", "{new}.mov"], "PQ or HLG"),
        (["{film}", "{film}", "-o", "{new}.mov"], "no curve file"),
        (["bt2446x", "{film}", "-o", "{new}.mov"], "did you mean bt2446"),
        (["bt2446a", "{film}", "-o", "{film}", "--force"], "is what is read"),
        (["bt2446a", "{film}", "-o", "{new}.png"], "--frame"),
        (["bt2446a", "{film}", "-o", "{new}.png", "--frame", "9"], "0 to 4"),
        (["bt2446a", "{film}", "-o", "{new}.txt"], "end in one of"),
        (["bt2446a", "{film}", "-o", "{new}/no/where.mov"], "does not exist"),
        (["bt2446a", "{film}", "-o", "{new}.mkv", "--codec", "v210"], "cannot hold v210"),
        (["{junk}", "{film}", "-o", "{new}.mov"], "junk.h5"),
        (["bt2446a", "{new}.mkv", "-o", "{new}.mov"], "does not exist"),
    ],
)
def test_bad_input_gets_a_sentence_and_leaves_nothing(arguments, sentence, film, tmp_path, capsys):
    sdr, junk, new = tmp_path / "sdr.mkv", tmp_path / "junk.h5", tmp_path / "new"
    write_clip(
        sdr, [smooth_planes()], width=WIDTH, height=HEIGHT, rate=Fraction(24), subsampling="420",
        bits=10, codec="ffv1", signal=SDR,
    )  # fmt: skip
    junk.write_bytes(b"nothing of the kind")
    before = film.read_bytes()
    words = [one.format(film=film, sdr=sdr, junk=junk, new=new) for one in arguments]
    assert main(["apply", *words]) == 2
    said = capsys.readouterr().err
    assert sentence in said.replace("\n", " ")
    assert "Traceback" not in said
    assert film.read_bytes() == before
    assert sorted(path.name for path in tmp_path.iterdir()) == ["junk.h5", "sdr.mkv"]


def test_a_device_that_varies_is_refused_unless_its_average_will_do(film, tmp_path):
    device = load(STANDARD_FILE)
    device = replace(device, conversion=replace(device.conversion, static="scene-dependent"))
    with pytest.raises(TonelabError, match="--accept-average"):
        apply(device, film, tmp_path / "out.mov")
    found = apply(device, film, tmp_path / "out.mov", accept_average=True)
    assert any("AVERAGE" in note for note in found.notes)


def test_a_disk_that_fills_up_leaves_nothing(film, tmp_path, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("tonelab.media.writing._v210_bytes", full)
    with pytest.raises(TonelabError, match="No space left"):
        apply("bt2446a", film, tmp_path / "out.v210")
    assert not list(tmp_path.iterdir())


def test_json_names_the_figures(film, tmp_path, capsys):
    assert main(["apply", "bt2446a", str(film), "-o", str(tmp_path / "o.mov"), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["frames"] == 5
    assert told["nodes"] == 87  # as close as 65 up to 1000 cd/m2
    assert 0 <= told["table_mean"] <= told["table_p99"]
    assert "topleft" in told["chroma"]


def test_siting_says_where_chroma_stands():
    assert chroma_place(PQ, "420") == (2, 0.0, 2, 0.0)
    assert chroma_place(SDR, "420") == (2, 0.5, 2, 0.0)
    assert chroma_place(SDR.with_fields("stated", siting="centre"), "420") == (2, 0.5, 2, 0.5)
    assert chroma_place(SDR, "444") == (1, 0.0, 1, 0.0)
