"""Every registered part against published values, or an explicit reason why there are none."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

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
)
from tonelab.conversion.standards.aces_gamut import (
    ACES_LIMITS,
    ACES_POWER,
    ACES_THRESHOLDS,
    compress,
    expand,
)
from tonelab.conversion.standards.bt2407 import soft_clip_position
from tonelab.conversion.standards.bt2446 import (
    method_a_up,
    method_c_curve,
    method_c_curve_inverse,
    method_c_light,
)
from tonelab.conversion.tone.rational import HILL


@dataclass(frozen=True)
class Check:
    """Inputs and outputs of one published example; scalars are neutral or lone values."""

    source: str
    given: Any
    expected: Any
    tolerance: float
    parameters: dict[str, float] = field(default_factory=dict)
    scale: float = 1.0  # unit of expected, in units of the function's output


# --- Tone curves --------------------------------------------------------------------------

EETF = "BT.2390-11 5.4.1"
EETF_LIGHT = [10, 50, 100, 203, 400, 600, 1000]


def eetf(
    source: tuple[float, float], target: tuple[float, float], light: list[float], out: list[float]
) -> Check:
    parameters = {
        "source_black": source[0],
        "source_peak": source[1],
        "target_black": target[0],
        "target_peak": target[1],
    }
    return Check(EETF, light, out, 0.0006, parameters, 1 / target[1])


TONE_CHECKS: dict[str, list[Check]] = {
    "bt2390": [
        eetf(
            (0, 10000),
            (0, 1000),
            [*EETF_LIGHT, 4000],
            [10, 50, 100, 203, 394.001, 537.753, 713.332, 979.799],
        ),
        eetf(
            (0, 4000),
            (0, 1000),
            [*EETF_LIGHT, 4000],
            [10, 50, 100, 203, 400, 590.710, 814.613, 1000],
        ),
        eetf((0, 1000), (0, 203), EETF_LIGHT, [10, 50, 99.361, 159.042, 193.609, 201.324, 203]),
        eetf((0, 1000), (0, 100), EETF_LIGHT, [10, 46.143, 69.454, 88.244, 97.598, 99.575, 100]),
        eetf(
            (0, 4000),
            (0, 100),
            [*EETF_LIGHT, 4000],
            [10, 37.799, 55.146, 72.620, 86.161, 91.990, 96.800, 100],
        ),
        eetf(
            (0.005, 1000),
            (0.1, 100),
            EETF_LIGHT,
            [10.882, 46.963, 70.157, 88.859, 98.174, 100.143, 100.566],
        ),
    ],
    "bt2446a": [
        Check(
            "BT.2446-1 4.1, 1000 to 100",
            [0.1, 1, 10, 26, 50, 100, 203, 400, 1000],
            [0.04267, 0.38370, 3.13119, 7.22463, 12.64842, 22.66342, 40.59534, 64.45620, 100],
            1e-5,
            {"hdr_peak": 1000, "sdr_peak": 100},
            0.01,
        ),
    ],
    "bt2446b": [
        Check(
            "reconstruction of BT.2446-1 5: 291 lands on 100, unity to 55",
            [10, 55, 74.1, 100, 203, 291],
            [10, 55, 67.687, 76.704, 92.933, 100],
            6e-4,
            scale=0.01,
        ),
    ],
    "bt2446c": [
        Check(
            "BT.2446-1 6.1.4, below the knee",
            [1, 10, 26, 50.8],
            [0.83802, 8.38020, 21.78852, 42.57142],
            1e-5,
            scale=0.01,
        ),
        Check(
            # Above the knee the printed constants stand 0.012 to 0.035 cd/m2 off continuity.
            "BT.2446-1 6.1.4, above the knee",
            [100, 203, 400, 1000, 2000, 4000],
            [73.40179, 90.66439, 103.26014, 118.38682, 129.26003, 139.92575],
            0.03,
            scale=0.01,
        ),
        Check(
            "BT.2446-1 6.1.4, stated conditions: 50 % and 75 % HLG to 70 % and 96 % SDR",
            [50.697, 203.152],
            [0.70**2.4, 0.96**2.4],
            2e-4,
        ),
    ],
    "linear": [
        Check("BT.2408-8 5.1.1: 2.03 up-mapping, inverted", [203, 101.5], [1, 0.5], 1e-12),
    ],
    "logarithmic": [
        Check(
            "y = ln(1 + q x) / ln(1 + q P), q 100, P 1",
            [0.01, 0.1],
            [0.150190, 0.519574],
            1e-6,
            {"toe": 0.01, "peak": 1},
        ),
    ],
    "sigmoid": [
        Check(
            "Naka-Rushton, n 0.73, s 0.18",
            [0.01, 1, 10],
            [0.108131, 0.777612, 0.949438],
            1e-6,
            {"exponent": 0.73, "semi_saturation": 0.18},
        ),
    ],
    "reinhard": [
        Check(
            "Reinhard 2002 equation 3",
            [0.18, 1, 9],
            [0.152542, 0.5, 0.9],
            1e-6,
            {"semi_saturation": 1},
        ),
    ],
    "reinhard-extended": [
        Check(
            "Reinhard 2002 equation 4, w 4",
            [0.18, 1, 2, 4],
            [0.154258, 0.53125, 0.75, 1],
            1e-6,
            {"semi_saturation": 1, "peak": 4},
        ),
    ],
    "drago": [
        Check(
            "Drago 2003 equation 4, b 0.85, Lmax 1000",
            [0.1, 1, 10, 100, 1000],
            [0.029615, 0.180988, 0.515181, 0.811045, 1],
            1e-6,
            {"adaptation": 1, "peak": 1000, "bias": 0.85},
        ),
    ],
    "mobius": [
        Check(
            "Moebius j 0.3, P 10",
            [0.3, 0.5, 1, 5, 10],
            [0.3, 0.458091, 0.663102, 0.950092, 1],
            1e-6,
            {"white": 1, "knee": 0.3, "peak": 10},
        ),
    ],
    "exponential-knee": [
        Check(
            "k + (m - k)(1 - exp(-(x - k)/(m - k))), k 0.8, m 1",
            [0.5, 0.8, 1, 2],
            [0.5, 0.8, 0.926424, 0.999504],
            1e-6,
            {"white": 1, "knee": 0.8, "ceiling": 1},
        ),
    ],
    "hable": [
        Check(
            "Hable 2010 blog constants, exposure 2, white 11.2",
            [0.18, 1, 2, 5.6],
            [0.128338, 0.492919, 0.713238, 1],
            1e-6,
            {"white": 0.5, "peak": 5.6},
        ),
    ],
    "hable-talk": [
        Check(
            "Hable 2010 talk constants, exposure 1, white 11.2",
            [0.18, 11.2],
            [0.09986, 1],
            1e-5,
            {"white": 1, "peak": 11.2},
        ),
    ],
    "aces-narkowicz": [
        Check(
            "Narkowicz 2016",
            [0.18, 1, 5, 16],
            [0.266899, 0.803797, 0.985276, 1.018016],
            1e-6,
            {"white": 1},
        ),
        Check("Narkowicz 2016, pre-scale 0.6", [0.18], [0.140120], 1e-6, {"white": 1 / 0.6}),
    ],
    "aces-hill": [
        Check(
            # The two matrices have rows that sum to 1, so greys see the curve alone.
            "Hill 2017, greys",
            [0.18, 1, 5],
            [0.105591, 0.619115, 0.930610],
            1e-5,
            {"white": 1},
        ),
    ],
}

TONE_REASONS = {
    "power": "general form; test_conversion_converters holds it against a converter",
    "reinhard-peak": "a scaled Reinhard; test_conversion_converters holds it against a converter",
    "rational-knee": "a shifted Reinhard; the article prints no value for it",
    "three-point": "defined by its three points, which test_conversion_tone checks",
}


def rows(checks: dict[str, list[Check]]) -> list[Any]:
    return [
        pytest.param(
            name,
            check,
            id=f"{name}-{i}",
            marks=pytest.mark.outside(check.source, "published"),
        )
        for name, group in checks.items()
        for i, check in enumerate(group)
    ]


@pytest.mark.parametrize(("name", "check"), rows(TONE_CHECKS))
def test_tone_curve_gives_the_published_values(name: str, check: Check) -> None:
    curve = TONE_CURVES[name].bind(check.parameters)
    relative = curve(np.array(check.given, np.float64))
    np.testing.assert_allclose(relative / check.scale, check.expected, rtol=0, atol=check.tolerance)


@pytest.mark.outside("Hill 2017, fit to the ACES RRT and ODT", "published")
def test_hill_fit_with_its_matrices() -> None:
    """Hill 2017: (0.8, 0.4, 0.2) -> (0.551362, 0.307187, 0.150062)."""
    into = np.array(
        [[0.59719, 0.35458, 0.04823], [0.07600, 0.90834, 0.01566], [0.02840, 0.13383, 0.83777]]
    )
    out = np.array(
        [
            [1.60475, -0.53108, -0.07367],
            [-0.10208, 1.10813, -0.00605],
            [-0.00327, -0.07276, 1.07602],
        ]
    )
    rgb = out @ HILL(into @ np.array([0.8, 0.4, 0.2]))
    np.testing.assert_allclose(rgb, (0.551362, 0.307187, 0.150062), atol=1e-6)


# --- Drives -------------------------------------------------------------------------------

SKIN = [[600, 100, 20], [200, 200, 200]]
GREY = [87.939] * 3
DRIVE_CHECKS = {
    "ictcp": [Check(EETF, SKIN, [[218.9, 46.12, 11.23], GREY], 0.05)],
    "luma": [Check(EETF, SKIN, [[290.2, 56.04, 12.42], GREY], 0.05)],
    "luminance": [Check(EETF, SKIN, [[239.25, 39.88, 7.98], GREY], 0.006)],
    "per-channel": [Check(EETF, SKIN, [[99.58, 69.45, 20.00], GREY], 0.006)],
    "max-rgb": [Check(EETF, SKIN, [[99.58, 16.60, 3.32], GREY], 0.006)],
    "gamma-luma": [
        Check(
            "BT.2446-1 4.1, R'G'B' at 1000 to 100",
            [[203, 0, 0], [0, 203, 0], [0, 0, 203], [203, 203, 0], [120, 70, 45]],
            [
                [0.741597, -0.018026, -0.018026],
                [0.045290, 0.713278, 0.045290],
                [0.005015, 0.005015, 0.850718],
                [0.689542, 0.689542, 0.056963],
                [0.576205, 0.468264, 0.396185],
            ],
            1e-6,
        ),
    ],
}
DRIVE_REASONS = {
    name: "a blend; test_conversion_drives holds it against its two parts"
    for name in DRIVES
    if name == "blend" or "+" in name
}


@pytest.mark.parametrize(("name", "check"), rows(DRIVE_CHECKS))
def test_drive_gives_the_published_values(name: str, check: Check) -> None:
    light = np.array(check.given, np.float64)
    drive = DRIVES[name].bind()
    if name == "gamma-luma":
        relative = drive(light, TONE_CURVES["bt2446a"].bind())
        got = np.sign(relative) * np.abs(relative) ** (1 / 2.4)
    else:
        got = 100 * drive(light, TONE_CURVES["bt2390"].bind())
    np.testing.assert_allclose(got, check.expected, rtol=0, atol=check.tolerance)


# --- Chroma laws --------------------------------------------------------------------------

CHROMA_CHECKS = {
    "crosstalk": [
        Check("BT.2446-1 6.1.2", [[10, 200, 50]], [[33, 166, 61]], 1e-9, {"alpha": 0.1}),
    ],
}
CHROMA_REASONS = {
    "none": "identity",
    "desaturate-before-bt709": "as desaturate-before-sum, with other weights",
    "desaturate-before-bt2020": "as desaturate-before-sum, with other weights",
    "desaturate-before-sum": "test_conversion_converters holds it against a converter",
    "desaturate-highlights": "a plain form without a document; test_conversion_drives",
    "preserved-ratio": "the article prints no value; test_conversion_drives",
}


@pytest.mark.parametrize(("name", "check"), rows(CHROMA_CHECKS))
def test_chroma_law_gives_the_published_values(name: str, check: Check) -> None:
    light = np.array(check.given, np.float64)
    seen = []

    def mapping(mixed: np.ndarray) -> np.ndarray:
        seen.append(mixed)
        return mixed

    back = CHROMA_LAWS[name].bind(check.parameters)(light, mapping)
    np.testing.assert_allclose(seen[0], check.expected, rtol=0, atol=check.tolerance)
    np.testing.assert_allclose(back, light, atol=1e-9)  # 6.1.6 undoes 6.1.2


# --- Gamut --------------------------------------------------------------------------------

COLOURS = [[1, 0, 0], [0, 1, 0], [0, 0, 1], [0.2, 0.8, 0.1], [0.5, 0.5, 0.1], [0.6, 0.35, 0.2]]
MATRIXED = [
    [1.6605, -0.1246, -0.0182],
    [-0.5876, 1.1329, -0.1006],
    [-0.0729, -0.0083, 1.1187],
    [-0.1453, 0.8806, 0.0278],
    [0.5291, 0.5033, 0.0525],
    [0.7760, 0.3201, 0.1777],
]
CLIPPED = np.maximum(MATRIXED, 0.0).tolist()
GAMUT_CHECKS = {
    "excursions": [Check("BT.2407-0 section 2", COLOURS, MATRIXED, 6e-5)],
    "clip": [Check("BT.2407-0 section 2", COLOURS, CLIPPED, 6e-5)],
    "matrix": [Check("BT.2407-0 section 2, its defaults", COLOURS, CLIPPED, 6e-5)],
    "soft-clip": [
        Check(
            "BT.2407-0 annex 5, beta 0.2",
            COLOURS,
            [
                [1, 0.0584, 0.1146],
                [0, 0.9217, 0.2609],
                [0, 0.0289, 0.5347],
                [0.0089, 0.8228, 0.1462],
                [0.5289, 0.5032, 0.0547],
                [0.7760, 0.3201, 0.1777],
            ],
            6e-5,
        ),
    ],
    "hue-preserving": [
        Check(
            # sRGB-encoded in the source; an implementation of CSS Color 4.
            "CSS Color 4 section 13.2, BT.2020 primaries",
            COLOURS[:3],
            [[1, 0.0675, 0.0777], [0, 0.8843, 0.1676], [0, 0.0825, 0.2915]],
            2e-4,
        ),
    ],
    "none": [Check("identity", COLOURS, COLOURS, 1e-12)],
}
GAMUT_REASONS = {
    "distance-compression": "refitted limits; the form is held against OpenColorIO below",
    "lightness-chroma": "BT.2407 annex 2 prints no value; test_conversion_gamut has properties",
}


@pytest.mark.parametrize(("name", "check"), rows(GAMUT_CHECKS))
def test_gamut_method_gives_the_published_values(name: str, check: Check) -> None:
    got = GAMUT_METHODS[name].convert(np.array(check.given, np.float64), **check.parameters)
    np.testing.assert_allclose(got, check.expected, rtol=0, atol=check.tolerance)


@pytest.mark.outside("BT.2407-0, annex 5", "published")
def test_soft_clip_positions() -> None:
    """BT.2407-0 annex 5, equations 5-1 to 5-4, the last with its bracket squared."""
    r, alpha = np.array([1.0, 0.9, 1.0, 1.5]), np.array([0.5, 0.5, 0.2, 0.5])
    np.testing.assert_allclose(
        soft_clip_position(r, alpha, 0.2), (0.924951, 0.876834, 0.95, 1.0), atol=1e-6
    )


AP1 = np.array(
    [[1, -0.1, 0.2], [0.5, 0.1, -0.05], [-0.05, 0.3, 0.4], [2, 0.2, -0.4], [1, 0.1, 0.1]]
)
ACES = (np.array(ACES_LIMITS), np.array(ACES_THRESHOLDS), ACES_POWER)


@pytest.mark.outside("ACES reference gamut compression, S-2020-001", "published")
def test_reference_gamut_compression() -> None:
    """ACES 1.3 reference gamut compression, AP1 in and out."""
    expected = [
        [1, 0.033483, 0.2],
        [0.5, 0.1, 0.010777],
        [0.002523, 0.3, 0.4],
        [2, 0.235377, 0.017177],
        [1, 0.117688, 0.101406],
    ]
    compressed = compress(AP1, *ACES)
    np.testing.assert_allclose(compressed, expected, atol=1e-6)
    np.testing.assert_allclose(expand(compressed, *ACES), AP1, atol=1e-9)


@pytest.mark.outside("OpenColorIO, built-in transforms", "library")
def test_reference_gamut_compression_against_opencolorio() -> None:
    import PyOpenColorIO

    transform = PyOpenColorIO.FixedFunctionTransform(
        PyOpenColorIO.FIXED_FUNCTION_ACES_GAMUT_COMP_13,
        [*ACES_LIMITS, *ACES_THRESHOLDS, ACES_POWER],
    )
    processor = PyOpenColorIO.Config.CreateRaw().getProcessor(transform).getDefaultCPUProcessor()
    rng = np.random.default_rng(5)
    light = np.concatenate([AP1, rng.normal(0.3, 0.4, (500, 3))]).astype(np.float32)
    theirs = light.copy()
    processor.applyRGB(theirs)
    # Their single precision, and their fast power functions.
    np.testing.assert_allclose(compress(light.astype(np.float64), *ACES), theirs, atol=3e-6)


# --- Encodings ----------------------------------------------------------------------------

ENCODING_CHECKS = {
    "bt1886": [
        Check(
            "BT.1886-0 annex 1, 100 cd/m2, black 0",
            [0.0039811, 0.0358968, 0.1894646, 0.5013569, 0.7765725, 1],
            [0.1, 0.25, 0.5, 0.75, 0.9, 1],
            1e-5,
        ),
        Check(
            "BT.1886-0 annex 1, 100 cd/m2, black 0.1",
            [0.001, 0.0106379, 0.0521850, 0.2160491, 0.5242083, 0.7882688, 1],
            [0, 0.1, 0.25, 0.5, 0.75, 0.9, 1],
            1e-5,
            {"black": 0.001},
        ),
    ],
    "srgb": [
        Check(
            "IEC 61966-2-1",
            [0.0100228, 0.0331048, 0.2140411, 0.4994582],
            [0.1, 0.2, 0.5, 0.735],
            1e-5,
        ),
    ],
    "bt709-oetf": [
        Check(
            "BT.709-6 item 1.2",
            [0.01, 0.1, 0.18, 0.5, 0.9],
            [0.045, 0.290940, 0.409008, 0.705515, 0.949110],
            1e-6,
        ),
    ],
}
ENCODING_REASONS = {
    "gamma": "a power by definition; at 2.4 it equals bt1886",
    "gamma22": "a power by definition",
}


@pytest.mark.parametrize(("name", "check"), rows(ENCODING_CHECKS))
def test_encoding_gives_the_published_values(name: str, check: Check) -> None:
    encode = ENCODINGS[name].bind(check.parameters)
    np.testing.assert_allclose(
        encode(np.array(check.given)), check.expected, rtol=0, atol=check.tolerance
    )


# --- Picture controls ---------------------------------------------------------------------

CONTROL_REASONS = {
    "none": "identity",
    "contrast-first": "no document; test_conversion_controls has the customary equations",
    "brightness-first": "no document; test_conversion_controls has the customary equations",
    "rgb-clipped": "no document; test_conversion_controls has the customary equations",
}

# --- Standard conversions -----------------------------------------------------------------

METHOD_A_LIGHT = [0.1, 1, 10, 26, 50, 100, 203, 400, 1000]
STANDARD_CHECKS = {
    "bt2446a": [
        Check(
            "BT.2446-1 4.1, 1000 to 100",
            METHOD_A_LIGHT,
            [0.039433, 0.098476, 0.236163, 0.334585, 0.422521, 0.538748, 0.686855, 0.832774, 1],
            1e-6,
            {"source_peak": 1000},
        ),
        Check(
            "BT.2446-1 4.1, 4000 to 100",
            METHOD_A_LIGHT,
            [
                0.032087,
                0.078560,
                0.181514,
                0.251673,
                0.312507,
                0.390722,
                0.487859,
                0.600244,
                0.774546,
            ],
            1e-6,
            {"source_peak": 4000},
        ),
        Check(
            "BT.2446-1 4.1, 1000 to 203",
            METHOD_A_LIGHT,
            [0.033986, 0.086287, 0.213536, 0.308133, 0.394759, 0.511891, 0.664923, 0.819281, 1],
            1e-6,
            {"source_peak": 1000, "sdr_peak": 203},
        ),
    ],
    "bt2446c": [
        Check(
            "BT.2446-1 6.1",
            [1, 10, 26, 50.8, 100, 203, 400, 1000],
            [0.136361, 0.355923, 0.529983, 0.700593, 0.879112, 0.959987, 1.013457, 1.072860],
            # Printed matrices carry greys off by up to 4e-5 of their light.
            4e-5,
            {"source_peak": 1000},
        ),
    ],
    "bt2446b": [
        Check(
            "reconstruction of BT.2446-1 5: HLG peak lands on SDR white",
            [1000],
            [1.0],
            1e-6,
            {"source_peak": 1000},
        ),
    ],
    **{
        f"bt2390-{drive}": [
            Check(
                EETF,
                [10, 50, 100, 203, 400, 600, 1000],
                (np.array([10, 46.143, 69.454, 88.244, 97.598, 99.575, 100]) / 100) ** (1 / 2.4),
                1e-5,
                {"source_peak": 1000},
            ),
            Check(
                EETF,
                [200],
                [0.87939 ** (1 / 2.4)],
                1e-5,
                {"source_peak": 1000},
            ),
        ]
        for drive in ("per-channel", "max-rgb", "luminance", "luma", "ictcp")
    },
    **{
        name: [
            Check(
                "BT.2408-8 5.1.1: SDR code to cd/m2, inverted",
                [0.8082, 7.2871, 38.461, 101.776, 157.644, 203],
                [0.1, 0.25, 0.5, 0.75, 0.9, 1],
                1e-5,
                {"source_peak": 1000},
            ),
        ]
        for name in ("bt2408-hard-clip", "clip-203")
    },
    "bt2408-hybrid-linear": [
        Check(
            "BT.2408-8 7.7: inverse of the 2.03 up-mapping below, 203 cd/m2 near 95 %",
            [0.8082, 7.2871, 38.461, 101.776, 203],
            [0.1, 0.25, 0.5, 0.75, 0.95],
            1e-5,
            {"source_peak": 1000},
        ),
    ],
    "clip-100": [
        Check(
            "BT.1886-0 annex 1, inverted",
            [0.39811, 18.94646, 77.65725, 100, 400],
            [0.1, 0.5, 0.9, 1, 1],
            1e-6,
            {"source_peak": 1000},
        ),
    ],
    "hlg-ootf": [
        Check(
            # Scene light of HLG 0.5, 0.75, 1 and the extended gamma 0.8459 at 100 cd/m2.
            "BT.2100-2 table 5, BT.2390-11 6.2",
            [50.697, 203.152, 1000],
            np.array([0.083333, 0.264963, 1]) ** (0.8459 / 2.4),
            2e-5,
            {"source_peak": 1000},
        ),
    ],
}


@pytest.mark.parametrize(("name", "check"), rows(STANDARD_CHECKS))
def test_standard_conversion_gives_the_published_values(name: str, check: Check) -> None:
    greys = np.repeat(np.array(check.given, np.float64)[:, None], 3, axis=1)
    signal = STANDARDS[name].convert(greys, **check.parameters)
    expected = np.asarray(check.expected)[:, None] * np.ones(3)
    np.testing.assert_allclose(signal, expected, rtol=0, atol=check.tolerance)


@pytest.mark.outside("BT.2446-1, 4.2", "published")
def test_method_a_up_conversion() -> None:
    """BT.2446-1 4.2: neutral code to cd/m2 on 1000."""
    code = np.array([0.1, 0.25, 0.3, 0.5, 0.7, 0.75, 0.9, 1.0])
    light = method_a_up(np.repeat(code[:, None], 3, axis=1))
    expected = [1.10099, 11.6340, 19.0746, 76.2809, 217.571, 278.977, 592.346, 999.525]
    np.testing.assert_allclose(light[:, 1], expected, rtol=6e-6)


@pytest.mark.outside("BT.2446-1, 6.1.3 to 6.2", "published")
def test_method_c_steps() -> None:
    """BT.2446-1 6.1.3 to 6.1.6 with the printed constants, and the inverse 6.2."""
    light = np.array([1, 10, 26, 50.8, 100, 203, 400, 1000, 2000, 4000])
    expected = [
        0.83802,
        8.38020,
        21.78852,
        42.57142,
        73.40179,
        90.66439,
        103.26014,
        118.38682,
        129.26003,
        139.92575,
    ]
    np.testing.assert_allclose(method_c_curve(light), expected, atol=6e-6)
    np.testing.assert_allclose(method_c_curve_inverse(method_c_curve(light)), light, rtol=1e-10)
    np.testing.assert_allclose(
        method_c_light(np.array([[203.0, 0, 0]]), 0.0), [[170.134, -0.006, -0.006]], atol=6e-4
    )
    np.testing.assert_allclose(
        method_c_light(np.array([[0.0, 203, 0], [120, 70, 45]]), 0.1),
        [[-0.006, 135.543, 0], [97.689, 56.980, 36.626]],
        atol=6e-4,
    )


# --- Known wrong variants -----------------------------------------------------------------


@pytest.mark.outside("BT.2446-1, 4.1, table 3", "published")
def test_method_a_down_is_not_the_variant_with_1_075() -> None:
    """1.075 belongs to the up direction (BT.2446-1 4.2); table 3 of the down direction has 1.1."""
    light, tone = np.array([[203.0, 0, 0]]), TONE_CURVES["bt2446a"].bind()
    drive = DRIVES["gamma-luma"]
    assert drive.parameters["chroma_divisor"].default == 1.1
    ours = drive.bind()(light, tone)
    wrong = drive.bind({"chroma_divisor": 1.075})(light, tone)
    assert 876 * abs(ours[0, 0] ** (1 / 2.4) - wrong[0, 0] ** (1 / 2.4)) > 5


@pytest.mark.outside("BT.2446-1, 4.1", "published")
def test_method_a_is_not_the_variant_with_undivided_red_difference() -> None:
    """BT.2446-1 4.1 takes 0.1 of C'R, not of R' - Y', which is 1.4746 times as much."""
    light, tone = np.array([[203.0, 0, 0]]), TONE_CURVES["bt2446a"].bind()
    ours = DRIVES["gamma-luma"].bind()(light, tone)
    wrong = DRIVES["gamma-luma"].bind({"red_share": 0.14746})(light, tone)
    assert 876 * abs(ours[0, 0] ** (1 / 2.4) - wrong[0, 0] ** (1 / 2.4)) > 5


