"""Identification against simulated devices that share no arithmetic with it."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from simulated import (
    TONES,
    SimulatedDevice,
    by_intensity,
    by_luma,
    by_luminance,
    gamma_luma,
    max_rgb,
    per_channel,
    pq_light,
    rgb_of,
    simulated_tallies,
    soft_clip,
)

from tonelab.chart import Group, Layout
from tonelab.conversion import ChainPart, Conversion
from tonelab.errors import IdentificationError
from tonelab.identify import Evidence, gather_evidence, identify
from tonelab.identify.evidence import predict, rms
from tonelab.identify.structures import calm_colours, search, tied, with_free_curve
from tonelab.readings.colours import code_step, gather
from tonelab.readings.curves import luminance_curve
from tonelab.readings.repeats import repeatability
from tonelab.readings.signals import read_capture
from tonelab.results import Tallies
from tonelab.signal.description import Signal

SOURCE = Signal(matrix="bt2020", transfer="pq", primaries="bt2020")
LUMINANCE_2020 = np.array([0.2627, 0.6780, 0.0593])
FIVE = ("per-channel", "max-rgb", "luminance", "luma", "ictcp")


@pytest.fixture(scope="module")
def layout() -> Layout:
    return Layout.create("quick", width=960, height=540, hold=4)


def evidence_of(layout: Layout, device: SimulatedDevice, **how) -> Evidence:
    return evidence_from(layout, simulated_tallies(layout, device, **how))


def evidence_from(layout: Layout, tallies: Tallies) -> Evidence:
    target, _ = read_capture(Signal(), gather(tallies, layout, Group.NEUTRAL), SOURCE)
    step = code_step(tallies, target)
    neutrals = gather(tallies, layout, Group.NEUTRAL)
    neutrals = neutrals[np.argsort(neutrals.source[:, 0], kind="stable")]
    curve = luminance_curve(neutrals, SOURCE, code_step=step)
    colours = gather(tallies, layout, Group.LATTICE, Group.NEUTRAL_NEAR, Group.KNEE, Group.SWEEP)
    return gather_evidence(colours, neutrals, curve, SOURCE, target, step=step)


# --- the simulated device itself --------------------------------------------------------------


def test_the_device_gives_the_published_neutral_values():
    # BT.2390-11 5.4.1 (BT.2408-7 annex 5): mastering range to target range, cd/m2.
    light = np.array([10.0, 50, 100, 203, 400, 600, 1000])
    for source, target, expected in (
        (1000.0, 203.0, [10, 50, 99.361, 159.042, 193.609, 201.324, 203]),
        (1000.0, 100.0, [10, 46.143, 69.454, 88.244, 97.598, 99.575, 100]),
        (4000.0, 100.0, [10, 37.799, 55.146, 72.620, 86.161, 91.990, 96.800]),
    ):
        shown = target * TONES["bt2390"](light, source_peak=source, target_peak=target)
        assert_allclose(shown, expected, atol=6e-4)
    lifted = TONES["bt2390"](np.array([10.0, 203]), source_black=0.005, target_black=0.1)
    assert_allclose(100 * lifted, [10.882, 88.859], atol=6e-4)
    # BT.2446-1 4.1 and 6.1.4, gamma-2.4 codes.
    assert_allclose(
        TONES["bt2446a"](np.array([1.0, 26, 203, 1000])) ** (1 / 2.4),
        [0.098476, 0.334585, 0.686855, 1],
        atol=1e-6,
    )
    assert_allclose(
        TONES["bt2446c"](np.array([26.0, 203, 1000]), knee=58.5 / 0.83802) * 100,
        [21.78852, 90.66439, 118.38682],
        atol=0.08,
    )
    # Hable 2010, Reinhard 2002 and Drago 2003 at round numbers.
    assert_allclose(
        TONES["hable"](np.array([36.0, 200]), 100, 1120), [0.128338, 0.492919], atol=1e-6
    )
    assert_allclose(
        TONES["reinhard-extended"](np.array([18.0, 100]), 100, 400), [0.154258, 0.53125], atol=1e-6
    )
    assert_allclose(TONES["drago"](np.array([1.0, 100]), 10, 1e4), [0.029615, 0.515181], atol=1e-6)
    assert_allclose(
        TONES["mobius"](np.array([50.0, 500]), 100, 30, 1000), [0.458091, 0.950092], atol=1e-6
    )


def test_the_device_gives_the_published_colours():
    # BT.2390-11 5.4.2 on (600, 100, 20) cd/m2, 0..1000 to 0..100 cd/m2.
    light = np.array([[600.0, 100, 20]])
    for drive, expected in (
        (by_intensity, [218.9, 46.12, 11.23]),
        (by_luma, [290.2, 56.04, 12.42]),
        (by_luminance, [239.25, 39.88, 7.98]),
        (per_channel, [99.58, 69.45, 20.00]),
        (max_rgb, [99.58, 16.60, 3.32]),
    ):
        shown = 100 * drive(light, TONES["bt2390"], LUMINANCE_2020, 100.0)[0]
        assert_allclose(shown, expected, rtol=5e-4, atol=6e-3)
    # BT.2446-1 4.1 on colours, unclipped gamma-2.4 codes.
    toned = gamma_luma(np.array([[203.0, 0, 0]]), TONES["bt2446a"], LUMINANCE_2020, 100.0)
    assert_allclose(
        np.sign(toned) * np.abs(toned) ** (1 / 2.4), [[0.741597, -0.018026, -0.018026]], atol=2e-5
    )
    # BT.2407-0 annex 5, beta 0.2.
    mapped = soft_clip(np.array([[0.2, 0.8, 0.1], [0.5, 0.5, 0.1], [0, 0, 1]]))
    expected = [[0.0089, 0.8228, 0.1462], [0.5289, 0.5032, 0.0547], [0, 0.0289, 0.5347]]
    assert_allclose(mapped, expected, atol=6e-5)


def test_dither_leaves_the_mean_and_the_variance_that_it_must(layout):
    device = SimulatedDevice(bits=8, dither="rpdf")
    tables = simulated_tallies(layout, device, samples=256, frames=4).tables
    count = tables["patch_count_capture"][:, 0]
    mean = tables["patch_sum_capture"][:, 0] / count
    variance = tables["patch_square_capture"][:, 0] / count - mean**2
    real = device.real_codes(layout.patches.code)[:, 0]
    assert rms(mean - real) < 4 * 0.5 / np.sqrt(1024) + 0.02
    # Rounding after one step of uniform dither: f(1 - f) for a fraction f, 1/6 on average.
    assert variance[(real > 80) & (real < 930)].mean() == pytest.approx(16 / 6, rel=0.05)


# --- the package against the device -----------------------------------------------------------

CHAINS = [
    *[SimulatedDevice(tone=tone) for tone in TONES],
    *[
        SimulatedDevice(drive=drive, gamut=gamut)
        for drive in (*FIVE, "gamma-luma")
        for gamut in ("clip", "excursions", "none")
    ],
    *[SimulatedDevice(drive=drive, order="matrix-first") for drive in FIVE[:3]],
    *[SimulatedDevice(encoding=encoding) for encoding in ("gamma22", "srgb", "bt709-oetf")],
    SimulatedDevice(gamut="soft-clip", tone="hable", drive="max-rgb"),
    SimulatedDevice(drive="per-channel+luminance", weight=0.3),
    SimulatedDevice(drive="max-rgb+ictcp", weight=0.6),
    SimulatedDevice(tone_parameters={"source_black": 0.005, "target_black": 0.1}),
    SimulatedDevice(drive="ictcp", white=203.0, tone_parameters={"target_peak": 203.0}),
    SimulatedDevice(tone="bt2446c", ceiling=False, super_white=True),
    SimulatedDevice(controls={"contrast": 0.95, "brightness": 0.01, "saturation": 1.1, "hue": 3.0}),
]


@pytest.mark.parametrize("device", CHAINS, ids=lambda d: f"{d.tone} {d.drive} {d.gamut}")
def test_two_implementations_of_a_chain_agree(layout, device):
    chain = Conversion(
        tone=ChainPart(device.tone, dict(device.tone_parameters)),
        drive=ChainPart(device.drive, {"weight": device.weight} if "+" in device.drive else {}),
        order=device.order,
        gamut=ChainPart(device.gamut),
        encoding=ChainPart(device.encoding),
        controls=ChainPart("contrast-first", dict(device.controls))
        if device.controls
        else ChainPart("none"),
        ceiling=device.ceiling,
        super_white=device.super_white,
        white=device.white,
    )
    source = layout.patches.code[::7]
    light = pq_light(rgb_of((source - np.array([64, 512, 512])) / (876, 896, 896), "bt2020"))
    expected = np.clip(device.real_codes(source), 4, 1019)
    # The trace of light at black is worth a few hundredths of a code.
    assert_allclose(predict(chain, light + 1e-9, Signal()), expected, atol=0.1, rtol=0)


# --- identification ---------------------------------------------------------------------------


def test_the_five_drives_separate_on_saturated_colours(layout):
    # A published-parameter EETF to 100 cd/m2 through each drive, read with each drive and a free
    # curve: rounding alone must be left on the diagonal.
    table = np.empty((5, 5))
    for row, drive in enumerate(FIVE):
        device = SimulatedDevice(drive=drive, gamut="excursions", super_white=True)
        evidence = calm_colours(evidence_of(layout, device))
        for column, fitted in enumerate(FIVE):
            chain = Conversion(
                tone=ChainPart("linear"),
                drive=ChainPart(fitted),
                order="tone-first",
                gamut=ChainPart("excursions"),
                encoding=ChainPart("bt1886"),
                super_white=True,
            )
            table[row, column] = rms(evidence.residual(with_free_curve(evidence, chain)))
    right = np.eye(5, dtype=bool)
    assert table[right].max() < 0.36, table.round(2)
    assert table[~right].min() > 1.0, table.round(2)


STRUCTURES = [
    SimulatedDevice(drive="per-channel", tone="hable"),
    SimulatedDevice(drive="max-rgb", tone="reinhard-peak", encoding="gamma22"),
    SimulatedDevice(drive="luminance", tone="mobius", encoding="srgb"),
    SimulatedDevice(drive="luma", tone="bt2390"),
    SimulatedDevice(drive="ictcp", tone="bt2390", gamut="excursions"),
    SimulatedDevice(drive="gamma-luma", tone="bt2446a"),
    SimulatedDevice(drive="max-rgb", tone="hable", order="matrix-first", gamut="excursions"),
    SimulatedDevice(drive="luminance", tone="logarithmic", order="matrix-first"),
    SimulatedDevice(drive="max-rgb", tone="exponential-knee", gamut="none"),
    SimulatedDevice(drive="ictcp", tone="bt2390", bits=8),
    SimulatedDevice(drive="luminance", tone="hable", bits=8, dither="tpdf"),
    SimulatedDevice(drive="per-channel", tone="bt2390", range="full"),
]


@pytest.mark.parametrize(
    "device", STRUCTURES, ids=lambda d: f"{d.drive} {d.gamut} {d.tone} {d.bits}"
)
def test_structure_is_found_at_the_floor(layout, device):
    evidence = evidence_of(layout, device, samples=16, frames=1)
    ranked = search(evidence).whole
    alike = [candidate.conversion for candidate in tied(ranked, evidence.floor)]
    assert ranked[0].rms < 1.3 * evidence.floor
    assert device.drive in {chain.drive.name for chain in alike}
    assert (device.order, device.gamut, device.encoding) in {
        (chain.order, chain.gamut.name, chain.encoding.name) for chain in alike
    }
    assert {chain.drive.name for chain in alike} == {device.drive}


NAMED = [
    (
        SimulatedDevice(
            drive="max-rgb", tone="hable", tone_parameters={"white": 100.0, "peak": 1000.0}
        ),
        "hable",
    ),
    (
        SimulatedDevice(
            drive="luminance",
            tone="reinhard-peak",
            tone_parameters={"semi_saturation": 120.0, "peak": 2000.0},
            encoding="gamma22",
            bits=8,
        ),
        "reinhard-peak",
    ),
]


@pytest.mark.parametrize(("device", "family"), NAMED, ids=lambda value: getattr(value, "tone", ""))
def test_a_published_converter_is_named_with_its_parameters(layout, device, family):
    found = identify(evidence_of(layout, device)).conversion
    assert found.family == family
    assert found.drive == device.drive
    # Luminance is the same quantity before and after the matrix.
    both = "tone-first or matrix-first"
    assert found.order == (both if device.drive == "luminance" else device.order)
    assert (found.gamut, found.encoding) == (device.gamut, device.encoding)
    assert found.held_out_codes_rms <= 1.2 * found.floor_codes_rms
    sure = {name: e for name, e in found.parameters.items() if e.identifiable}
    assert sure
    for name, estimate in sure.items():
        truth = device.tone_parameters[name]
        assert estimate.value == pytest.approx(truth, rel=0.01)
        assert estimate.low <= truth <= estimate.high
    (pair,) = found.correlations
    assert {pair.first, pair.second} == {
        "white" if family == "hable" else "semi_saturation",
        "peak",
    }
    assert 0.1 < abs(pair.value) < 0.98
    # Each drive has its profile over display gamma; under the right one the true gamma is best.
    own = [point for point in found.display_gamma if point.drive.startswith(device.drive)]
    best = min(own, key=lambda point: point.codes_rms)
    assert best.exponent == {"bt1886": 2.4, "gamma22": 2.2}[device.encoding]
    others = [p for p in found.display_gamma if not p.drive.startswith(device.drive)]
    assert min(point.codes_rms for point in others) > 2 * best.codes_rms


@pytest.mark.long
def test_a_parameter_that_contrast_moves_alike_is_never_claimed(layout):
    # Under a pure power, the peak of a power curve and a contrast control are one product.
    device = SimulatedDevice(
        drive="luminance",
        order="matrix-first",
        tone="power",
        tone_parameters={"peak": 2500.0, "exponent": 1.43, "toe": 9.0},
        gamut="excursions",
        encoding="gamma22",
        controls={"contrast": 0.96, "brightness": 0.014, "saturation": 1.1, "hue": 3.5},
        ceiling=False,
        super_white=True,
        dither="rpdf",
    )
    found = identify(evidence_of(layout, device)).conversion
    assert found.family == "power"
    assert not found.parameters["peak"].identifiable
    assert "contrast" in found.parameters["peak"].note
    assert any("peak and contrast are known only together" in note for note in found.notes)
    exponent = found.parameters["exponent"]
    assert exponent.identifiable
    assert exponent.value == pytest.approx(1.43, rel=1e-3)


def test_encoding_is_not_claimed_where_the_curve_absorbs_it(layout):
    # Applied to each channel after the matrix, curve and display gamma are one function.
    device = SimulatedDevice(order="matrix-first", tone="drago")
    evidence = evidence_of(layout, device)
    ranked = search(evidence).whole
    encodings = {c.conversion.encoding.name for c in tied(ranked, evidence.floor)}
    assert {"bt1886", "gamma22"} <= encodings


@pytest.mark.long
def test_what_picture_controls_share_with_the_curve_is_never_claimed(layout):
    controls = {"contrast": 0.95, "brightness": 0.01, "saturation": 1.08, "hue": 2.0}
    device = SimulatedDevice(
        drive="ictcp",
        tone="bt2446c",
        tone_parameters={"slope": 0.8, "knee": 60.0, "bend": 0.7},
        controls=controls,
        bits=8,
        dither="rpdf",
    )
    found = identify(evidence_of(layout, device)).conversion
    assert (found.family, found.drive, found.gamut) == ("bt2446c", "ictcp", "clip")
    for name in ("saturation", "hue"):
        estimate = found.controls[name]
        assert estimate.identifiable
        assert estimate.value == pytest.approx(controls[name], rel=0.01)
        assert estimate.low <= controls[name] <= estimate.high
    # Contrast is the curve's own ceiling, brightness its own black lift.
    assert not any(
        found.controls[name].identifiable
        for name in ("contrast", "brightness")
        if name in found.controls
    )


@pytest.mark.parametrize(
    "device",
    [
        SimulatedDevice(tone="hable"),
        SimulatedDevice(tone="sigmoid", dither="tpdf"),
        SimulatedDevice(tone="logarithmic", bits=8, dither="rpdf"),
    ],
    ids=lambda device: f"{device.tone} {device.dither}",
)
def test_the_band_of_the_curve_covers_it(layout, device):
    tallies = simulated_tallies(layout, device)
    neutrals = gather(tallies, layout, Group.NEUTRAL)
    neutrals = neutrals[np.argsort(neutrals.source[:, 0], kind="stable")]
    copies = gather(tallies, layout, Group.NEUTRAL, merge=False)
    step = 1.0 if device.bits == 10 else 4.0
    curve = luminance_curve(neutrals, SOURCE, code_step=step, copies=copies)
    grey = np.stack([curve.source_code, *np.full((2, len(curve.code)), 512.0)], axis=1)
    truth = device.real_codes(grey)[:, 0]
    inside = ~curve.clipped & (curve.source_code >= 64)
    covered = (curve.low <= truth) & (truth <= curve.high)
    assert covered[inside].mean() > 0.92
    # Dither averages out, so that the band is far narrower than one of rounding.
    if device.dither:
        assert np.median((curve.high - curve.low)[inside]) < 0.2 * step


def test_neutrals_alone_identify_nothing(layout):
    tables = dict(simulated_tallies(layout, SimulatedDevice()).tables)
    colourful = layout.patches.group != Group.NEUTRAL
    for name in ("patch_count_source", "patch_count_capture"):
        tables[name] = np.where(colourful[:, None], 0, tables[name])
    with pytest.raises(IdentificationError, match="nothing but the curve"):
        evidence_from(layout, Tallies(layout.descriptor, tables))


@pytest.mark.parametrize("drive", FIVE)
def test_a_static_device_is_called_static(layout, drive):
    device = SimulatedDevice(drive=drive, bits=8, dither="tpdf")
    tallies = simulated_tallies(layout, device, samples=64, frames=4)
    assert repeatability(tallies, layout, 4.0)[0] == "static"


@pytest.mark.parametrize(
    ("scene", "name"),
    [("peak", "scene-dependent"), ("average", "scene-dependent"), ("local", "local")],
)
def test_a_device_that_follows_the_picture_is_called_so(layout, scene, name):
    device = SimulatedDevice(drive="luminance", scene=scene, swing=0.1)
    tallies = simulated_tallies(layout, device)
    verdict, (finding,) = repeatability(tallies, layout, 1.0)
    assert verdict == name
    assert finding.value > finding.threshold
