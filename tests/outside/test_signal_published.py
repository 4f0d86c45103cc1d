"""Signal arithmetic against published values and against colour-science."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest

from tonelab.signal.colorimetry import (
    delta_e_itp,
    ictcp_to_rgb2020,
    matrix_rgb_to_rgb,
    matrix_rgb_to_xyz,
    matrix_rgb_to_ycbcr,
    rgb2020_to_ictcp,
    rgb_to_ycbcr,
    ycbcr_to_rgb,
)
from tonelab.signal.description import Signal
from tonelab.signal.quantisation import codes_to_ycbcr, quantise, rgb_to_codes, ycbcr_to_codes
from tonelab.signal.transfer import (
    HLG_A,
    HLG_B,
    HLG_C,
    PQ_C1,
    PQ_C2,
    PQ_C3,
    PQ_M1,
    PQ_M2,
    eotf_bt1886,
    eotf_hlg,
    eotf_inverse_bt1886,
    eotf_inverse_hlg,
    eotf_inverse_pq,
    eotf_inverse_srgb,
    eotf_pq,
    eotf_srgb,
    oetf_bt709,
    oetf_hlg,
    oetf_inverse_bt709,
    oetf_inverse_hlg,
    system_gamma_hlg,
)

if TYPE_CHECKING:
    from types import ModuleType


def luma_code(signal: np.ndarray, bits: int, range_: str) -> np.ndarray:
    grey = np.stack([signal, 0 * signal, 0 * signal], axis=-1)
    return quantise(ycbcr_to_codes(grey, bits, range_), bits)[:, 0]


# --- PQ: SMPTE ST 2084; BT.2100-2 table 4 -------------------------------------------------

PQ_TABLE = np.array(
    # cd/m2, signal, 10-bit narrow, 12-bit narrow, 10-bit full
    [
        (0, 0.000001, 64, 256, 0),
        (0.0001, 0.001667, 65, 262, 2),
        (0.001, 0.006302, 70, 278, 6),
        (0.005, 0.015076, 77, 309, 15),
        (0.01, 0.021486, 83, 331, 22),
        (0.1, 0.062337, 119, 474, 64),
        (1, 0.149946, 195, 781, 153),
        (5, 0.247848, 281, 1124, 254),
        (10, 0.299699, 327, 1306, 307),
        (26, 0.380032, 397, 1588, 389),
        (50, 0.440282, 450, 1799, 450),
        (100, 0.508078, 509, 2036, 520),
        (203, 0.580689, 573, 2291, 594),
        (300, 0.621863, 609, 2435, 636),
        (400, 0.652579, 636, 2543, 668),
        (500, 0.676585, 657, 2627, 692),
        (600, 0.696294, 674, 2696, 712),
        (800, 0.727525, 701, 2805, 744),
        (1000, 0.751827, 723, 2890, 769),
        (2000, 0.827425, 789, 3155, 846),
        (4000, 0.902572, 855, 3419, 923),
        (10000, 1.000000, 940, 3760, 1023),
    ]
)


@pytest.mark.outside("BT.2100-2, table 4", "published")
def test_pq_constants() -> None:
    """BT.2100-2 table 4: exact rationals, and c1 = c3 - c2 + 1."""
    assert (PQ_M1, PQ_M2) == (0.1593017578125, 78.84375)
    assert (PQ_C1, PQ_C2, PQ_C3) == (0.8359375, 18.8515625, 18.6875)
    assert pytest.approx(PQ_C3 - PQ_C2 + 1, abs=1e-15) == PQ_C1


@pytest.mark.outside("SMPTE ST 2084; BT.2100-2, tables 4 and 9", "published")
def test_pq_signal_and_codes() -> None:
    light, signal, narrow10, narrow12, full10 = PQ_TABLE.T
    np.testing.assert_allclose(eotf_inverse_pq(light), signal, atol=6e-7)
    np.testing.assert_array_equal(luma_code(eotf_inverse_pq(light), 10, "narrow"), narrow10)
    np.testing.assert_array_equal(luma_code(eotf_inverse_pq(light), 12, "narrow"), narrow12)
    np.testing.assert_array_equal(luma_code(eotf_inverse_pq(light), 10, "full"), full10)
    np.testing.assert_allclose(eotf_pq(eotf_inverse_pq(light)), light, rtol=1e-9, atol=1e-12)
    assert eotf_inverse_pq(0.0) == pytest.approx(7.3096e-7, rel=1e-4)


@pytest.mark.outside("SMPTE ST 2084", "published")
@pytest.mark.parametrize(
    ("code", "light"),
    [
        (65, 0.000053),
        (100, 0.038747),
        (152, 0.328481),
        (256, 3.282584),
        (414, 32.285806),
        (502, 92.245709),
        (572, 201.490),
        (573, 203.703),
        (723, 1004.19),
        (769, 1625.06),
        (844, 3573.51),
    ],
)
def test_pq_light_of_codes(code: int, light: float) -> None:
    """ST 2084 of 10-bit narrow codes; the 58 % level is code 572, 201.49 cd/m2."""
    signal = Signal("bt2020", "narrow", "pq", "bt2020")
    got = signal.decode_light(np.array([[code, 512, 512]]))[0, 1]
    assert got == pytest.approx(light, rel=1e-5, abs=6e-7)


@pytest.mark.outside("colour-science", "library")
def test_pq_against_colour(colour: ModuleType) -> None:
    signal = np.linspace(0, 1, 501)
    np.testing.assert_allclose(eotf_pq(signal), colour.models.eotf_ST2084(signal), rtol=1e-9)
    light = np.geomspace(1e-4, 1e4, 400)
    np.testing.assert_allclose(
        eotf_inverse_pq(light), colour.models.eotf_inverse_ST2084(light), atol=1e-9
    )


@pytest.mark.outside("SMPTE ST 2084", "published")
def test_pq_clamps_where_the_function_runs_away() -> None:
    """Above 1 the EOTF has a pole, at 1.99; signals are clamped first."""
    np.testing.assert_array_equal(eotf_pq([-0.1, 1.2, 2.0]), eotf_pq([0.0, 1.0, 1.0]))


# --- HLG: BT.2100-2 table 5 ---------------------------------------------------------------

HLG_TABLE = np.array(
    # signal, scene light, cd/m2 on 1000, PQ signal
    [
        (0.10, 0.003333, 1.0653, 0.15319),
        (0.25, 0.020833, 9.6053, 0.29653),
        (0.38, 0.048133, 26.238, 0.38085),
        (0.50, 0.083333, 50.697, 0.44160),
        (0.60, 0.127996, 84.847, 0.49168),
        (0.70, 0.206122, 150.297, 0.54951),
        (0.75, 0.264963, 203.152, 0.58077),
        (0.80, 0.342784, 276.710, 0.61329),
        (0.90, 0.581838, 522.110, 0.68126),
        (1.00, 1.000000, 1000.00, 0.75183),
        (1.09, 1.638594, 1808.70, 0.81647),
    ]
)


def greys(values: np.ndarray) -> np.ndarray:
    return np.repeat(np.asarray(values, np.float64)[:, None], 3, axis=1)


@pytest.mark.outside("BT.2100-2, table 5", "published")
def test_hlg_constants() -> None:
    """BT.2100-2 table 5."""
    assert HLG_A == 0.17883277
    assert pytest.approx(0.28466892, abs=1e-9) == HLG_B
    assert pytest.approx(0.55991073, abs=5e-9) == HLG_C


@pytest.mark.outside("BT.2100-2, table 5", "published")
def test_hlg_signal_scene_and_display_light() -> None:
    signal, scene, light, pq = HLG_TABLE.T
    np.testing.assert_allclose(oetf_inverse_hlg(signal), scene, atol=6e-7)
    np.testing.assert_allclose(oetf_hlg(scene), signal, atol=3e-5)
    display = eotf_hlg(greys(signal), 1000.0)[:, 1]
    np.testing.assert_allclose(display, light, rtol=5e-5)
    np.testing.assert_allclose(eotf_inverse_pq(display), pq, atol=6e-6)
    np.testing.assert_allclose(eotf_inverse_hlg(greys(display))[:, 1], signal, atol=1e-9)


@pytest.mark.outside("BT.2100-2, table 5", "published")
def test_hlg_black_lift() -> None:
    """BT.2100-2: with L_B 0.05 on 1000, HLG 0.5 and 0.75 show 54.255 and 212.030 cd/m2."""
    light = eotf_hlg(greys([0.5, 0.75]), 1000.0, 0.05)[:, 0]
    np.testing.assert_allclose(light, (54.255, 212.030), rtol=1e-5)
    assert eotf_hlg(greys([0.0]), 1000.0, 0.05)[0, 0] == pytest.approx(0.05, rel=1e-6)


@pytest.mark.outside("BT.2100-2, note 5f; BT.2390-11, 6.2", "published")
@pytest.mark.parametrize(
    ("peak", "gamma"),
    [
        (100, 0.8459),
        (200, 0.9398),
        (291, 0.9949),
        (392, 1.0409),
        (400, 1.0329),
        (600, 1.1068),
        (1000, 1.2),
        (1500, 1.2740),
        (2000, 1.3264),
        (4000, 1.4812),
        (10000, 1.7023),
    ],
)
def test_hlg_system_gamma(peak: float, gamma: float) -> None:
    """BT.2100-2 note 5f from 400 to 2000 cd/m2; BT.2390-11 6.2 outside."""
    assert system_gamma_hlg(peak) == pytest.approx(gamma, abs=5.1e-5)


@pytest.mark.outside("BT.2100-2, table 5", "published")
def test_hlg_ootf_acts_on_luminance_not_on_channels() -> None:
    """BT.2100-2 table 5: F_D = alpha Y_S^(gamma - 1) E; per channel, blue is 76 % too bright."""
    blue = eotf_hlg(np.array([[0.0, 0, 1]]), 1000.0)[0, 2]
    assert blue == pytest.approx(1000 * 0.0593**0.2)
    assert 1000 / blue == pytest.approx(1.76, abs=0.005)


@pytest.mark.outside("colour-science", "library")
def test_hlg_against_colour(colour: ModuleType) -> None:
    signal = np.linspace(0, 1, 201)
    np.testing.assert_allclose(
        oetf_inverse_hlg(signal), colour.models.oetf_inverse_ARIBSTDB67(signal) / 12, atol=1e-6
    )
    rgb = np.random.default_rng(2).uniform(0.05, 1, (200, 3))
    theirs = colour.models.eotf_BT2100_HLG(rgb, 0, 1000, 1.2, method="ITU-R BT.2100-2")
    np.testing.assert_allclose(eotf_hlg(rgb, 1000.0), theirs, rtol=1e-6)


# --- BT.1886, sRGB, BT.709 ----------------------------------------------------------------

BT1886_SIGNAL = [0, 0.1, 0.25, 0.5, 0.75, 0.9, 1, 1.0902]  # the last is code 1019 of ten bits


@pytest.mark.outside("BT.1886-0, annex 1", "published")
@pytest.mark.parametrize(
    ("peak", "black", "light"),
    [
        (100, 0, [0, 0.39811, 3.58968, 18.94646, 50.13569, 77.65725, 100, 123.031]),
        (100, 0.01, [0.01, 0.60915, 4.17192, 19.94093, 51.00415, 78.10415, 100, 122.505]),
        (100, 0.1, [0.1, 1.06379, 5.21850, 21.60491, 52.42083, 78.82688, 100, 121.662]),
        (203, 0.05, [0.05, 1.46778, 9.04242, 41.42037, 104.34794, 158.96598, 203, 248.200]),
    ],
)
def test_bt1886(peak: float, black: float, light: list[float]) -> None:
    """BT.1886-0 annex 1."""
    got = eotf_bt1886(BT1886_SIGNAL, peak, black)
    np.testing.assert_allclose(got, light, rtol=5e-6, atol=6e-6)
    np.testing.assert_allclose(eotf_inverse_bt1886(got, peak, black), BT1886_SIGNAL, atol=1e-12)


@pytest.mark.outside("colour-science", "library")
def test_bt1886_against_colour(colour: ModuleType) -> None:
    signal = np.linspace(0, 1, 100)
    np.testing.assert_allclose(
        eotf_bt1886(signal, 120, 0.02), colour.models.eotf_BT1886(signal, 0.02, 120), rtol=1e-9
    )


@pytest.mark.outside("IEC 61966-2-1", "published")
def test_srgb() -> None:
    """IEC 61966-2-1."""
    signal, light = [0.1, 0.2, 0.5, 0.735], [0.0100228, 0.0331048, 0.2140411, 0.4994582]
    np.testing.assert_allclose(eotf_srgb(signal), light, atol=6e-8)
    np.testing.assert_allclose(eotf_inverse_srgb(light), signal, atol=1e-6)


@pytest.mark.outside("BT.709-6, item 1.2", "published")
def test_bt709_oetf() -> None:
    """BT.709-6 item 1.2, and how far it is from BT.1886."""
    scene = [0.01, 0.1, 0.18, 0.5, 0.9]
    signal = [0.045, 0.290940, 0.409008, 0.705515, 0.949110]
    np.testing.assert_allclose(oetf_bt709(scene), signal, atol=6e-7)
    np.testing.assert_allclose(
        oetf_inverse_bt709([0.1, 0.2, 0.3, 0.5, 0.7, 0.9]),
        [0.022428, 0.055427, 0.105237, 0.259589, 0.492415, 0.808963],
        atol=6e-7,
    )
    assert eotf_bt1886(oetf_bt709(0.18), 1.0) == pytest.approx(0.11699, abs=6e-6)


@pytest.mark.outside("colour-science", "library")
def test_srgb_and_bt709_against_colour(colour: ModuleType) -> None:
    signal = np.linspace(0, 1, 301)
    np.testing.assert_allclose(eotf_srgb(signal), colour.models.eotf_sRGB(signal), atol=1e-6)
    np.testing.assert_allclose(oetf_bt709(signal), colour.models.oetf_BT709(signal), atol=1e-6)


# --- Primaries and matrices ---------------------------------------------------------------


PRINTED_BT2087 = [[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]]


@pytest.mark.outside("BT.709-6, BT.2020-2; SMPTE RP 177", "published")
def test_primaries_to_xyz() -> None:
    """BT.709-6 and BT.2020-2 primaries with D65, normalised as in SMPTE RP 177."""
    np.testing.assert_allclose(
        matrix_rgb_to_xyz("bt709"),
        [
            [0.4123907993, 0.3575843394, 0.1804807884],
            [0.2126390059, 0.7151686788, 0.0721923154],
            [0.0193308187, 0.1191947798, 0.9505321522],
        ],
        atol=6e-11,
    )
    np.testing.assert_allclose(
        matrix_rgb_to_xyz("bt2020"),
        [
            [0.6369580483, 0.1446169036, 0.1688809752],
            [0.2627002120, 0.6779980715, 0.0593017165],
            [0, 0.0280726930, 1.0609850577],
        ],
        atol=6e-11,
    )


@pytest.mark.parametrize(
    ("source", "target", "matrix", "document"),
    [
        (
            "bt709",
            "bt2020",
            [
                [0.6274038959, 0.3292830384, 0.0433130657],
                [0.0690972894, 0.9195403951, 0.0113623156],
                [0.0163914389, 0.0880133079, 0.8955952532],
            ],
            "BT.2087-0",
        ),
        (
            "bt2020",
            "bt709",
            [
                [1.6604910021, -0.5876411388, -0.0728498633],
                [-0.1245504745, 1.1328998971, -0.0083494226],
                [-0.0181507634, -0.1005788980, 1.1187296614],
            ],
            "BT.2407-0 section 2",
        ),
        (
            "p3d65",
            "bt2020",
            [
                [0.7538330344, 0.1985973691, 0.0475695966],
                [0.0457438490, 0.9417772198, 0.0124789312],
                [-0.0012103404, 0.0176017173, 0.9836086231],
            ],
            "SMPTE RP 431-2 primaries with D65",
        ),
        (
            "p3d65",
            "bt709",
            [
                [1.224940, -0.224940, 0],
                [-0.042057, 1.042057, 0],
                [-0.019638, -0.078636, 1.098274],
            ],
            "SMPTE RP 431-2 primaries with D65",
        ),
    ],
)
def test_matrices_between_primaries(
    source: str, target: str, matrix: list[list[float]], document: str
) -> None:
    digits = 6e-7 if target == "bt709" and source == "p3d65" else 6e-11
    np.testing.assert_allclose(
        matrix_rgb_to_rgb(source, target), matrix, atol=digits, err_msg=document
    )


@pytest.mark.outside("BT.2087-0, BT.2407-0", "published")
def test_printed_matrices_are_four_digits_of_ours() -> None:
    """BT.2087-0 and BT.2407-0 print four decimals."""
    down = [[1.6605, -0.5876, -0.0728], [-0.1246, 1.1329, -0.0083], [-0.0182, -0.1006, 1.1187]]
    np.testing.assert_allclose(matrix_rgb_to_rgb("bt709", "bt2020"), PRINTED_BT2087, atol=5.1e-5)
    np.testing.assert_allclose(matrix_rgb_to_rgb("bt2020", "bt709"), down, atol=5.1e-5)


@pytest.mark.outside("BT.601-7, BT.709-6, BT.2020-2", "published")
@pytest.mark.parametrize(
    ("matrix", "luma", "divisors", "green"),
    [
        ("bt601", (0.299, 0.587, 0.114), (1.772, 1.402), (-0.3441363, -0.7141363)),
        ("bt709", (0.2126, 0.7152, 0.0722), (1.8556, 1.5748), (-0.1873243, -0.4681243)),
        ("bt2020", (0.2627, 0.6780, 0.0593), (1.8814, 1.4746), (-0.1645531, -0.5713531)),
    ],
)
def test_ycbcr_matrices(
    matrix: str, luma: tuple[float, ...], divisors: tuple[float, float], green: tuple[float, float]
) -> None:
    """BT.601-7, BT.709-6, BT.2020-2, non-constant luminance."""
    forward = matrix_rgb_to_ycbcr(matrix)
    np.testing.assert_allclose(forward[0], luma, atol=1e-15)
    blue = (np.array([0, 0, 1]) - luma) / divisors[0]
    red = (np.array([1, 0, 0]) - luma) / divisors[1]
    np.testing.assert_allclose(forward[1:], [blue, red], atol=1e-12)
    back = np.linalg.inv(forward)
    np.testing.assert_allclose(back[1], (1, *green), atol=6e-8)
    np.testing.assert_allclose(back[[0, 2]], [[1, 0, divisors[1]], [1, divisors[0], 0]], atol=1e-12)


@pytest.mark.outside("colour-science", "library")
def test_ycbcr_against_colour(colour: ModuleType) -> None:
    rgb = np.random.default_rng(4).uniform(-0.1, 1.1, (100, 3))
    for matrix, name in (
        ("bt601", "ITU-R BT.601"),
        ("bt709", "ITU-R BT.709"),
        ("bt2020", "ITU-R BT.2020"),
    ):
        theirs = colour.RGB_to_YCbCr(rgb, K=colour.WEIGHTS_YCBCR[name], out_range=(0, 1, -0.5, 0.5))
        np.testing.assert_allclose(rgb_to_ycbcr(rgb, matrix), theirs, atol=1e-9)
        np.testing.assert_allclose(ycbcr_to_rgb(theirs, matrix), rgb, atol=1e-9)


@pytest.mark.outside("colour-science", "library")
def test_primaries_against_colour(colour: ModuleType) -> None:
    for name, theirs in (
        ("bt709", "ITU-R BT.709"),
        ("bt2020", "ITU-R BT.2020"),
        ("p3d65", "P3-D65"),
    ):
        space = colour.RGB_COLOURSPACES[theirs]
        derived = colour.normalised_primary_matrix(space.primaries, space.whitepoint)
        np.testing.assert_allclose(matrix_rgb_to_xyz(name), derived, atol=1e-9)


# --- Quantisation: BT.709-6, BT.2020-2, BT.2100-2 table 9 ---------------------------------


@pytest.mark.outside("BT.2100-2, table 9", "published")
@pytest.mark.parametrize(
    ("bits", "black", "white", "neutral", "low", "high"),
    [(8, 16, 235, 128, 16, 240), (10, 64, 940, 512, 64, 960), (12, 256, 3760, 2048, 256, 3840)],
)
def test_narrow_range(bits: int, black: int, white: int, neutral: int, low: int, high: int) -> None:
    signals = np.array([[0, 0, -0.5], [1, 0, 0.5]])
    codes = quantise(ycbcr_to_codes(signals, bits, "narrow"), bits)
    np.testing.assert_array_equal(codes, [[black, neutral, low], [white, neutral, high]])
    np.testing.assert_allclose(codes_to_ycbcr(codes, bits, "narrow"), signals, atol=1e-15)


@pytest.mark.outside("BT.2100-2, table 9", "published")
@pytest.mark.parametrize("bits", [8, 10, 12])
def test_full_range(bits: int) -> None:
    signals = np.array([[0, 0, -0.5], [1, 0, 0.5]])
    codes = quantise(ycbcr_to_codes(signals, bits, "full"), bits)
    top, middle = 2**bits - 1, 2 ** (bits - 1)
    # (2^n - 1) C + 2^(n-1): 0.5 rounds up at both ends, and is clipped above.
    np.testing.assert_array_equal(codes, [[0, middle, 1], [top, middle, top]])


@pytest.mark.outside("BT.2100-2, table 9", "published")
def test_rounding_of_levels() -> None:
    """BT.2100-2 table 9, 10-bit narrow."""
    levels = np.array([0.18, 0.38, 0.40, 0.58, 0.75, 0.90])
    np.testing.assert_array_equal(luma_code(levels, 10, "narrow"), [222, 397, 414, 572, 721, 852])
    assert quantise(100.5, 10) == 101  # halves up
    assert quantise(-3, 10) == 0
    assert quantise(2000, 10) == 1023


@pytest.mark.outside("BT.2100-2, table 9", "published")
def test_ends_of_video_data() -> None:
    """Codes 4 and 1019 of ten bits are signals -0.0685 and 1.0902."""
    codes = np.array([[4, 512, 512], [1019, 512, 512]])
    np.testing.assert_allclose(
        codes_to_ycbcr(codes, 10, "narrow")[:, 0], (-0.0685, 1.0902), atol=5e-5
    )


@pytest.mark.outside("BT.2100-2, table 9", "published")
def test_rgb_codes_are_scaled_alike_on_all_components() -> None:
    """BT.2100-2 table 9: R', G' and B' all take the scale of luma."""
    for range_, codes in (("narrow", [940, 64, 502]), ("full", [1023, 0, 511.5])):
        signal = Signal(matrix="rgb", range=range_)
        np.testing.assert_allclose(signal.decode_rgb(np.array([codes])), [[1, 0, 0.5]], atol=1e-12)