@pytest.mark.outside("BT.2446-1, 6.1.4", "published")
def test_method_c_is_not_the_variant_without_k3() -> None:
    """BT.2446-1 6.1.4 subtracts k3 within the logarithm."""
    without = 15.09968 * np.log(203 / (58.5 / 0.83802)) + 78.99439
    assert abs(method_c_curve(np.array([203.0]))[0] - without) > 4  # cd/m2


@pytest.mark.outside("BT.2390-11, 5.4.1", "published")
def test_eetf_is_not_the_variant_with_knee_offset_1() -> None:
    """BT.2390-11 5.4.1: KS = 1.5 maxLum - 0.5."""
    light = np.array([50.0, 100, 203])
    ours = TONE_CURVES["bt2390"].bind()(light)
    wrong = TONE_CURVES["bt2390"].bind({"knee_offset": 1.0})(light)
    assert np.max(876 * np.abs(ours ** (1 / 2.4) - wrong ** (1 / 2.4))) > 10


@pytest.mark.outside("BT.2446-1, 6.1.2", "published")
def test_crosstalk_is_not_the_variant_with_swapped_rows() -> None:
    """BT.2446-1 6.1.2: a wrong indexing gives (33, 185, 65) for (10, 200, 50)."""
    seen = []
    law = CHROMA_LAWS["crosstalk"].bind({"alpha": 0.1})
    law(np.array([[10.0, 200, 50]]), lambda mixed: seen.append(mixed) or mixed)
    assert np.all(np.abs(seen[0][0, 1:] - (185, 65)) > 3)


