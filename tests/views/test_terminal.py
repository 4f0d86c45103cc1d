"""The summary tells people what they need; the JSON document keeps its contract."""

from __future__ import annotations

import io
import json
from dataclasses import replace

import jsonschema
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from make_measurement import make_measurement
from rich.console import Console

from tonelab.results import Landmark, ParameterEstimate
from tonelab.signal.description import Signal
from tonelab.views.document import document, document_schema
from tonelab.views.terminal.plot import axis, braille
from tonelab.views.terminal.summary import summary
from tonelab.views.words import interval, landed, light, measured, number


def printed(measurement, width=120):
    console = Console(file=io.StringIO(), width=width)
    console.print(summary(measurement))
    return console.file.getvalue()


def test_summary_names_what_matters():
    text = printed(make_measurement())
    for expected in (
        "Simulated player",
        "firmware 2.1 (build 7)",
        "transfer PQ (declared)",
        "range narrow (inferred)",
        "primaries bt709 (assumed)",
        "480 frames used, left out: 12 blended",
        "output on a BT.1886 display, 100 cd/m2, black 0 cd/m2 (assumed)",
        "Reinhard, extended",
        "4.000  95 % 3.990 to 4.010",
        "not identifiable from this capture",
        "per-channel",
        "BT.1886 or gamma 2.4",
        "0.310 codes RMS on 89 colours held out; floor 0.289, so 1.07 floors",
        "9.80 codes  max-RGB, Reinhard, extended",
        "BT.2446 method A",
        "to decide: A capture of the chart",
        "warning  The capture is declared full range",
    ):
        assert expected in text, expected


def test_nearest_standard_comes_first():
    text = printed(make_measurement())
    names = ("BT.2446 method A", "BT.2390 EETF", "Plain clip")
    positions = [text.rindex(name) for name in names]
    assert positions == sorted(positions)


def test_unnamed_family_is_said_plainly():
    measurement = make_measurement()
    conversion = replace(measurement.conversion, family=None)
    assert "no published family fits" in printed(replace(measurement, conversion=conversion))


def test_person_s_words_are_not_markup():
    assert "[red]Odd[/red] box" in printed(make_measurement("[red]Odd[/red] box"))


def test_stated_display_is_named_as_stated():
    capture = make_measurement().capture
    signal = capture.signal.with_fields("stated", peak=203.0)
    text = printed(make_measurement(capture=replace(capture, signal=signal)))
    assert "203 cd/m2, black 0 cd/m2 (stated)" in text


@pytest.mark.parametrize(
    ("landmark", "expected"),
    [
        (Landmark("a", "a", None, None, None), ("not reached", "not reached")),
        (Landmark("a", "a", 26.0, 500.0, 18.04, 0.36), ("500.0 ± 0.4", "18.0 cd/m2")),
        (Landmark("slope", "a", 26.0, None, 0.812), ("", "0.812")),
        (Landmark("a", "a", 26.0, 500.0, None), ("500.0", "not identifiable from this capture")),
    ],
)
def test_landmarks_in_words(landmark, expected):
    assert landed(landmark) == expected


@pytest.mark.parametrize(
    ("estimate", "expected"),
    [
        ((99.98, 99.81, 100.15), ("99.98", "99.81 to 100.15")),
        ((4.0, 4.0, 4.0), ("4.000", "")),
        ((1234.5, 1200.0, 1270.0), ("1234", "1200 to 1270")),
    ],
)
def test_intervals_decide_the_digits(estimate, expected):
    assert interval(ParameterEstimate(*estimate, unit="")) == expected


def test_numbers_and_light():
    assert [number(v) for v in (0.0, 0.28867, 1023.4)] == ["0", "0.2887", "1023"]
    assert [light(v) for v in (0.0, 1e-6, 0.005, 0.25, 26.0, 1000.0)] == [
        "0 cd/m2", "< 0.0001 cd/m2", "0.0050 cd/m2", "0.25 cd/m2", "26.0 cd/m2", "1,000 cd/m2",
    ]  # fmt: skip


def test_document_satisfies_its_schema():
    jsonschema.validate(document(make_measurement()), document_schema())


def test_schema_is_a_schema_and_closed():
    schema = document_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    extended = {**document(make_measurement()), "more": 1}
    with pytest.raises(jsonschema.ValidationError, match="more"):
        jsonschema.validate(extended, schema)


def test_document_is_strict_json_with_null_for_nan():
    measurement = make_measurement()
    scores = (replace(measurement.scores[0], luminance_error=float("inf")),)
    text = json.dumps(document(replace(measurement, scores=scores)), allow_nan=False)
    read = json.loads(text)
    jsonschema.validate(read, document_schema())
    assert read["chroma_transfer"]["rotation"][3][2] is None
    assert read["scores"][0]["luminance_error_percent"] is None
    assert read["conversion"]["tone"]["parameters"]["peak"]["value"] == 4.0
    assert read["luminance_curve"]["code"] == measurement.luminance_curve.code.tolist()
    assert read["source"]["signal"]["origins"]["transfer"] == "declared"


def test_braille_draws_the_diagonal():
    x = np.array([0.0, 1.0])
    assert braille(x, x, size=(2, 1), x_range=(0, 1), y_range=(0, 1)) == ["⡠⠊"]


@settings(deadline=None, max_examples=30)
@given(st.lists(st.floats(-5, 5), min_size=2, max_size=20))
def test_braille_has_no_holes_and_keeps_its_size(values):
    y = np.array(values)
    lines = braille(np.arange(len(y)), y, size=(20, 5), x_range=(0, len(y) - 1), y_range=(-1, 1))
    assert [len(line) for line in lines] == [20] * 5
    dots = np.array([[ord(cell) - 0x2800 for cell in line] for line in lines])
    assert (dots.max(axis=0) > 0).all()


def test_crowded_ticks_are_left_out():
    assert axis({"1": 0.0, "10": 0.1, "100": 1.0}, 10) == "1      100"


def test_signal_origin_defaults_to_assumed():
    assert "range narrow (assumed)" in printed(
        make_measurement(capture=replace(make_measurement().capture, signal=Signal()))
    )


@pytest.mark.parametrize(
    ("value", "bound", "text"),
    [
        (-1.7354e-18, 4.8e-11, "0 ± 1e-06"),
        (0.25, 0.012, "0.25 ± 0.012"),
        (3.0, None, "3"),
        (0.0, 0.0, "0 ± 0"),
        (-2.5e-5, 1e-5, "-2.5e-05 ± 1e-05"),
    ],
)
def test_values_are_written_to_what_can_be_resolved(value, bound, text):
    assert measured(value, bound) == text
