"""Bench plans: every mistake at once with its line, and what a sound plan means."""

from __future__ import annotations

import tomllib
from fractions import Fraction
from pathlib import Path

import pytest

from tonelab.bench.places import line_of, lines
from tonelab.bench.reading import read_plan
from tonelab.chart import Layout, write_chart
from tonelab.cli import main
from tonelab.errors import PlanError
from tonelab.media import open_clip, write_clip

SOUND = """\
title = "Two boxes"

[output]
folder = "out"
reference = "b"

[sources.chart]
file = "chart.mp4"
signal = { transfer = "pq", peak = 1000 }

[devices.a]
name = "Box A"
firmware = "1.2"
settings = { picture = "standard", sharpness = 0 }
notes = "on loan"

[[captures]]
file = "captures/été 1.mov"
device = "a"
settings = { picture = "cinema", hdr = true }
notes = "warm"

[[captures]]
file = "captures/b.mov"
device = "a"
"""


@pytest.fixture
def bench(tmp_path):
    """Write a plan among the files that the tests name."""
    (tmp_path / "captures").mkdir()
    names = ("chart.mp4", "captures/été 1.mov", "captures/b.mov", "captures/c.mov", "loop.mov")
    for name in names:
        (tmp_path / name).write_bytes(b"x")

    def write(text, encoding="utf-8"):
        path = tmp_path / "bench é.toml"
        path.write_bytes(text.encode(encoding))
        return path

    return write


def mistakes(path):
    with pytest.raises(PlanError) as caught:
        read_plan(path)
    head, *rows = str(caught.value).splitlines()
    assert head == f"{path} has {len(rows)} mistake{'s' * (len(rows) > 1)}:"
    return [row.strip() for row in rows]


def test_a_sound_plan_says_what_to_do(bench, tmp_path):
    read = read_plan(bench(SOUND))
    first, second = read.tasks
    assert (read.title, read.folder, first.name, second.name) == (
        "Two boxes", tmp_path / "out", "été 1", "b",
    )  # fmt: skip
    assert first.source == tmp_path / "chart.mp4"
    assert first.source_signal == {"transfer": "pq", "peak": 1000.0}
    assert first.settings == {"picture": "cinema", "sharpness": "0", "hdr": "on"}
    assert second.settings == {"picture": "standard", "sharpness": "0"}
    assert (first.device, first.firmware, first.notes) == ("Box A", "1.2", "on loan\nwarm")


def test_windows_editors_may_leave_a_byte_order_mark(bench):
    text = SOUND.replace("\n", "\r\n")
    assert len(read_plan(bench(text, "utf-8-sig")).tasks) == 2


def test_absolute_and_climbing_inputs_are_read(bench, tmp_path):
    climbing = f"captures/../../{tmp_path.name}/loop.mov"
    text = SOUND.replace("captures/b.mov", climbing)
    text = text.replace('"chart.mp4"', f"'{tmp_path / 'chart.mp4'}'").replace('"b"', '"loop"')
    assert read_plan(bench(text)).tasks[1].capture.resolve() == (tmp_path / "loop.mov").resolve()


def test_all_mistakes_are_named_at_once_with_their_lines(bench):
    text = """\
tilte = "x"
sources.chart.file = "chart.mp4"

[limits]
residual = -1
findings = "bad"

[devices."box a"]
name = 3
firmwar = "1"

[[captures]]
file = 'a\\b.mov'
role = "conversoin"
device = "box a"
settings = { a = [1] }

[[captures]]
file = '''
gone'''
device = "boxa"
name = "a/b"
[captures.signal]
range = "ful"

[[captures]]
device = "box a"

[output]
reference = "none"
against = ["bt2446"]
figures = ["svg", "jpg"]
"""
    rows = mistakes(bench(text))
    expected = [
        "line 1, tilte: 'tilte' is not known here: did you mean 'title'?",
        "line 5, limits, residual: a limit must be a positive number.",
        "line 6, limits, findings: 'bad' is not known: write one of 'info', 'warning', 'stop'.",
        "line 9, devices, box a, name: this must be a text in quotes.",
        "line 10, devices, box a, firmwar: 'firmwar' is not known here: did you mean 'firmware'?",
        "line 13, captures 1, file: there is no file ",
        "line 14, captures 1, role: 'conversoin' is not known: write one of 'conversion', ",
        "line 16, captures 1, settings: the setting 'a' is no text, number, true or false.",
        "line 19, captures 2, file: there is no file ",
        "line 21, captures 2, device: there is no device 'boxa': did you mean 'box a'?",
        "line 22, captures 2, name: the name 'a/b' contains '/', which no file name may contain.",
        "line 23, captures 2, signal: The range 'ful' is unknown: state one of narrow, full.",
        "line 26, captures 3, file: this is missing.",
        "line 30, output, reference: there is no conversion named 'none'.",
        "line 31, output, against: there is no standard conversion 'bt2446': did you mean ",
        "line 32, output, figures 2: 'jpg' is not known: write one of 'svg', 'pdf', 'png'.",
    ]
    assert len(rows) == len(expected)
    for row, start in zip(rows, expected, strict=True):
        assert row.startswith(start)
    assert rows[5].endswith("b.mov: write / between folders.")


