"""The chain: order, clips, codes, picture controls, writing down."""

from __future__ import annotations

import numpy as np
import pytest

from tonelab.conversion import (
    CHROMA_LAWS,
    CONTROLS,
    DRIVES,
    ENCODINGS,
    GAMUT_METHODS,
    STANDARDS,
    TONE_CURVES,
    ChainPart,
    Conversion,
    FreeCurve,
)
from tonelab.errors import UsageError
from tonelab.signal.description import Signal
from tonelab.signal.transfer import eotf_pq

RNG = np.random.default_rng(7)
LIGHT = eotf_pq(RNG.uniform(0, 0.8, (400, 3)))
GREYS = np.repeat(eotf_pq(np.linspace(0, 0.8, 60))[:, None], 3, axis=1)
SOURCE = Signal("bt2020", "narrow", "pq", "bt2020")
CHAINS = [
    Conversion(ChainPart(tone), ChainPart(drive), order, gamut=ChainPart(gamut))
    for tone in ("hable", "bt2390")
    for drive in ("per-channel", "max-rgb", "ictcp")
    for order in ("tone-first", "matrix-first")
    for gamut in ("clip", "excursions", "soft-clip")
]


@pytest.mark.parametrize("chain", CHAINS)
def test_signals_are_finite_and_end_at_white(chain: Conversion) -> None:
    signal = chain.rgb_signal(LIGHT)
    assert signal.shape == LIGHT.shape
    assert np.isfinite(signal).all()
    assert signal.max() <= 1
    if chain.gamut.name != "excursions":
        assert signal.min() >= 0


def test_order_does_not_matter_for_a_linear_curve() -> None:
    first, second = (
        Conversion(ChainPart("linear"), order=order, ceiling=False).rgb_signal(LIGHT)
        for order in ("tone-first", "matrix-first")
    )
    np.testing.assert_allclose(first, second, atol=1e-9)


def test_order_matters_for_a_bent_one_per_channel() -> None:
    first, second = (
        Conversion(ChainPart("hable"), order=order).rgb_signal(LIGHT)
        for order in ("tone-first", "matrix-first")
    )
    assert np.abs(first - second).max() > 0.02


def test_excursions_survive_into_chroma() -> None:
    green = np.array([[0.0, 100, 0]])
    kept = Conversion(ChainPart("linear"), gamut=ChainPart("excursions")).rgb_signal(green)
    assert kept[0, 0] == pytest.approx(-((0.5876411388 * 100 / 203) ** (1 / 2.4)))
    assert Conversion(ChainPart("linear")).rgb_signal(green)[0, 0] == 0


def test_ceiling_clips_the_curve_and_super_white_does_not_clip_the_signal() -> None:
    bright = np.full((1, 3), 300.0)
    step = ChainPart("linear", {"white": 200})
    assert Conversion(step, ceiling=False, super_white=True).rgb_signal(bright)[0, 0] > 1.09
    assert Conversion(step, ceiling=True, super_white=True).rgb_signal(bright)[0, 0] == (
        pytest.approx(1.0)
    )
    assert Conversion(step, ceiling=False).rgb_signal(bright)[0, 0] == 1.0


def test_arguments_show_which_colours_clip() -> None:
    chain = Conversion(ChainPart("linear", {"white": 200}), ChainPart("max-rgb"))
    light = np.array([[250.0, 10, 10], [150, 150, 10]])
    np.testing.assert_allclose(chain.arguments(light), [[250], [150]])
    turned = Conversion(ChainPart("linear"), ChainPart("per-channel"), "matrix-first")
    assert turned.arguments(light).shape == (2, 3)
    assert turned.arguments(light)[0, 0] == pytest.approx(1.6604910021 * 250, rel=0.03)