@pytest.mark.outside("BT.2111-2", "published")
def test_bars_of_bt2111() -> None:
    """BT.2111-2: BT.709 bars at 75 % HLG and 58 % PQ, 10-bit narrow R'G'B'."""
    hlg = [
        (713, 719, 316),
        (538, 709, 718),
        (512, 706, 296),
        (651, 286, 705),
        (639, 269, 164),
        (227, 147, 702),
    ]
    pq = [
        (568, 571, 381),
        (484, 566, 571),
        (474, 564, 368),
        (536, 361, 564),
        (530, 350, 256),
        (317, 236, 562),
    ]
    bars = np.array([[1, 1, 0], [0, 1, 1], [0, 1, 0], [1, 0, 1], [1, 0, 0], [0, 0, 1.0]])
    wide = bars @ np.array(PRINTED_BT2087).T  # ten digits put one code of 36 beside the report's
    scene = oetf_inverse_hlg(0.75) * wide
    np.testing.assert_array_equal(quantise(rgb_to_codes(oetf_hlg(scene), 10, "narrow"), 10), hlg)
    signal = eotf_inverse_pq(eotf_pq(0.58) * wide)
    np.testing.assert_array_equal(quantise(rgb_to_codes(signal, 10, "narrow"), 10), pq)


# --- ICtCp and ΔE_ITP ---------------------------------------------------------------------