def test_roles_are_distinguished(bench):
    text = (
        SOUND
        + 'role = "validation"\n'
        + """
[[captures]]
file = "captures/c.mov"
role = "loopback"
device = "a"
validates = "b"

[[captures]]
file = "captures/b.mov"
role = "pass-through"
name = "B"
"""
    )
    assert mistakes(bench(text)) == [
        "line 5, output, reference: there is no conversion named 'b'.",
        (
            "line 23, captures 2, validates: no conversion has its device and settings: add one, "
            "or state which it belongs to with validates = '…'."
        ),
        "line 31, captures 3, device: a loopback goes around the device: leave it out.",
        "line 32, captures 3, validates: only a capture with role = 'validation' has this.",
        "line 34, captures 4, device: this is missing: name one of [devices.…].",
    ]


def test_one_recording_cannot_be_fitted_and_validate(bench):
    text = (
        SOUND
        + """
[[captures]]
file = "captures/../captures/b.mov"
device = "a"
role = "validation"
"""
    )
    assert mistakes(bench(text)) == [
        (
            "line 27, captures 3: its files would be named 'b' like those of captures 2: state a "
            "name for one of them."
        ),
        (
            "line 28, captures 3, file: this recording is that of captures 2 too: each capture is "
            "used once."
        ),
    ]


@pytest.mark.parametrize("name", ["con", "nul.x", ".", "a.", " ", "x" * 101, "a\\u0000b"])
def test_names_that_are_no_file_names_are_refused(bench, name):
    text = (SOUND + f'name = "{name}"\n').replace('"b"', '"été 1"')
    (row,) = mistakes(bench(text))
    assert row.startswith("line 26, captures 2, name: the name ")


def test_a_validation_finds_its_conversion(bench):
    text = (
        SOUND.replace("cinema", "standard")
        + """
[[captures]]
file = "captures/c.mov"
device = "a"
role = "validation"
"""
    )
    assert read_plan(bench(text)).tasks[2].validates == "b"
    alike = text.replace(", hdr = true }", " }")
    (row,) = mistakes(bench(alike))
    assert "it could belong to été 1 or b: state which with validates = '…'." in row
    stated = alike + 'validates = "été 1"\n'
    assert read_plan(bench(stated)).tasks[2].validates == "été 1"
    (row,) = mistakes(bench(stated.replace('validates = "été 1"', 'validates = "d"')))
    assert "there is no conversion named 'd'." in row


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("a = [", "is not valid TOML"),
        ('file = "C:\\captures\\x.mov"', "write folders with / or the whole path in single quotes"),
        ("", "a plan needs captures: write each under its own [[captures]]"),
        ("captures = 3", "write each of them under its own [[captures]]"),
        ("[sources]\nchart = 'x'\n[[captures]]\nfile='loop.mov'", "sources, chart: this must be a"),
        (
            "sources = 'x'\n[[captures]]\nfile='loop.mov'",
            "write this as tables, such as [sources.o",
        ),
        ("captures = ['x']", "captures 1: this must be a table"),
    ],
)
def test_what_is_no_plan_is_said(bench, text, sentence):
    with pytest.raises(PlanError, match=r".") as caught:
        read_plan(bench(text))
    assert sentence in str(caught.value)


def test_text_in_another_encoding_is_named_with_its_line(bench):
    with pytest.raises(PlanError, match="is not UTF-8 text in line 18: save it as UTF-8"):
        read_plan(bench(SOUND, "latin-1"))


def test_a_missing_plan_is_one_sentence(tmp_path, capsys):
    assert main(["run", str(tmp_path / "gone.toml")]) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert "gone.toml cannot be read: No such file" in shown.err
    assert shown.err.count("\n") == 1


TRICKY = '''\
# [x]
"a b".'c' = """
d = 1
[e]
""" # f = 2
g = [
  "]", # h = 3
  { i = 1 },
]
j = { k = [1, "}"] }
[[l]]
[l.m]
n.o = '\\'
[[l]]
  p = 1
[[l.q]]
r = "\\"#"
[[l.q]]
[s . "t.u"]
v = 2000-01-01
'''


def test_lines_of_a_tricky_text():
    tomllib.loads(TRICKY)
    assert lines(TRICKY) == {
        ("a b", "c"): 2, ("g",): 6, ("j",): 10, ("l",): 11, ("l", 0): 11, ("l", 0, "m"): 12,
        ("l", 0, "m", "n", "o"): 13, ("l", 1): 14, ("l", 1, "p"): 15, ("l", 1, "q"): 16,
        ("l", 1, "q", 0): 16, ("l", 1, "q", 0, "r"): 17, ("l", 1, "q", 1): 18, ("s", "t.u"): 19,
        ("s", "t.u", "v"): 20,
    }  # fmt: skip
    assert line_of(("j", "k", 0), lines(TRICKY)) == 10
    assert line_of(("nothing",), lines(TRICKY)) == 0