@pytest.mark.parametrize("drive", DRIVES)
@pytest.mark.parametrize("law", ["none", "desaturate-before-sum", "crosstalk"])
def test_greys_alone_give_the_same_signal(drive: str, law: str) -> None:
    light = np.repeat(np.geomspace(0.01, 2000, 40)[:, None], 3, axis=1)
    chain = Conversion(
        tone=ChainPart("hable"),
        drive=ChainPart(drive),
        chroma=ChainPart(law),
        encoding=ChainPart("srgb"),
        controls=ChainPart(
            "contrast-first", {"contrast": 0.9, "brightness": 0.02, "saturation": 1.2}
        ),
    )
    whole = chain.ycbcr_signal(light)[:, 0]
    np.testing.assert_allclose(chain.grey_signal(chain.arguments(light)[:, 0]), whole, atol=2e-6)


def test_arguments_see_what_the_chroma_law_did() -> None:
    chain = Conversion(
        ChainPart("hable"), ChainPart("max-rgb"), chroma=ChainPart("crosstalk", {"alpha": 0.1})
    )
    np.testing.assert_allclose(chain.arguments(np.array([[100.0, 0, 0]])), [[80]])


@pytest.mark.parametrize("bits", [8, 10])
@pytest.mark.parametrize("range_", ["narrow", "full"])
def test_codes_of_black_and_white(bits: int, range_: str) -> None:
    target = Signal(bits=bits, range=range_)
    codes = Conversion(ChainPart("linear", {"white": 100})).codes(
        np.array([[64, 512, 512], [940, 512, 512]]), SOURCE, target, rounded=True
    )
    step = 2 ** (bits - 8)
    luma = (16 * step, 235 * step) if range_ == "narrow" else (0, 2**bits - 1)
    np.testing.assert_array_equal(codes, [(y, 128 * step, 128 * step) for y in luma])


def test_rounded_codes_stay_within_the_legal_ones() -> None:
    chain = Conversion(
        ChainPart("linear", {"white": 50}),
        gamut=ChainPart("excursions"),
        ceiling=False,
        super_white=True,
    )
    codes = chain.codes(RNG.integers(64, 940, (500, 3)), SOURCE, Signal(), rounded=True)
    assert codes.min() >= 4
    assert codes.max() <= 1019
    np.testing.assert_array_equal(codes, np.round(codes))


def test_codes_in_rgb_equal_those_in_ycbcr() -> None:
    chain = Conversion(
        ChainPart("hable"), controls=ChainPart("contrast-first", {"saturation": 1.1})
    )
    codes = RNG.integers(300, 600, (100, 3))
    rgb, ycbcr = Signal(matrix="rgb"), Signal(matrix="bt709")
    np.testing.assert_allclose(
        rgb.decode_rgb(chain.codes(codes, SOURCE, rgb)),
        ycbcr.decode_rgb(chain.codes(codes, SOURCE, ycbcr)),
        atol=1e-12,
    )


def test_hlg_sources_take_the_same_road() -> None:
    """HLG 75 % on 1000 cd/m2 is 203 cd/m2 (BT.2408-8 table 1), as PQ 58 %."""
    chain = Conversion(ChainPart("linear", {"white": 203.152}))
    hlg = Signal("bt2020", "narrow", "hlg", "bt2020", peak=1000)
    codes = chain.codes(np.array([[721, 512, 512]]), hlg, Signal())
    np.testing.assert_allclose(codes, [[940, 512, 512]], atol=0.2)


@pytest.mark.parametrize("name", CONTROLS)
def test_controls_do_nothing_by_default(name: str) -> None:
    ycbcr = np.array([[0.0, 0, 0], [0.5, 0.05, -0.1], [1, 0, 0]])
    np.testing.assert_allclose(CONTROLS[name].bind()(ycbcr), ycbcr, atol=1e-12)


def control(name: str, luma: float, **parameters: float) -> float:
    """Luma code of a luma code."""
    ycbcr = np.array([[(luma - 64) / 876, 0.0, 0.0]])
    return float(64 + 876 * CONTROLS[name].bind(parameters)(ycbcr)[0, 0])