@pytest.mark.outside("BT.2100-2, table 7", "published")
def test_ictcp() -> None:
    """BT.2100-2 table 7, PQ."""
    light = [[203, 203, 203], [203, 0, 0], [0, 203, 0], [0, 0, 203], [120, 70, 45]]
    expected = [
        [0.580689, 0, 0],
        [0.447073, -0.129570, 0.399201],
        [0.530489, -0.415434, -0.113804],
        [0.344736, 0.265929, -0.237299],
        [0.488305, -0.046238, 0.076825],
    ]
    np.testing.assert_allclose(rgb2020_to_ictcp(light), expected, atol=6e-7)
    np.testing.assert_allclose(ictcp_to_rgb2020(rgb2020_to_ictcp(light)), light, atol=1e-6)


@pytest.mark.outside("BT.2124-0", "published")
@pytest.mark.parametrize(
    ("one", "other", "difference"),
    [
        (100, 101, 0.719269),
        (203, 200, 1.120058),
        (1, 1.01, 0.365657),
        (1000, 990, 0.788793),
        (0, 0.005, 10.854481),
        ((100, 100, 100), (100, 99, 100), 0.886672),
        ((203, 0, 0), (200, 0, 0), 1.098769),
        ((120, 70, 45), (118, 71, 46), 2.997007),
    ],
)
def test_delta_e_itp(one: object, other: object, difference: float) -> None:
    """BT.2124-0; cd/m2 in linear BT.2020."""
    pair = [np.broadcast_to(np.asarray(light, np.float64), 3) for light in (one, other)]
    assert delta_e_itp(*pair) == pytest.approx(difference, abs=6e-7)