def test_a_sketch_is_a_plan(tmp_path, capsys):
    """Clips that hold nothing are sketched with the fault beside them; the plan is valid TOML."""
    folder = tmp_path / "captures 'x' é"
    (folder / "deep").mkdir(parents=True)
    for name in ("deep/box a.mov", "box-a loopback.mov", "box a natural.mkv", ".hidden.mov"):
        (folder / name).write_bytes(b"nothing")
    (folder / "notes.txt").write_text("no clip")
    assert main(["run", "--sketch", str(folder)]) == 0
    path = folder / "bench.toml"
    assert "tonelab run bench.toml" in capsys.readouterr().err
    (row,) = [row for row in mistakes(path) if "sources" in row]
    assert "there is no file" in row
    raw = tomllib.loads(path.read_text(encoding="utf-8"))
    assert {one["file"]: one["role"] for one in raw["captures"]} == {
        "deep/box a.mov": "conversion",
        "box-a loopback.mov": "loopback",
        "box a natural.mkv": "validation",
    }
    assert [one["name"] for one in raw["devices"].values()] == ["box a"]
    assert main(["run", "--sketch", str(folder)]) == 2
    assert "exists already" in capsys.readouterr().err


def test_a_sketch_takes_no_recording_for_a_source(tmp_path, capsys):
    """A chart as it was written is one; a recording of it is not, though it shows the same."""
    layout = Layout.create("quick", 960, 540, hold=4)
    write_chart(tmp_path / "chart.mkv", layout, rate=Fraction(24))
    with open_clip(tmp_path / "chart.mkv") as chart:
        signal, planes = chart.signal, [frame.planes for frame in chart.frames()]
    late = {
        "width": 960, "height": 540, "rate": Fraction(24), "subsampling": "422", "bits": 10,
        "codec": "v210", "signal": signal,
    }  # fmt: skip
    shown = [(y, *(c.repeat(2, axis=0)[: len(y)] for c in (cb, cr))) for y, cb, cr in planes]
    write_clip(tmp_path / "box hdr.mov", shown[3:] + shown[-1:] * 3, **late)
    write_clip(tmp_path / "card.mov", shown, **late)
    assert main(["run", "--sketch", str(tmp_path)]) == 0
    raw = tomllib.loads((tmp_path / "bench.toml").read_text("utf-8"))
    assert [one["file"] for one in raw["sources"].values()] == ["chart.mkv"]
    assert {one["role"] for one in raw["captures"]} == {"pass-through"}
    stated = ["run", "--sketch", str(tmp_path), "--force", "--source", str(tmp_path / "card.mov")]
    assert main(stated) == 0
    raw = tomllib.loads((tmp_path / "bench.toml").read_text("utf-8"))
    assert [one["file"] for one in raw["sources"].values()] == ["card.mov"]
    capsys.readouterr()
    assert main([*stated[:-1], str(tmp_path / "gone.mov")]) == 2
    assert "gone.mov" in capsys.readouterr().err
    assert main(["run", str(tmp_path / "bench.toml"), "--source", "x.mov"]) == 2
    assert "--source goes with --sketch" in capsys.readouterr().err


def test_a_sketch_of_nothing_is_refused(tmp_path, capsys):
    assert main(["run", "--sketch", str(tmp_path)]) == 2
    assert "There is no clip in" in capsys.readouterr().err
    assert main(["run", "--sketch", str(tmp_path / "gone")]) == 2
    assert "is not a folder" in capsys.readouterr().err
    assert not list(Path(tmp_path).iterdir())


def test_two_loopbacks_of_one_chain_are_a_mistake(bench):
    text = SOUND + "\n".join(
        f"[[captures]]\nfile = '{name}.mov'\nrole = 'loopback'" for name in ("loop", "captures/c")
    )
    (row,) = mistakes(bench(text))
    assert "captures 4: captures 3 is the loopback of this chain and source already" in row
    other = text + "\nchain = 'second card'"
    assert len(read_plan(bench(other)).tasks) == 4


def test_mistakes_of_corrections_are_named_with_the_others(bench):
    text = f"""{SOUND}
[[corrections]]
of = "c"
toward = "bt2446"

[[corrections]]
of = "b"
size = 31

[[corrections]]
of = "b"
toward = "b"

[[corrections]]
of = "b"

[[corrections]]
of = "b"
"""
    rows = mistakes(bench(text))
    for expected in (
        "corrections 1, of: there is no conversion named 'c'",
        "corrections 1, toward: there is no 'bt2446': did you mean 'bt2446",
        "corrections 2, size: 31 is not known: write one of 17, 33, 65",
        "corrections 3, toward: this is the device itself",
        "corrections 4: its files would be named 'b' like those of corrections 2",
    ):
        assert any(expected in row for row in rows), (expected, rows)


def test_a_capture_that_is_cut_off_is_used_up_to_there_when_the_plan_says_so(bench):
    text = SOUND.replace('notes = "warm"', 'use_good_part = true\nsignal = { range = "full" }')
    first, second = read_plan(bench(text)).tasks
    assert first.capture_signal == {"range": "full", "use_good_part": True}
    assert second.capture_signal == {}
