"""The report page as a document: what it says, what it rests on, and that names do nothing."""

from __future__ import annotations

import base64
import csv
import hashlib
import io
import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from make_measurement import make_measurement
from make_page import FORMULA, HOSTILE, NAMES, hostile_page, measurements, whole_page

from tonelab.errors import UsageError
from tonelab.results import Tallies
from tonelab.views.page import render_page, write_page
from tonelab.views.page.render import tight
from tonelab.views.page.sections.curves.charts import gradient_chart


class Reader(HTMLParser):
    """Elements, text and downloads of a page."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.words, self.files, self.raw = [], [], {}, {}
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        attributes = dict(attrs)
        self.tags.append((tag, attributes))
        if tag == "a" and "download" in attributes:
            payload = attributes["href"].partition("base64,")[2]
            self.files[attributes["download"]] = base64.b64decode(payload).decode()

    def handle_data(self, data):
        tag = self.tags[-1][0] if self.tags else ""
        if tag in {"script", "style"} and data.strip():
            self.raw.setdefault((tag, self.tags[-1][1].get("type", "")), data)
        else:
            self.words.append(data)

    @property
    def text(self):
        return " ".join(" ".join(self.words).replace("\u00a0", " ").split())


@pytest.fixture(scope="module")
def page():
    return whole_page()


@pytest.fixture(scope="module")
def read(page):
    return Reader(page)


def rows(text):
    return list(csv.DictReader(io.StringIO(text)))


def test_it_opens_with_words_and_bounded_numbers_for_every_device(page, read):
    assert page.index('id="answer"') < page.index('id="curves"')
    answer = Reader(page[page.index('id="answer"') : page.index('id="curves"')]).text
    for one, name in zip(measurements(), NAMES, strict=True):
        white = one.landmarks[1]
        assert f"code {white.code:.1f} ± {white.bound:.1f}" in answer
        assert name in answer
    assert "BT.1886 display, 100 cd/m² , black 0 cd/m² (assumed)".replace(" ,", ",") in answer


def test_it_asks_for_nothing(page, read):
    """Nothing but data: and places on the page itself, and a policy that forbids the rest."""
    for tag, attributes in read.tags:
        for name in ("src", "href", "data", "action", "poster", "srcset"):
            value = attributes.get(name, "data:")
            assert value.startswith(("data:", "#")), (tag, name, value[:60])
    assert not re.search(r"@import|url\((?!#)", page)
    (policy,) = [a["content"] for t, a in read.tags if a.get("http-equiv")]
    assert policy.startswith("default-src 'none'")
    for kind in ("style", "script"):
        text = re.search(rf"<{kind}>(.*?)</{kind}>", page, re.DOTALL)[1]
        digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
        assert f"{kind}-src 'sha256-{digest}'" in policy
    assert "unsafe" not in policy


def test_the_same_arguments_give_the_same_page(page):
    assert whole_page() == page


def test_every_figure_has_its_table_and_its_file(page, read):
    charts = [a["id"] for t, a in read.tags if t == "figure" and a.get("class") == "chart"]
    assert charts == ["luminance", "difference", "rotation", "ratio", "gradient"]
    names = {a.get("aria-labelledby") for t, a in read.tags if t == "table"}
    assert {f"{chart}-table-title" for chart in charts} <= names
    assert {
        "luminance-transfer.csv", "luminance-differences.csv", "rotation.csv", "ratio.csv",
        "gradient-steps.csv", "landmarks.csv", "distances.csv", "standard-conversions.csv",
        "alva-measurement.json", "borin-measurement.json", "cetra-measurement.json",
        "verdicts.csv", "bench-plan.json", "correction-1.json", "loopback-check.json",
        "by-hand-check.json",
    } == set(read.files)  # fmt: skip


def test_downloads_hold_what_was_measured(read):
    table = rows(read.files["luminance-transfer.csv"])
    for one in measurements():
        mine = [row for row in table if row["device"] == one.device]
        for column, values in (
            ("source light cd/m2", one.luminance_curve.luminance),
            ("smooth capture code", one.luminance_curve.smooth),
            ("samples", one.luminance_curve.count),
        ):
            np.testing.assert_allclose([float(r[column]) for r in mine], values, rtol=1e-5)
    chroma = [r for r in rows(read.files["ratio.csv"]) if r["device"] == "Alva"]
    assert len(chroma) == 24 * 3 - 1  # one cell was not seen
    document = json.loads(read.files["alva-measurement.json"])
    assert document["schema"] == "tonelab.measurement"
    assert document["device"] == "Alva"


def test_distances_stand_in_the_matrix(page, read):
    from tonelab.compare import compare

    comparison = compare(measurements())
    for row in rows(read.files["distances.csv"]):
        one, other = NAMES.index(row["device"]), NAMES.index(row["other"])
        assert float(row["mean"]) == pytest.approx(comparison.distance_mean[one, other], rel=1e-5)
        assert f"{comparison.distance_mean[one, other]:.2f}" in read.text


def test_devices_are_the_same_only_when_that_is_shown():
    twins = [make_measurement("Alva"), make_measurement("Bis")]
    text = Reader(render_page(twins)).text
    assert "Shown to convert alike, within 0.5: Alva and Bis." in text
    assert "Shown to convert alike" not in Reader(whole_page()).text
    (row,) = rows(Reader(render_page(twins)).files["verdicts.csv"])
    assert row["verdict"] == "same"
    assert float(row["95 % high"]) <= 0.5


def test_provenance_checks_corrections_and_plan_are_there(read):
    for words in (
        "ab" * 32, "24000/1001 frames/s", "Größe = 1:1", "2.2.0", "17",
        "Check: loopback", "It is moved by 1 pixel.",
        "loopback Altered nothing Undecided Is dither added? Kept 0 of 1 checks",
        "transparent", "The capture is not dithered.",
        "Alva to source", "coverage covered", "0.93",
    ):  # fmt: skip
        assert words in read.text, words


def test_what_is_not_shown_is_listed_with_its_reason(page):
    absent = Reader(page[page.index('id="absent"') :]).text
    for words in (
        "Capture 4: its file is cut short.",
        "Pictures of Cetra at harbour: there was no capture.",
        "Alva: 4000 cd/m² : the capture does not reach there.".replace("² :", "²:"),
        "white: not identifiable from this capture",
        "light is computed for the display named",
    ):
        assert words in absent, words


def test_one_device_alone_has_no_comparison():
    text = Reader(render_page([make_measurement("Solo")])).text
    assert "What Solo makes of HDR" in text
    assert "only one device was measured" in text
    assert "Distance between the devices" not in text
    assert "no capture was given to this page" in text


def test_a_path_that_converts_nothing_is_not_called_a_conversion_of_hdr():
    solo = make_measurement("Solo")
    sdr = solo.source.signal.with_fields("stated", transfer="bt1886")
    passed = replace(
        solo,
        source=replace(solo.source, signal=sdr),
        conversion=replace(solo.conversion, drive="none: passed through", family=None),
    )
    text = Reader(render_page([passed])).text
    assert "What Solo makes of SDR" in text
    assert "SDR in and out, measured" in text
    assert "Nothing is to be converted by Solo: the source is the measure." in text
    assert "HDR clip" not in text
    assert "published curve" not in text


def test_devices_without_shared_colours_are_compared_by_their_curves():
    bare = make_measurement("Bare", scores=())
    names = ("source_histogram", "capture_histogram")
    tables = {name: bare.tallies.tables[name] for name in names}
    tables["cell_count"] = np.zeros(2 * 64**3, np.int64)
    for name in ("cell_sum_source", "cell_sum_capture", "cell_square_capture"):
        tables[name] = np.zeros((2 * 64**3, 3), np.int64)
    bare = replace(bare, tallies=replace(bare.tallies, layout=0, tables=tables))
    text = Reader(render_page([make_measurement("Alva"), bare])).text
    assert "greys along the curves" in text
    assert "not identifiable from this capture" in text
    assert "Bare: distance from the standard conversions: none was computed." in text
    assert "Difference curves" in text


def test_steps_that_were_not_played_are_not_counted(page):
    assert "Alva: gradient steps: no two neighbouring grey codes were measured." in page
    assert "0 of 0" not in page


def test_nothing_seen_is_said_and_not_drawn():
    one = make_measurement("Dim", landmarks=(), scores=())
    chroma = replace(one.chroma_transfer, ratio=np.full((24, 3), np.nan),
                     rotation=np.full((24, 3), np.nan))  # fmt: skip
    text = render_page([replace(one, chroma_transfer=chroma)])
    assert 'id="rotation"' not in text
    assert "Dim: chroma around source greys" in text
    assert "nan" not in Reader(text).text.lower().split()


def test_names_are_text_and_nothing_else():
    read = Reader(hostile_page())
    tags = [tag for tag, _ in read.tags]
    assert tags.count("script") == 2
    assert not [a for t, a in read.tags if t == "img" and a.get("src") == "x"]
    assert not [name for _, a in read.tags for name in a if name.startswith("on")]
    assert read.text.count(HOSTILE) > 20
    assert "49" not in re.findall(r"alert\(1\)>(\w+)", read.text)


def test_a_spreadsheet_takes_no_name_for_a_formula():
    files = Reader(hostile_page()).files
    devices = {row["device"] for row in rows(files["landmarks.csv"])}
    assert f"'{FORMULA}" in devices
    assert FORMULA not in devices


def test_numbers_keep_their_units():
    assert (
        tight("-3 to 203 cd/m2 and 18 % of bt-709")
        == "−3 to 203\u00a0cd/m² and 18\u00a0% of bt-709"
    )


def test_it_is_written_once(tmp_path):
    path = tmp_path / "été.html"
    write_page(path, [make_measurement()])
    before = path.read_bytes()
    with pytest.raises(UsageError, match="exists already"):
        write_page(path, [make_measurement()], title="other")
    assert path.read_bytes() == before
    write_page(path, [make_measurement()], title="other", overwrite=True)
    assert b"<title>other</title>" in path.read_bytes()
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize(("name", "given", "words"), [
    ("page.pdf", 1, r"end it in \.html"),
    ("missing/page.html", 1, "does not exist"),
    ("page.html", 0, "needs a measurement"),
])  # fmt: skip
def test_what_cannot_be_written_is_one_sentence(tmp_path, name, given, words):
    with pytest.raises(UsageError, match=words):
        write_page(tmp_path / name, [make_measurement()] * given)
    assert not list(tmp_path.iterdir())


def test_a_gradient_of_eight_bits_keeps_every_step_where_its_curve_rises_by_one():
    """A straight line of slope 4 on an 8-bit output in a capture of 10 bits gives a slope of 1."""
    one = make_measurement()
    curve = one.luminance_curve
    line = replace(curve, smooth=64 + 4 * (curve.source_code - curve.source_code[0]),
                   clipped=np.zeros(len(curve.source_code), bool))  # fmt: skip
    tables = dict(one.tallies.tables)
    tables["capture_histogram"] = np.zeros_like(tables["capture_histogram"])
    tables["capture_histogram"][:, 64:941:4] = 1
    coarse = replace(one, luminance_curve=line, tallies=Tallies(one.tallies.layout, tables))
    (view,) = gradient_chart([coarse], ["Box"]).views
    drawn = view.series[0].y
    assert np.nanmedian(drawn) == pytest.approx(1.0, abs=1e-6)