def test_contrast_pivots_at_black_or_mid_grey() -> None:
    """Y' = c (Y' - p) + p + b: at c = 0.9, black stays for p = 0 and rises 43.8 for p = 1/2."""
    assert control("contrast-first", 64, contrast=0.9) == pytest.approx(64)
    assert control("contrast-first", 64, contrast=0.9, pivot=0.5) == pytest.approx(64 + 43.8)


def test_order_of_contrast_and_brightness() -> None:
    """At c = 1.1 and b = 20 codes the intercept is 20 or 22."""
    given = {"contrast": 1.1, "brightness": 20 / 876}
    assert control("contrast-first", 64, **given) == pytest.approx(84)
    assert control("brightness-first", 64, **given) == pytest.approx(86)


def test_contrast_scales_chroma_when_coupled() -> None:
    """At c = 0.9 and s = 1.2 chroma gains 1.08 coupled, 1.2 not."""
    ycbcr = np.array([[0.5, 0.1, 0.0]])
    for coupling, gain in ((1.0, 1.08), (0.0, 1.2)):
        out = CONTROLS["contrast-first"].bind(
            {"contrast": 0.9, "saturation": 1.2, "coupling": coupling}
        )(ycbcr)
        assert out[0, 1] == pytest.approx(0.1 * gain)


def test_hue_turns_from_cb_towards_cr() -> None:
    out = CONTROLS["contrast-first"].bind({"hue": 30.0})(np.array([[0.5, 0.2, 0.0]]))
    np.testing.assert_allclose(out, [[0.5, 0.2 * np.sqrt(3) / 2, 0.1]])


def test_brightness_on_rgb_keeps_hue_until_it_clips() -> None:
    ycbcr = np.array([[0.5, 0.1, 0.05], [1.0, 0, 0]])
    out = CONTROLS["rgb-clipped"].bind({"brightness": 0.1})(ycbcr)
    np.testing.assert_allclose(out, [[0.6, 0.1, 0.05], [1.0, 0, 0]], atol=1e-12)


@pytest.mark.parametrize(
    "chain",
    [
        Conversion(
            ChainPart("mobius", {"knee": 25}),
            ChainPart("blend", {"weight": 0.3}),
            "matrix-first",
            ChainPart("crosstalk"),
            ChainPart("soft-clip", {"beta": 0.1}),
            ChainPart("gamma", {"exponent": 2.2}),
            ChainPart("contrast-first", {"hue": 2.0}),
            ceiling=False,
            super_white=True,
            white=203,
        ),
        Conversion(FreeCurve(np.array([0, 0.5, 0.75]), np.array([0, 0.3, 1]))),
    ],
    ids=["named", "free"],
)
def test_a_conversion_is_rebuilt_from_plain_data(chain: Conversion) -> None:
    import json

    again = Conversion.from_dict(json.loads(json.dumps(chain.to_dict())))
    np.testing.assert_array_equal(again.ycbcr_signal(LIGHT), chain.ycbcr_signal(LIGHT))
    assert again.to_dict() == chain.to_dict()


def test_a_bare_function_has_no_written_form() -> None:
    with pytest.raises(UsageError, match="free curves"):
        Conversion(np.sqrt).to_dict()


@pytest.mark.parametrize(
    ("chain", "kind"),
    [
        (Conversion(ChainPart("nonsense")), "tone curve"),
        (Conversion(ChainPart("hable"), ChainPart("nonsense")), "drive"),
        (Conversion(ChainPart("hable"), gamut=ChainPart("nonsense")), "gamut method"),
        (Conversion(ChainPart("hable"), encoding=ChainPart("nonsense")), "encoding"),
        (Conversion(ChainPart("hable"), chroma=ChainPart("nonsense")), "chroma law"),
    ],
)
def test_unknown_steps_are_named(chain: Conversion, kind: str) -> None:
    with pytest.raises(UsageError, match=f"no {kind} 'nonsense'"):
        chain.rgb_signal(LIGHT)