@pytest.mark.outside("BT.2407-0, annex 5", "published")
def test_soft_clip_is_not_the_variant_with_the_bracket_unsquared() -> None:
    """Unsquared, the source's boundary would land on 3.17 instead of 1 (alpha 0.5, beta 0.2)."""
    q = 0.7
    unsquared = 1.5 - 0.5 / 0.3**2 * (0.2 - np.sqrt(0.2**2 + 0.3 * q))
    ours = soft_clip_position(np.array([1.5]), np.array([0.5]), 0.2)[0]
    assert ours == pytest.approx(1.0, abs=1e-12)
    assert unsquared == pytest.approx(3.17, abs=0.005)


@pytest.mark.outside("Hable 2010, article and talk", "published")
def test_hable_sets_are_distinguished() -> None:
    """Hable 2010 published two sets of constants."""
    blog = TONE_CURVES["hable"].bind({"white": 0.5, "peak": 5.6})(np.array([0.18]))
    talk = TONE_CURVES["hable-talk"].bind({"white": 1, "peak": 11.2})(np.array([0.18]))
    assert blog[0] - talk[0] > 0.02


# --- Nothing is left out ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("registry", "checks", "reasons"),
    [
        (TONE_CURVES, TONE_CHECKS, TONE_REASONS),
        (DRIVES, DRIVE_CHECKS, DRIVE_REASONS),
        (CHROMA_LAWS, CHROMA_CHECKS, CHROMA_REASONS),
        (GAMUT_METHODS, GAMUT_CHECKS, GAMUT_REASONS),
        (ENCODINGS, ENCODING_CHECKS, ENCODING_REASONS),
        (CONTROLS, {}, CONTROL_REASONS),
        (STANDARDS, STANDARD_CHECKS, {}),
    ],
    ids=lambda value: getattr(value, "kind", ""),
)
def test_every_entry_has_a_published_value_or_a_reason(
    registry: Any, checks: dict[str, Any], reasons: dict[str, str]
) -> None:
    assert not set(checks) & set(reasons)
    assert set(registry) == set(checks) | set(reasons)
    assert all(reasons.values())
    assert all(entry.source for entry in registry.values())
