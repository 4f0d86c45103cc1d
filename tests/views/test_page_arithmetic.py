"""What the report page adds to a measurement: flashing, gradient steps, hue and saturation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from make_measurement import CAPTURE, make_measurement

from tonelab.results import Tallies
from tonelab.scores.gradients import gradient_steps
from tonelab.scores.hue import colour_shift
from tonelab.signal.colorimetry import matrix_rgb_to_rgb, rgb_to_ycbcr
from tonelab.signal.quantisation import quantise, ycbcr_to_codes
from tonelab.signal.transfer import eotf_inverse_bt1886
from tonelab.views.flashing import AREA_LIMIT, measure_flash

BLACK, WHITE, RED = (0, 0, 0), (255, 255, 255), (255, 0, 0)


def flat(colour, shape=(40, 50)):
    return np.full((*shape, 3), colour, np.uint8)


@pytest.mark.outside("WCAG 2.2, general flash and red flash thresholds", "published")
@pytest.mark.parametrize(
    ("one", "other", "flashes"),
    [
        (BLACK, WHITE, True),
        ((200, 200, 200), (210, 210, 210), False),  # 0.578 and 0.645: less than 10 % of white
        ((190, 190, 190), (210, 210, 210), True),  # 0.515 and 0.645
        ((231, 231, 231), WHITE, True),  # the darker is at 0.799
        ((232, 232, 232), WHITE, False),  # the darker is at 0.807: too bright to count
        ((140, 0, 0), (110, 0, 0), True),  # saturated red; luminance moves by 2 % only
        ((110, 110, 110), (120, 120, 120), False),
    ],
)
def test_a_flash_is_what_the_guideline_says(one, other, flashes):
    measured = measure_flash([flat(one), flat(other)])
    assert measured.share == (1.0 if flashes else 0.0)


@pytest.mark.outside("WCAG 2.2, a quarter of 341 x 256 pixels", "published")
def test_the_area_that_matters_is_a_quarter_of_ten_degrees():
    assert AREA_LIMIT == 21824
    small, large = flat(BLACK, (100, 218)), flat(BLACK, (100, 219))
    assert not measure_flash([small, flat(WHITE, (100, 218))]).matters
    assert measure_flash([large, flat(WHITE, (100, 219))]).matters


def test_the_worst_pair_of_pictures_counts():
    part = flat(BLACK)
    part[:10] = RED
    measured = measure_flash([flat(BLACK), flat((20, 20, 20)), part])
    assert measured.area == 10 * 50
    assert measured.red
    assert measured.change == pytest.approx(0.2126)


def with_codes(code, *, first=500, **changes):
    """A measurement whose grey curve has these capture codes at successive source codes."""
    one = make_measurement()
    code = np.asarray(code, float)
    source = first + np.arange(len(code), dtype=float)
    curve = replace(
        one.luminance_curve, source_code=source, luminance=np.linspace(30, 60, len(code)),
        code=code, smooth=code, low=code, high=code, count=np.full(len(code), 9),
        clipped=np.zeros(len(code), bool),
    )  # fmt: skip
    return replace(one, luminance_curve=curve, **changes)


def test_merged_steps_are_counted():
    (part,) = gradient_steps(with_codes([600, 600.2, 600.3, 602, 603, 607]))
    assert (part.low, part.high) == (26.0, 60.0)
    assert (part.steps, part.kept, part.widest, part.largest) == (5, 3, 3, 4)


def test_source_codes_that_were_not_played_are_no_steps():
    measurement = make_measurement()  # every fourth code only
    assert gradient_steps(measurement) == ()


def tallied(convert):
    """A measurement of colours that a conversion from BT.2020 light to Y'CbCr has made."""
    one = make_measurement()
    tables = dict(one.tallies.tables)
    source = one.tallies.tables["patch_sum_source"] / 64
    light = one.source.signal.decode_light(source)
    capture = quantise(ycbcr_to_codes(convert(light), 10, "narrow"), 10).astype(np.int64)
    tables["patch_sum_capture"] = 64 * capture
    return replace(one, tallies=Tallies(one.tallies.layout, tables))


def shown_as_it_is(light):
    """What a display of 1000 cd/m2 would need to show the light itself."""
    rgb = np.clip(light @ matrix_rgb_to_rgb("bt2020", "bt709").T, 0, None)
    return rgb_to_ycbcr(eotf_inverse_bt1886(rgb, 1000.0), "bt709")


def on_bright_display(measurement):
    signal = replace(CAPTURE, peak=1000.0)
    return replace(measurement, capture=replace(measurement.capture, signal=signal))


def test_colours_shown_as_they_are_keep_hue_and_saturation():
    shift = colour_shift(on_bright_display(tallied(shown_as_it_is)))
    assert shift.saturation == pytest.approx(1, abs=0.005)
    assert shift.turn < 2 * shift.turn_rounding + 0.05
    assert shift.turn_p95 < 1.5
    assert shift.count >= 50


def test_halved_chroma_and_swapped_colours_are_seen():
    def paler(light):
        return shown_as_it_is(light) * (1, 0.5, 0.5)

    shift = colour_shift(on_bright_display(tallied(paler)))
    assert shift.saturation < 0.7
    swapped = colour_shift(
        on_bright_display(tallied(lambda light: shown_as_it_is(light)[:, [0, 2, 1]]))
    )
    assert swapped.turn > 30


def test_colours_of_content_are_used_where_there_is_no_chart():
    one = on_bright_display(tallied(shown_as_it_is))
    patches, none = one.tallies.tables, np.zeros((2 * 64**3, 3), np.int64)
    tables = {"cell_count": none[:, 0].copy()}
    names = {"cell_sum_source": "patch_sum_source", "cell_sum_capture": "patch_sum_capture",
             "cell_square_capture": "patch_square_capture"}  # fmt: skip
    for cell, patch in names.items():
        tables[cell] = none.copy()
        tables[cell][: len(patches[patch])] = patches[patch]
    tables["cell_count"][: len(patches["patch_sum_source"])] = 64
    names = ("source_histogram", "capture_histogram")
    tables |= {name: patches[name] for name in names}
    content = replace(one, tallies=Tallies(0, tables))
    assert colour_shift(content).saturation == pytest.approx(colour_shift(one).saturation)
    tables["cell_count"] = np.zeros_like(tables["cell_count"])
    assert colour_shift(replace(one, tallies=Tallies(0, tables))) is None
