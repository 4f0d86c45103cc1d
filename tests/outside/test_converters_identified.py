"""Converters that nobody here wrote are identified: named where published, honest where not."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from converters import CURVES, Truth, convert_patches, ffmpeg_tonemap, ocio_aces, swscale_intent

from tonelab.chart import Layout
from tonelab.measure import measure, reduce
from tonelab.results import ClipFacts, PairingFacts, Tallies
from tonelab.signal.description import Signal

if TYPE_CHECKING:
    from converters import Converter

    from tonelab.results import IdentifiedConversion, Measurement

LAYOUT = Layout.create("quick", width=960, height=540, hold=4)
PARAMETER_TOLERANCE = 0.01
FLOORS = 1.2

# Each curve at one peak, the lowest or the highest; the clip knows none. Two also with the
# desaturation that moves the grey axis. `studies/converters.py` takes every combination.
PEAKS = {
    "linear": 4.0, "clip": 10.0, "gamma": 40.0, "reinhard": 4.0, "hable": 40.0, "mobius": 4.0,
}  # fmt: skip
SHORT = ("clip", "gamma", "reinhard")
PLAIN = [
    pytest.param(
        ffmpeg_tonemap(curve, peak=PEAKS[curve]),
        marks=[] if curve in SHORT else [pytest.mark.long],
    )
    for curve in CURVES
]
DESATURATED = [
    pytest.param(ffmpeg_tonemap(curve, peak=peak, desaturation=2.0), marks=pytest.mark.long)
    for curve, peak in (("clip", 10.0), ("hable", 40.0))
]


def name_of(converter: Converter) -> str:
    return converter.name


def published(truth: Truth) -> tuple[str, dict[str, float]]:
    """The family and its parameters in cd/m2 where they are light."""
    p, white = truth.parameter, truth.white
    peak = white * truth.peak
    match truth.curve:
        case "linear":
            return "linear", {"white": peak / p}
        case "clip":
            return "linear", {"white": white / p}
        case "gamma":
            return "power", {"peak": peak, "exponent": p, "toe": 0.05 * white}
        case "reinhard":
            return "reinhard-peak", {"semi_saturation": white * (1 - p) / p, "peak": peak}
        case "hable":
            return "hable", {"white": white, "peak": peak}
        case "mobius":
            return "mobius", {"white": white, "knee": p * white, "peak": peak}


def patch_tallies(converter: Converter) -> Tallies:
    """Tallies of the quick chart through a converter, one sample a patch, without clips."""
    source = LAYOUT.patches.code.astype(np.uint16)
    tallies = Tallies.empty(LAYOUT.descriptor, len(source), (1024, 1024))
    tables = tallies.tables
    for side, seen in (("source", source), ("capture", convert_patches(source, converter))):
        codes = seen.astype(np.int64)
        tables[f"patch_count_{side}"][:] = 1
        tables[f"patch_sum_{side}"][:] = codes
        tables[f"patch_square_{side}"][:] = codes**2
        tables[f"{side}_histogram"][:] = [np.bincount(plane, minlength=1024) for plane in codes.T]
    tables["patch_frame_square_capture"][:] = codes**2
    tables["patch_frames"][:] = 1
    return tallies


def reduced(converter: Converter) -> Measurement:
    """Everything after the tallies, without clips."""

    def facts(codec: str, subsampling: str, signal: Signal) -> ClipFacts:
        size = LAYOUT.width, LAYOUT.height
        return ClipFacts(codec, "mov", codec, *size, "24", 1, subsampling, signal)

    source = facts("ffv1", "420", Signal(matrix="bt2020", transfer="pq", primaries="bt2020"))
    capture = facts("v210", "422", Signal())
    pairing = PairingFacts("chart", (1.0, 1.0), (0.0, 0.0), 0.0, 0, 1)
    tallies = patch_tallies(converter)
    return reduce(tallies, source, capture, pairing=pairing, device=converter.name)


def assert_named(conversion: IdentifiedConversion, truth: Truth) -> None:
    family, parameters = published(truth)
    assert conversion.family == family
    estimates = conversion.parameters
    if truth.desaturation:
        parameters["threshold"] = truth.desaturation * truth.white
        estimates = {**estimates, **conversion.controls}
    assert conversion.chroma == ("desaturate-before-sum" if truth.desaturation else "none")
    for name, expected in parameters.items():
        assert abs(estimates[name].value / expected - 1) < PARAMETER_TOLERANCE, name
    # A straight line scales the three components alike, so every ratio drive draws the same.
    drives = conversion.drive.split(" or ")
    assert "max-rgb" in drives if truth.curve == "linear" else drives == ["max-rgb"]
    assert "matrix-first" in conversion.order.split(" or ")
    assert conversion.gamut == "clip"
    assert conversion.encoding == "bt1886"
    assert conversion.held_out_codes_rms <= FLOORS * conversion.floor_codes_rms
    assert conversion.floor_codes_rms == pytest.approx(1 / np.sqrt(12))


def assert_honest(measurement: Measurement) -> None:
    """Either a fit at the floor, or no name; and the curve of the neutrals in any case."""
    conversion = measurement.conversion
    floor = conversion.floor_codes_rms
    if conversion.family is None:
        assert conversion.parameters == {}
    if conversion.held_out_codes_rms > FLOORS * floor:
        assert conversion.family is None
        assert any("curve" in note for note in conversion.notes)
    assert conversion.neutral_codes_rms <= FLOORS * floor


@pytest.mark.outside("FFmpeg, filters zscale and tonemap", "library")
@pytest.mark.parametrize("converter", [*PLAIN, *DESATURATED], ids=name_of)
def test_published_curve_is_named(converter):
    assert_named(reduced(converter).conversion, converter.truth)


@pytest.mark.long
@pytest.mark.outside("OpenColorIO, ACES output transforms", "library")
@pytest.mark.parametrize(
    "converter",
    [ocio_aces("1.0"), pytest.param(ocio_aces("2.0"), marks=pytest.mark.long)],
    ids=name_of,
)
def test_unpublished_conversion_is_left_unnamed(converter):
    assert_honest(reduced(converter))


@pytest.mark.outside("FFmpeg, filters zscale and tonemap", "library")
@pytest.mark.parametrize(
    "converter",
    [
        ffmpeg_tonemap("hable"),
        pytest.param(
            ffmpeg_tonemap("reinhard", peak=4, white=203, desaturation=2), marks=pytest.mark.long
        ),
    ],
    ids=name_of,
)
def test_clip_is_measured_end_to_end(converter, quick_chart, captured):
    measurement = measure(quick_chart, captured(converter), device="converter under test")
    assert_named(measurement.conversion, converter.truth)
    assert measurement.conversion.static == "static"
    assert measurement.capture.signal.matrix == "bt709"
    assert measurement.capture.signal.range == "narrow"


@pytest.mark.long
@pytest.mark.outside("FFmpeg, swscale", "library")
def test_clip_of_an_unpublished_conversion_end_to_end(quick_chart, captured):
    converter = swscale_intent("saturation")
    measurement = measure(quick_chart, captured(converter), device="converter under test")
    assert_honest(measurement)
    assert measurement.conversion.static == "static"
