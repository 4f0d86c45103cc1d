"""What notebooks show: pictures and tables, escaped, of results as they are."""

from __future__ import annotations

import base64
import io
from dataclasses import replace
from fractions import Fraction
from html.parser import HTMLParser
from io import StringIO

import numpy as np
import pytest
from make_measurement import FINDINGS, make_measurement
from PIL import Image
from rich.console import Console

from tonelab.checks.registry import altered
from tonelab.compare import compare
from tonelab.correction import Verification
from tonelab.media import open_clip, write_clip
from tonelab.media.inspection import inspect_clip
from tonelab.pairing import Pair
from tonelab.results import CheckReport, CheckResult, PairingFacts
from tonelab.signal.description import Signal

HOSTILE = "<script>alert('x')</script>\"&"


class Reader(HTMLParser):
    """Collects what a browser would see."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.texts, self.images = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        if tag == "img":
            self.images.append(dict(attrs))

    def handle_data(self, data):
        self.texts.append(data)


@pytest.fixture(scope="module")
def hostile():
    one = make_measurement(HOSTILE, firmware=HOSTILE, notes=HOSTILE)
    return replace(
        one,
        settings={HOSTILE: HOSTILE},
        findings=(replace(FINDINGS[0], text=HOSTILE),),
        landmarks=tuple(replace(mark, label=HOSTILE) for mark in one.landmarks),
        conversion=replace(one.conversion, family_label=HOSTILE, notes=(HOSTILE,)),
    )


def test_a_measurement_shows_its_curve_and_its_answers():
    seen = Reader(make_measurement()._repr_html_())
    text = " ".join(seen.texts)
    for expected in (
        "Simulated player 2.1 (build 7)",
        "Reinhard, extended",
        "not identifiable from this capture. Exposure and reference white change the picture",
        "0.310 codes RMS on 89 colours held out; floor 0.289, so 1.07 floors",
        "BT.2446 method A",
        "output on a BT.1886 display, 100 cd/m2, black 0 cd/m2 (assumed)",
        "not reached",
        "warning: The capture is declared full range",
    ):
        assert expected in text
    (image,) = seen.images
    data = base64.b64decode(image["src"].removeprefix("data:image/png;base64,"))
    assert Image.open(io.BytesIO(data)).size == (720, 560)
    assert image["alt"] == "Luminance transfer of Simulated player"


def test_nothing_in_a_name_is_markup(hostile):
    other = replace(make_measurement("B", peak=10.0), notes="")
    shown = (hostile, hostile.conversion, compare([hostile, other]))
    for result in shown:
        seen = Reader(result._repr_html_())
        allowed = {"h4", "p", "img", "table", "caption", "thead", "tbody", "tr", "th", "td", "ul",
                   "li"}  # fmt: skip
        assert set(seen.tags) <= allowed
        assert HOSTILE in "".join(seen.texts)


def test_parts_show_themselves():
    one = make_measurement()
    curve = Reader(one.luminance_curve._repr_html_())
    assert "9 of 166 points" in curve.texts
    assert "940.0 (clipped)" in curve.texts
    assert [image["alt"] for image in curve.images] == ["Luminance transfer curve"]
    chroma = Reader(one.chroma_transfer._repr_html_())
    assert [image["alt"] for image in chroma.images] == [
        "Hue rotation and chroma ratio by source hue"
    ]


def test_a_report_of_checks_shows_its_findings():
    """As text and as markup; what stands in it is the finding, not what it may pretend to be."""
    facts = make_measurement().source
    fault = altered("levels-luma", "Luma of <b>this</b> is not kept.", value=0.9, count=9)
    result = CheckResult("levels", "gain and offset", (fault,))
    pairing = PairingFacts("chart", (1.0, 1.0), (0.0, 0.0), 0.0, 0, 1)
    report = CheckReport(facts, facts, None, pairing, True, (result,), ())
    console = Console(width=100, record=True, file=StringIO())
    console.print(report)
    assert "Luma of <b>this</b> is not kept." in " ".join(console.export_text().split())
    seen = Reader(report._repr_html_())
    assert "b" not in seen.tags
    assert "1 show it not transparent" in " ".join(" ".join(seen.texts).split())


def test_a_pair_shows_its_registration(tmp_path):
    path = tmp_path / "chart & <b>.mov"
    planes = tuple(np.full((16, width), 300, np.uint16) for width in (32, 16, 16))
    write_clip(path, [planes], width=32, height=16, rate=Fraction(24), subsampling="422", bits=10,
               codec="v210", signal=Signal())  # fmt: skip
    facts = PairingFacts("chart", (0.5, 0.5), (0.0, 0.25), 0.03, 17, 480, {"blended": 12})
    with open_clip(path) as clip:
        made = Pair(clip, clip, None, None, None, np.zeros((0, 2), int), facts, FINDINGS)
    seen = Reader(made._repr_html_())
    text = " ".join(seen.texts)
    assert "b" not in seen.tags
    for expected in ("chart & <b>.mov", "480 used; left out: 12 blended", "0.5 × 0.5", "+0.25 px"):
        assert expected in text


def test_results_of_commands_show_themselves_as_their_tables(tmp_path):
    path = tmp_path / "a <b>.mov"
    planes = tuple(np.full((16, width), 300, np.uint16) for width in (32, 16, 16))
    write_clip(path, [planes], width=32, height=16, rate=Fraction(24), subsampling="422", bits=10,
               codec="v210", signal=Signal())  # fmt: skip
    verification = Verification(
        what="flat <b>places</b>", count=7, frames=3, reader="tetrahedral", display="a display",
        mean=0.5, median=0.4, p95=1.5, p99=2.5, max=3.5, floor=0.16, codes_rms=0.75,
        luminance_error=None, unclipped_mean=0.25, unclipped_count=5, unclipped_floor=0.13,
    )  # fmt: skip
    for result, words in (
        (inspect_clip(path), ("a <b>.mov", "32 × 16", "different codes")),
        (verification, ("7 flat <b>places</b> over 3 frames", "0.75", "mean 0.25 (floor 0.13)")),
    ):
        console = Console(file=StringIO(), width=120)
        console.print(result)
        seen = Reader(result._repr_html_())
        assert "b" not in seen.tags
        for word in words:
            assert word in console.file.getvalue()
            assert word in "".join(seen.texts)
