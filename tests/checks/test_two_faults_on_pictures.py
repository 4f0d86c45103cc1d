"""Faults of a path together with others that bend what shows them."""

import natural
import numpy as np
import pytest
from charted import MemoryClip, capture_signal, pointwise, rounded, to_codes, to_rgb
from charted import evidence_of as chart_evidence
from faults.injury import (
    coarse_between,
    converted,
    crushed,
    cut_to,
    denoised,
    dithered,
    gained,
    horizontal,
    local_contrast,
    recoded,
    saturated,
    saturated_by_hue,
    sharpened,
    softened,
    stretched,
    through_rgb,
    tinted,
    turned,
    vertical,
)
from pictured import MOMENTS, colours, content_pair, content_paths, findings_of, in_turn, on_luma
from scipy import ndimage
from skimage.transform import downscale_local_mean

from tonelab.checks import CHECKS
from tonelab.checks.converted import ConvertedClip
from tonelab.checks.evidence import PathEvidence
from tonelab.checks.explain import explain
from tonelab.checks.run import gather_pair
from tonelab.checks.stages import last_stage
from tonelab.pairing.alignment import _less_levels
from tonelab.pixels.resampling import KERNELS, resample, response
from tonelab.pixels.rescaled import BOXES, Scaling, detail_gains
from tonelab.results.tallies import Tallies


def evidence_of(device, scale=1.0, offset=(0.0, 0.0), run=1, **known):
    """Evidence of pictures without tallies of flat places."""
    signal, none = capture_signal(), Tallies.empty_content((1024, 1024))
    paths = content_paths(device, scale, MOMENTS, offset, run=run)
    evidence = PathEvidence(signal, signal, tallies=none, paths=paths)
    vars(evidence).update(pass_through=True, **known)
    return evidence


