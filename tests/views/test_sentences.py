"""One sentence a device and one a pair: the same everywhere, and true of the figures they name."""

from __future__ import annotations

import html
import io
import re
from dataclasses import replace

import jsonschema
from make_measurement import make_measurement
from rich.console import Console

from tonelab.compare import compare
from tonelab.scores.hue import colour_shift
from tonelab.scores.pass_through import NONE
from tonelab.views.document import document, document_schema
from tonelab.views.documents.comparison import comparison_document
from tonelab.views.page import render_page
from tonelab.views.sentences import device_sentence, faces_sentence, sentences


def shown(result):
    console = Console(file=io.StringIO(), width=1000)
    console.print(result)
    return console.file.getvalue()


def passed(residual):
    one = make_measurement("Box")
    found = replace(
        one.conversion, drive=NONE, family=None, residual_codes_rms=residual,
        held_out_codes_rms=residual, floor_codes_rms=0.29,
    )  # fmt: skip
    return replace(one, conversion=found)


def test_a_device_has_one_sentence_everywhere():
    one = make_measurement("Box")
    sentence = device_sentence("Box", one)
    assert sentence.startswith("Box turns HDR into SDR by ")
    assert sentence in shown(one).replace("\n", " ")
    made = document(one)
    assert made["sentence"] == sentence
    jsonschema.validate(made, document_schema())
    text = html.unescape(re.sub(r"<[^>]+>", "", render_page([one]))).replace("\u00a0", " ")
    assert sentence.replace("cd/m2", "cd/m²") in text


def test_what_passes_is_said_to_be_left_alone_only_within_rounding():
    assert device_sentence("Box", passed(0.30)).startswith("Box leaves HDR as it is (0.30 codes")
    altered = device_sentence("Box", passed(0.60))
    assert "not as it is" in altered
    assert "leaves" not in altered


def test_figures_are_those_of_the_measurement():
    one = make_measurement("Box")
    shift, marks = colour_shift(one), {mark.id: mark for mark in one.landmarks}
    said = re.search(r"colours at (\d+) % of their strength", device_sentence("Box", one))
    if said:
        assert float(said[1]) == round(100 * shift.saturation)
    else:
        assert 0.97 <= shift.saturation <= 1.03
    white = re.search(r"203 cd/m2 at (\d+) %", device_sentence("Box", one))
    assert float(white[1]) == round(marks["diffuse-white"].output)


def test_the_darkest_on_faces_is_named_with_the_difference():
    grey = replace(make_measurement().landmarks[0], id="grey-18")
    boxes = [
        replace(make_measurement(), landmarks=(replace(grey, output=output),))
        for output in (20.0, 12.0)
    ]
    said = faces_sentence(["A", "B"], boxes)
    assert "darkest on B, 12.0 cd/m2, 40 % below A, 20.0 cd/m2" in said
    assert "equally bright" in faces_sentence(["A", "B"], [boxes[0], boxes[0]])
    assert faces_sentence(["A"], boxes[:1]) is None


def test_pairs_stand_first_in_a_comparison():
    boxes = make_measurement("A"), make_measurement("B", peak=10.0)
    comparison = compare(boxes)
    *_, pair = sentences(comparison.devices, boxes, comparison)
    assert pair == f"A and B: {comparison.verdicts[0].text}."
    assert shown(comparison).startswith(pair)
    assert comparison_document(comparison)["sentences"] == [pair]