@pytest.mark.outside("BT.2124-0", "published")
def test_delta_e_itp_of_one_code() -> None:
    """BT.2124-0: on neutrals one 10-bit narrow code is 720 / 876."""
    light = eotf_pq(np.array([500, 501]) / 876)
    assert delta_e_itp(*greys(light)) == pytest.approx(720 / 876, abs=1e-9)


@pytest.mark.outside("colour-science", "library")
def test_ictcp_and_delta_e_against_colour(colour: ModuleType) -> None:
    rng = np.random.default_rng(8)
    light = eotf_pq(rng.uniform(0, 0.9, (300, 3)))
    near = light * rng.uniform(0.98, 1.02, (300, 3))
    theirs = [
        colour.RGB_to_ICtCp(part, method="ITU-R BT.2100-2 PQ", L_p=10000) for part in (light, near)
    ]
    np.testing.assert_allclose(rgb2020_to_ictcp(light), theirs[0], atol=1e-6)
    np.testing.assert_allclose(
        delta_e_itp(light, near), colour.difference.delta_E_ITP(*theirs), atol=1e-6
    )


@pytest.mark.outside("colour-science, worked example of its documentation", "library")
def test_delta_e_itp_of_the_documented_pair(colour: ModuleType) -> None:
    """BT.2124-0 as documented with colour-science: 1.42657228."""
    pair = [
        np.array([0.4885468072, -0.04739350675, 0.07475401302]),
        np.array([0.4899203231, -0.04567508203, 0.07361341775]),
    ]
    ours = delta_e_itp(*(ictcp_to_rgb2020(part) for part in pair))
    assert ours == pytest.approx(1.42657228, abs=1e-7)


# --- Monotone, whatever the function ------------------------------------------------------


@pytest.mark.parametrize(
    "function",
    [eotf_pq, eotf_inverse_pq, oetf_hlg, oetf_inverse_hlg, eotf_bt1886, eotf_srgb, oetf_bt709],
    ids=lambda function: function.__name__,
)
def test_transfer_functions_rise(function: object) -> None:
    values = function(np.linspace(0, 1, 4001))
    assert all(low < high for low, high in pairwise(values))