@pytest.mark.parametrize("gamut", GAMUT_METHODS)
@pytest.mark.parametrize("drive", DRIVES)
def test_every_pair_of_drive_and_gamut_gives_a_signal(drive: str, gamut: str) -> None:
    for order in ("tone-first", "matrix-first"):
        chain = Conversion(
            ChainPart("reinhard-peak"), ChainPart(drive), order, gamut=ChainPart(gamut)
        )
        assert np.isfinite(chain.rgb_signal(LIGHT)).all()


@pytest.mark.parametrize("name", [*CHROMA_LAWS, *ENCODINGS])
def test_every_law_and_encoding_gives_a_signal(name: str) -> None:
    part = "chroma" if name in CHROMA_LAWS else "encoding"
    assert np.isfinite(
        Conversion(ChainPart("hable"), **{part: ChainPart(name)}).rgb_signal(LIGHT)
    ).all()


def test_every_curve_gives_a_signal_within_the_range() -> None:
    for name in TONE_CURVES:
        signal = Conversion(ChainPart(name)).rgb_signal(LIGHT)
        assert np.isfinite(signal).all(), name
        assert signal.min() >= 0, name
        assert signal.max() <= 1, name


@pytest.mark.parametrize("name", STANDARDS)
@pytest.mark.parametrize("peak", [203.0, 600.0, 1000.0, 4000.0, 10000.0])
def test_standard_conversions_rise_on_greys_and_stay_in_range(name: str, peak: float) -> None:
    signal = STANDARDS[name].convert(GREYS, source_peak=peak)
    assert np.isfinite(signal).all()
    assert np.diff(signal, axis=0).min() > -1e-9
    # Printed matrices of method C carry greys off by up to 4e-5 of their light.
    assert np.ptp(signal, axis=1).max() < 1e-4
    coloured = STANDARDS[name].convert(LIGHT, source_peak=peak)
    assert coloured.min() >= 0
    assert coloured.max() <= (1019 - 64) / 876


def test_statuses_are_honest() -> None:
    """BT.2446-1 prints no equation for method B, BT.2408-8 none for hybrid-linear."""
    assert STANDARDS["bt2446b"].status == "reconstruction"
    assert "reconstruction" in STANDARDS["bt2446b"].label
    assert STANDARDS["bt2408-hybrid-linear"].status == "partial"
    published = {name for name, entry in STANDARDS.items() if entry.status == "published"}
    assert {"bt2446a", "bt2446c", "bt2390-ictcp", "clip-100", "clip-203"} <= published
    assert STANDARDS["bt2446a"].document.startswith("ITU-R BT.2446-1")


def test_standards_refuse_an_impossible_peak() -> None:
    with pytest.raises(UsageError, match="not positive"):
        STANDARDS["bt2446a"].convert(LIGHT, source_peak=0.0)


def test_black_lift_of_the_eetf_is_a_parameter_of_the_standard() -> None:
    """BT.2390-11 5.4.1: target black 0.1 cd/m2 on 100 is signal 0.001^(1/2.4)."""
    black = np.zeros((1, 3))
    for name in ("per-channel", "max-rgb", "luminance", "luma", "ictcp"):
        signal = STANDARDS[f"bt2390-{name}"].convert(black, source_peak=1000, target_black=0.1)
        np.testing.assert_allclose(signal, 0.001 ** (1 / 2.4), rtol=1e-3)


def test_chroma_reduction_of_method_c_fades_highlights_only() -> None:
    """BT.2446-1 6.1.8: nothing changes up to L* 100 at 203 cd/m2."""
    light = np.array([[700.0, 300, 300], [100, 50, 50]])
    plain = STANDARDS["bt2446c"].convert(light, source_peak=1000)
    faded = STANDARDS["bt2446c"].convert(light, source_peak=1000, sigma=1.0)
    assert np.ptp(faded[0]) < np.ptp(plain[0])
    np.testing.assert_allclose(faded[1], plain[1])