@pytest.mark.parametrize("height", [16, 15])
@pytest.mark.parametrize("siting", ["topleft", "left"])
def test_a_converted_clip_shows_flat_colours_as_the_printed_equations_convert_them(siting, height):
    generator = np.random.default_rng(2)
    codes = rounded(to_codes(generator.uniform(0.2, 0.6, (6, 3))))
    planes = tuple(codes[:, n].repeat(16 // step)[None].repeat(16, 0) for n, step in
                   ((0, 1), (1, 2), (2, 2)))  # fmt: skip
    planes = planes[0][:height], planes[1][:8], planes[2][:8]
    signal = capture_signal().with_fields("stated", siting=siting)
    clip = MemoryClip("source.mkv", lambda _: planes, 1, signal, "420")
    evidence = PathEvidence(signal, signal)
    found = explain(colours(lambda x: converted(x, "2020 to 709")), signal)
    shown = next(ConvertedClip(clip, found.converted).frames()).planes
    assert [plane.shape for plane in shown] == [(height, 96), (8, 48), (8, 48)]
    middle = np.stack([shown[0][8, 8::16], shown[1][4, 4::8], shown[2][4, 4::8]], axis=1)
    wanted = converted(codes.astype(float), "2020 to 709")
    assert np.abs(middle - wanted).max() < 1.0
    assert evidence.after_conversion is evidence


@pytest.mark.parametrize("amount", [0.0, 0.1, 0.25])
def test_local_contrast_is_named_through_a_curve_and_another_matrix(amount):
    bent = pointwise(lambda x: to_codes(np.clip(to_rgb(x), 0, 1) ** 0.8))
    mixed = pointwise(lambda x: recoded(x, (709, 601)))
    device = in_turn(bent, mixed, on_luma(lambda y: local_contrast(y, amount)))
    explanation = explain(colours(lambda x: recoded(x, (709, 601))), capture_signal())
    evidence = evidence_of(device, explanation=explanation)
    (found,) = findings_of(evidence, "contrast").values() or [None]
    if amount:
        assert found.id == "contrast-local"
        assert abs(found.value - amount) < 0.5 * amount
    else:
        assert found is None


def levels_of(function, step=lambda x: x, grain=1):
    signal = capture_signal()
    device = in_turn(on_luma(function), lambda planes: [step(plane) for plane in planes])
    evidence = evidence_of(device)
    seen = colours(lambda x: np.column_stack([function(x[:, 0]), x[:, 1:]]))
    vars(evidence).update(colours=seen, explanation=explain(seen, signal), neutrals=seen[:0])
    vars(evidence).update(code_step=grain)
    return findings_of(evidence, "levels")


def test_levels_are_named_with_lost_steps_of_a_part_of_them():
    found = levels_of(lambda y: coarse_between(y, 8))
    assert "levels-luma" not in found
    found = levels_of(lambda y: coarse_between(y + 3, 8))
    assert "offset +3.00" in found["levels-luma"].text
    assert found["levels-luma"].bound < 0.001


def test_an_offset_before_codes_are_cut_is_neither_cutting_nor_rounding():
    def cut(plane):
        return cut_to(plane.astype(int), 8).astype(np.uint16)

    assert "levels-luma" not in levels_of(lambda y: y, cut, 4)
    assert "offset +1.5" in levels_of(lambda y: y + 3, cut, 4)["levels-luma"].text


@pytest.mark.parametrize("first", [True, False])
def test_codes_near_black_are_missed_through_dither_and_noise_reduction(first):
    def lost(planes):
        return rounded(crushed(planes[0].astype(float), 20)), *planes[1:]

    def dither(planes):
        return dithered(planes, ("temporal", 8, 0.0), 0)

    steps = (lost, dither) if first else (dither, lost)
    assert "black-codes-lost" in findings_of(evidence_of(in_turn(*steps)), "black")
    assert not findings_of(evidence_of(dither), "black")
    smooth = on_luma(lambda y: denoised(y, 20))
    assert "black-codes-lost" in findings_of(evidence_of(in_turn(smooth, lost)), "black")
    assert not findings_of(evidence_of(smooth), "black")


def test_greys_of_converted_pictures_show_their_black():
    def device(planes):
        return pointwise(lambda x: to_codes(np.clip(to_rgb(x), 0, 1) ** 0.8, 709))(planes)

    def black(function):
        evidence = evidence_of(in_turn(device, on_luma(function)))
        vars(evidence)["pass_through"] = False
        return findings_of(evidence, "black")

    assert not black(lambda y: y)
    assert set(black(lambda y: crushed(y, 30))) == {"black-codes-lost"}
    assert black(lambda y: y + 6)["black-lifted"].value == pytest.approx(6, abs=0.2)


@pytest.mark.parametrize("change", [None, lambda y: denoised(y, 8), lambda y: sharpened(y, 0.2)])
@pytest.mark.parametrize("power", [0.4, pytest.param(1.8, marks=pytest.mark.long)])
def test_the_curve_of_a_converted_chart_passes_for_no_filter(power, change):
    steps = [pointwise(lambda x: to_codes(np.clip(to_rgb(x), 0, 1) ** power, 709))]
    steps += [] if change is None else [on_luma(change)]
    evidence = chart_evidence(in_turn(*steps))
    assert not evidence.pass_through
    (found,) = CHECKS["detail"].function(evidence)
    if change is None:
        assert found.verdict == "transparent"
        assert abs(found.value - 1) < 0.01
    else:
        assert found.id in {"detail-noise-reduced", "detail-sharpened"}
        assert (found.id == "detail-sharpened") == (change(np.eye(9) * 300).max() > 301)


@pytest.mark.parametrize(("amount", "named"), [(0.0, set()), (0.25, {"detail-sharpened"})])
@pytest.mark.parametrize("first", [True, False])
def test_a_filter_is_distinguished_from_a_move_by_part_of_a_pixel(amount, named, first):
    def move(planes):
        y, cb, cr = (plane.astype(float) for plane in planes)
        return [rounded(horizontal(p, x)) for p, x in ((y, 0.4), (cb, 0.2), (cr, 0.2))]

    sharp = on_luma(lambda y: sharpened(y, amount))
    device = in_turn(*((sharp, move) if first else (move, sharp)))
    evidence = evidence_of(device, offset=(0.4, 0.0))
    seen = colours(lambda x: x)
    vars(evidence)["explanation"] = explain(seen, evidence.source)
    assert set(findings_of(evidence, "detail")) == named


@pytest.mark.parametrize(
    ("change", "named"),
    [
        (lambda y: y, set()),
        (lambda y: sharpened(y, 0.6), {"detail-sharpened"}),
        (lambda y: ndimage.gaussian_filter(y, 0.9), {"detail-blurred"}),
    ],
)
def test_what_came_before_a_scaler_is_named_by_what_the_scaler_made_of_chroma(change, named):
    def half(planes):
        return [rounded(downscale_local_mean(p[:270], (2, 2))) for p in planes]

    evidence = evidence_of(in_turn(on_luma(change), half), 0.5)
    vars(evidence)["explanation"] = explain(colours(lambda x: x), evidence.source)
    found = findings_of(evidence, "detail", "scaling")
    assert set(found) == named | {"scaling-filter"}
    text = found["scaling-filter"].text
    assert "bilinear" in text
    assert KERNELS["box-averaging"].label in text


@pytest.mark.parametrize("name", ["bilinear", "bicubic-0.5", "spline", "lanczos-3"])
def test_the_response_of_a_move_is_that_of_waves_that_are_moved(name):
    x = np.arange(400.0)
    for frequency in (0.06, 0.2, 0.4):
        for offset in (0.15, 0.5, -0.3):
            wave = np.exp(2j * np.pi * frequency * x)[None]
            parts = [
                resample(part, (1, 400), (1.0, 1.0), (offset, 0.0), KERNELS[name])[0]
                for part in (wave.real, wave.imag)
            ]
            gain = np.abs(parts[0] + 1j * parts[1])[0, 100:300].mean()
            expected = response(KERNELS[name], offset, np.array(frequency))
            assert expected == pytest.approx(gain, abs=2e-3)


def test_gains_of_a_filter_of_detail_are_those_of_waves_less_their_local_means():
    shares, frequency = (0.3, -0.2, 0.1), 0.2
    y, x = np.mgrid[:200, :200]
    gains = []
    for angle in np.arange(16) * np.pi / 16:
        wave = np.cos(2 * np.pi * frequency * (x * np.cos(angle) + y * np.sin(angle)))
        whole = wave + sum(
            share * (wave - ndimage.uniform_filter(wave, box))
            for share, box in zip(shares, BOXES, strict=True)
        )
        inner = (slice(40, 160),) * 2
        gains.append((whole[inner] * wave[inner]).sum() / (wave[inner] ** 2).sum())
    (found,) = detail_gains(Scaling("bilinear", shares, 0.0, 0.0, (), ()), (frequency,))
    assert found == pytest.approx(np.mean(gains), abs=5e-3)


def test_a_dimmed_scene_matches_and_a_black_frame_does_not():
    generator = np.random.default_rng(1)
    shown = generator.uniform(100, 700, (3, 400))
    seen = np.stack([0.85 * shown[0] + 20, np.full(400, 64.0), generator.uniform(100, 700, 400)])
    dimmed, black, other = _less_levels(seen - shown, shown)
    assert dimmed < 1e-6
    assert min(black, other) > 0.6 * shown.std()


@pytest.mark.parametrize("way", ["2020 to 709", "709 to 2020"])
def test_chroma_shows_other_primaries_where_something_else_bends_luma(way):
    generator = np.random.default_rng(8)

    def device(codes):
        codes = converted(codes, way)
        surround = generator.normal(0, 9, len(codes))
        return np.column_stack([codes[:, 0] + surround, codes[:, 1:]])

    found = explain(colours(device), capture_signal())
    assert found.gamut == tuple(f"bt{name}" for name in way.split(" to "))
    # What bends chroma too is no conversion.
    for step in (lambda x: saturated_by_hue(x, -0.25), lambda x: saturated(tinted(x, 9), 0.8)):
        assert explain(colours(step), capture_signal()).gamut is None


@pytest.mark.parametrize("stage", ["rgb", "ycbcr"])
def test_a_range_is_named_with_its_stage_with_a_tint_and_with_local_contrast(stage):
    def device(codes):
        return tinted(stretched(codes, ("compressed", stage, 8)), 12)

    seen = colours(device)
    signal = capture_signal()
    evidence = PathEvidence(signal, signal)
    vars(evidence).update(colours=seen, explanation=explain(seen, signal), neutrals=seen[:0])
    vars(evidence).update(code_step=1, bits_repeated=False, chroma_noises=np.zeros(9))
    assert f"levels-full-to-narrow-{stage}" in findings_of(evidence, "levels")


def test_dither_is_biased_with_a_gain_where_all_planes_are_off_alike():
    for bias in (0.0, -2.0):

        def device(planes, bias=bias):
            planes = pointwise(lambda x: gained(x, 0.9))(planes)
            return dithered(planes, ("temporal", 8, bias), int(planes[0].sum()) % 97)

        evidence = evidence_of(device, run=4)
        seen = colours(lambda x, bias=bias: gained(x, 0.9) + bias)
        vars(evidence).update(
            colours=seen, explanation=explain(seen, evidence.source), neutrals=seen[:0]
        )
        found = findings_of(evidence, "dither")
        assert ("dither-biased" in found) == (bias != 0)


@pytest.mark.parametrize(
    ("change", "named"),
    [
        pytest.param(lambda planes: planes, set(), marks=pytest.mark.long),
        (
            lambda planes: (
                planes[0], *(rounded(softened(p.astype(float), 0.25)) for p in planes[1:])
            ),
            {"chroma-softened"},
        ),
        pytest.param(
            on_luma(lambda y: denoised(y, 20)), {"detail-blurred", "detail-noise-reduced"},
            marks=pytest.mark.long,
        ),
        pytest.param(
            on_luma(lambda y: local_contrast(y, 0.1)), {"detail-sharpened", "contrast-local"},
            marks=pytest.mark.long,
        ),
    ],
)  # fmt: skip
def test_filters_are_named_with_other_primaries(change, named):
    device = in_turn(pointwise(lambda x: converted(x, "2020 to 709")), change)
    evidence = gather_pair(content_pair(device))
    assert evidence.explanation.gamut == ("bt2020", "bt709")
    found = findings_of(evidence, "detail", "chroma", "contrast")
    assert {name for name, f in found.items() if f.verdict != "cannot tell"} == named


def film(n):
    """Pictures without a flat place: detail everywhere in luma, and soft colours that move."""
    generator = np.random.default_rng(n)
    height, width = natural.SIZE[::-1]
    rough = 400 + 25 * natural.texture(31, height, width) + generator.normal(0, 3, (height, width))
    y, x = np.mgrid[: height // 2, : width // 2] / 23.0
    soft = [np.sin(x + 0.3 * y + 0.2 * n + turn) + np.cos(0.4 * y - turn) for turn in (0, 2)]
    return rounded(np.clip(rough, 70, 930)), *(rounded(512 + 55 * plane) for plane in soft)


def test_film_without_flat_places_shows_hue_saturation_and_primaries():
    degrees, gain = np.random.default_rng(9).uniform((2.0, 0.8), (6.0, 0.95))

    def of(step):
        signal, none = capture_signal(), Tallies.empty_content((1024, 1024))
        paths = content_paths(pointwise(step), 1.0, MOMENTS, shown=film)
        evidence = PathEvidence(signal, signal, tallies=none, paths=paths)
        vars(evidence)["pass_through"] = True
        return findings_of(evidence, "planes", "matrix", "gamut", "hue", "saturation")

    assert not of(lambda x: x)
    found = of(lambda x: turned(saturated(x, gain), degrees))
    assert set(found) == {"hue-rotated", "saturation-changed"}
    assert abs(found["hue-rotated"].value - degrees) < min(found["hue-rotated"].bound, 0.3)
    assert abs(found["saturation-changed"].value - gain) < 0.005
    assert set(of(lambda x: recoded(x, (709, 601)))) == {"matrix-mixed"}


@pytest.mark.parametrize("amount", [0.0, 0.25])
def test_rows_of_chroma_that_were_repeated_and_then_moved_are_named(amount):
    def repeated(planes):
        twice = [plane[::2].repeat(2, axis=0).astype(float) for plane in planes[1:]]
        return planes[0], *(rounded(vertical(plane, amount)) for plane in twice)

    evidence = evidence_of(repeated)
    vars(evidence)["explanation"] = explain(colours(lambda x: x), evidence.source)
    assert "chroma-lines-repeated" in findings_of(evidence, "chroma")
    moved = evidence_of(
        lambda planes: (planes[0], *(rounded(vertical(p.astype(float), 0.25)) for p in planes[1:]))
    )
    vars(moved)["explanation"] = evidence.explanation
    assert set(findings_of(moved, "chroma")) == {"chroma-siting"}


@pytest.mark.parametrize("stage", [(8, True), (8, False)])
def test_a_stage_in_rgb_is_named_by_captured_codes_whatever_filter_came_before(stage):
    def blur(planes):
        return rounded(ndimage.gaussian_filter(planes[0].astype(float), 0.9)), *planes[1:]

    evidence = evidence_of(in_turn(blur, pointwise(lambda x: through_rgb(x, stage))))
    (found,) = last_stage(evidence)
    assert f"{stage[0]}-bit {'narrow' if stage[1] else 'full'}-range" in found.text
    assert not last_stage(evidence_of(blur))


def test_codes_that_never_occur_show_a_plateau_after_a_filter():
    evidence = evidence_of(lambda planes: planes)
    sent = np.bincount(rounded(np.random.default_rng(3).normal(450, 90, 10**6)), minlength=1024)
    seen = sent.copy()
    seen[400], seen[401:412] = seen[400:412].sum(), 0
    vars(evidence).update(neutrals=colours(lambda x: x)[:0], clear=False, coupled=False)
    for before, after, named in (
        (sent, sent, {"steps"}), (sent, seen, {"steps-plateau"}), (seen, seen, {"steps"}),
    ):  # fmt: skip
        vars(evidence)["source_histogram"] = np.stack([before] * 3)
        vars(evidence)["capture_histogram"] = np.stack([after] * 3)
        vars(evidence).update(tones=evidence.neutrals, explanation=None)
        vars(evidence)["explanation"] = explain(colours(lambda x: x), evidence.source)
        assert set(findings_of(evidence, "steps")) == named


def test_films_may_be_captured_with_bars_in_a_larger_picture():
    def wider(planes):
        return [np.pad(plane, ((0, 2), (0, 32 // n)), mode="edge")
                for n, plane in zip((1, 2, 2), planes, strict=True)]  # fmt: skip

    plain, larger = (content_paths(device, 1.0, MOMENTS, shown=film) for device in (list, wider))
    np.testing.assert_array_equal(plain.predicted, larger.predicted)
