"""The command line keeps its contract: streams, exit status, sentences, and what it imports."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from fractions import Fraction
from importlib import import_module
from pathlib import Path

import click
import jsonschema
import pytest
from make_measurement import make_measurement

import tonelab
import tonelab.chart
import tonelab.cli.app as app
import tonelab.demo  # makes the scenario's modules importable
from tonelab.cli import main, terminal
from tonelab.cli.options import parse_rate, parse_settings, parse_size
from tonelab.cli.terminal import print_result, say
from tonelab.curvefile import load, save
from tonelab.errors import PairingError
from tonelab.views.document import document_schema

ROOT = Path(__file__).parents[2]
HEAVY = ("numpy", "scipy", "h5py", "av", "numba", "matplotlib", "rich", "colour", "PyOpenColorIO")


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """Curve files written once, of which each test has copies of its own."""
    folder = tmp_path_factory.mktemp("written")
    save(make_measurement(), folder / "device é.h5")
    save(make_measurement("Player A"), folder / "a.h5")
    save(make_measurement("Player B", peak=10.0), folder / "b.h5")
    return folder


@pytest.fixture
def curve_file(written, tmp_path):
    return Path(shutil.copy(written / "device é.h5", tmp_path))


@pytest.fixture
def two_files(written, tmp_path):
    return [shutil.copy(written / name, tmp_path) for name in ("a.h5", "b.h5")]


@pytest.fixture
def measuring(monkeypatch):
    """Put a ready measurement in place of the main job; its calls are recorded."""
    calls = []

    def measure(source, capture, **options):
        calls.append((source, capture, options))
        options["progress"]("tallying", 1, 2)
        return make_measurement(options["device"])

    monkeypatch.setattr(import_module("tonelab.measure"), "measure", measure)
    return calls


def process(*words, **options):
    """Run the command in a process of its own."""
    env = {**os.environ, "PYTHONPATH": str(ROOT), **options.pop("env", {})}
    return subprocess.run(
        [sys.executable, "-m", "tonelab", *words], capture_output=True, env=env, check=False,
        **options,
    )  # fmt: skip


def one_sentence(capsys):
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1
    assert "Traceback" not in captured.err
    return captured.err


# Help


def test_help_imports_nothing_heavy():
    """In one process, whose first loaded module is laid to the words before it."""
    every = [["--help"], *([verb, "--help"] for verb in app.VERBS)]
    code = (
        "import sys; from tonelab.cli import main\n"
        f"for words in {every!r}:\n"
        f"    main(words); print('LOADED', words, [m for m in {HEAVY!r} if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert done.stdout.count("Usage: tonelab") == len(every)
    loaded = [line for line in done.stdout.splitlines() if line.startswith("LOADED")]
    assert loaded == [f"LOADED {words} []" for words in every]


def test_importing_tonelab_imports_nothing_heavy():
    code = f"import sys, tonelab; print([m for m in {HEAVY!r} if m in sys.modules])"
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, env=env, check=True)
    assert done.stdout.strip() == b"[]"


def test_every_verb_is_listed_and_every_option_explained(capsys):
    assert main(["--help"]) == 0
    overview = capsys.readouterr().out
    context = click.Context(app.tonelab)
    for verb in app.VERBS:
        command = app.tonelab.get_command(context, verb)
        assert f"\n  {verb} " in overview
        assert command.help
        assert len(command.get_short_help_str(60)) < 50
        for parameter in command.params:
            if isinstance(parameter, click.Option):
                assert parameter.help, (verb, parameter.name)


def test_help_mentions_completion_and_exit_status(capsys):
    main(["--help"])
    overview = capsys.readouterr().out
    assert "_TONELAB_COMPLETE=bash_source tonelab" in overview
    assert "Exit status" in overview


def test_completion_script_is_given():
    done = process(env={"_TONELAB_COMPLETE": "zsh_source"})
    assert done.returncode == 0
    assert b"#compdef tonelab" in done.stdout


def test_functions_are_not_hidden_by_modules_of_their_name():
    code = (
        "import tonelab.measure, tonelab.compare, tonelab.identify, tonelab.scores.standards; "
        "from tonelab.compare import compare; assert tonelab.compare is compare; "
        "assert all(map(callable, (tonelab.measure, tonelab.identify, tonelab.score)))"
    )
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    subprocess.run([sys.executable, "-c", code], env=env, check=True)


def test_lazy_names_lead_home():
    assert tonelab.load is load
    assert "measure" in dir(tonelab)
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = tonelab.nothing
    for name, home in tonelab._HOMES.items():
        assert (ROOT / (home.replace(".", "/") + ".py")).exists() or (
            ROOT / home.replace(".", "/")
        ).is_dir(), name


# Values of options


@pytest.mark.parametrize(
    ("text", "rate"),
    [
        ("24000/1001", Fraction(24000, 1001)),
        ("23.976", Fraction(24000, 1001)),
        ("59.94", Fraction(60000, 1001)),
        ("50", Fraction(50)),
        ("24", Fraction(24)),
    ],
)
def test_rates(text, rate):
    assert parse_rate(None, None, text) == rate


@pytest.mark.parametrize("text", ["fast", "0", "1/0", "1000"])
def test_impossible_rates(text):
    with pytest.raises(click.BadParameter):
        parse_rate(None, None, text)


def test_sizes_and_settings():
    assert parse_size(None, None, "3840x2160") == (3840, 2160)
    with pytest.raises(click.BadParameter, match="write it as 1920x1080"):
        parse_size(None, None, "1080p")
    assert parse_settings(None, None, ("Mode=A=B", " Black = low ")) == {
        "Mode": "A=B",
        "Black": "low",
    }
    with pytest.raises(click.BadParameter, match="KEY=VALUE"):
        parse_settings(None, None, ("=x",))


# Verbs


def test_show_for_people_and_programs(curve_file, capsys):
    assert main(["show", str(curve_file)]) == 0
    assert "Reinhard, extended" in capsys.readouterr().out
    assert main(["show", str(curve_file), "--json"]) == 0
    captured = capsys.readouterr()
    jsonschema.validate(json.loads(captured.out), document_schema())
    assert captured.err == ""


@pytest.mark.parametrize(("level", "status"), [("stop", 0), ("warning", 1), ("info", 1)])
def test_fail_on(curve_file, capsys, level, status):
    assert main(["show", str(curve_file), "--json", "--fail-on", level]) == status
    captured = capsys.readouterr()
    json.loads(captured.out)
    assert ("behaves like narrow range" in captured.err) == (status == 1)


def test_measure_passes_everything_on_and_saves(measuring, tmp_path, capsys):
    output = tmp_path / "out.h5"
    status = main(
        ["measure", "s.mp4", "c.mov", "--device", "Box 1", "--firmware", "7", "--setting",
         "Mode=Film", "--setting", "Black=low", "--note", "first", "--source-signal", "range=full",
         "--capture-signal", "matrix=bt601,peak=203", "-o", str(output)]
    )  # fmt: skip
    assert status == 0
    ((source, capture, options),) = measuring
    assert (source, capture) == (Path("s.mp4"), Path("c.mov"))
    del options["progress"]
    assert options == {
        "device": "Box 1",
        "firmware": "7",
        "settings": {"Mode": "Film", "Black": "low"},
        "notes": "first",
        "first": None,
        "source_signal": {"range": "full"},
        "workers": None,
        "capture_signal": {"matrix": "bt601", "peak": 203.0},
    }
    captured = capsys.readouterr()
    assert "Box 1" in captured.out
    assert "Kept in" in captured.err
    assert load(output).device == "Box 1"


def test_measure_refuses_the_output_before_it_works(measuring, curve_file, tmp_path, capsys):
    words = ["measure", "s", "c", "--device", "B", "-o"]
    assert main([*words, str(curve_file)]) == 2
    assert "exists already" in one_sentence(capsys)
    assert main([*words, str(tmp_path / "none" / "a.h5")]) == 2
    assert "does not exist: create it" in one_sentence(capsys)
    assert measuring == []
    assert main([*words, str(curve_file), "--force", "-q"]) == 0
    assert capsys.readouterr() == ("", "")


def test_measure_json_is_one_document(measuring, tmp_path, capsys):
    words = ["measure", "s", "c", "--device", "B", "-o", str(tmp_path / "a.h5"), "--json"]
    assert main(words) == 0
    jsonschema.validate(json.loads(capsys.readouterr().out), document_schema())


def test_compare_for_people_programs_and_print(two_files, tmp_path, capsys):
    figure = tmp_path / "curves.svg"
    assert main(["compare", *two_files, "-o", str(figure)]) == 0
    captured = capsys.readouterr()
    assert "Player B" in captured.out
    assert "Drawn in" in captured.err
    assert figure.read_bytes().startswith(b"<?xml")
    assert main(["compare", *two_files, "--json", "--against", "clip-100"]) == 0
    read = json.loads(capsys.readouterr().out)
    assert read["schema"] == "tonelab.comparison"
    assert read["rankings"][0]["reference"] == "clip-100"


@pytest.mark.parametrize(
    ("extra", "sentence"),
    [
        (["--against", "bt9999"], "choose from bt2390"),
        (["-o", "x.jpg"], "end the name in .svg"),
    ],
)
def test_compare_refusals(two_files, capsys, tmp_path, monkeypatch, extra, sentence):
    monkeypatch.chdir(tmp_path)
    assert main(["compare", *two_files, *extra]) == 2
    assert sentence in one_sentence(capsys)


def test_chart_asks_for_what_was_stated(monkeypatch, tmp_path, capsys):
    asked = {}

    def write_chart(path, layout, **options):
        asked.update(options, path=path, layout=layout)
        options["progress"](1)

    monkeypatch.setattr(tonelab.chart, "write_chart", write_chart)
    output = tmp_path / "clip.mkv"
    status = main(
        ["chart", str(output), "--quick", "--size", "1280x720", "--rate", "50", "--peak", "4000",
         "--hold", "0.5", "--codec", "v210", "--max-cll", "4000", "--max-fall", "400"]
    )  # fmt: skip
    assert status == 0
    layout = asked["layout"]
    assert (layout.kind, layout.width, layout.height) == ("quick", 1280, 720)
    assert (layout.transfer, layout.peak, layout.hold) == ("pq", 4000, 25)
    assert (asked["rate"], asked["codec"], asked["overwrite"]) == (50, "v210", False)
    assert (asked["metadata"].max_cll, asked["metadata"].max_fall) == (4000, 400)
    captured = capsys.readouterr()
    assert captured.out == ""
    assert f"tonelab measure {output} CAPTURE" in captured.err


def test_the_next_command_can_be_pasted(monkeypatch, tmp_path, capsys):
    monkeypatch.setattr(tonelab.chart, "write_chart", lambda *_, **__: None)
    output = tmp_path / "test clip.mkv"
    assert main(["chart", str(output), "--quick"]) == 0
    assert f'tonelab measure "{output}" CAPTURE' in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--pages", "2"], "--pages is of a second chart: add --refine"),
        (["--refine", "box.h5", "--quick"], "--quick is that of the first chart"),
        (["--refine", "box.h5", "--bits", "10"], "--bits is that of the first chart"),
        (["--refine", "none.h5"], "There is no file none.h5"),
    ],
)
def test_options_of_a_second_chart_stay_with_it(words, sentence, tmp_path, capsys):
    assert main(["chart", str(tmp_path / "clip.mp4"), *words]) == 2
    assert sentence in one_sentence(capsys)


def test_long_work_is_told_in_lines_where_there_is_no_terminal(monkeypatch, capsys):
    clock = iter((0.0, 1.0, 6.0, 6.0, 7.0, 11.5, 11.5))
    monkeypatch.setattr(terminal.time, "monotonic", lambda: next(clock))
    with terminal.progress_bar(terminal.Session()) as report:
        for stage, done, total in (
            ("writing", 1, 90), ("writing", 50, 90), ("writing", 60, 90), ("identifying", 0, 1),
        ):  # fmt: skip
            report(stage, done, total)
    assert capsys.readouterr().err == "writing 50/90\nidentifying\n"


@pytest.mark.parametrize(
    ("words", "bits", "matrix", "rate", "hold"),
    [
        (["--size", "720x576"], 8, "bt601", 25, 25),
        (["--size", "720x480", "--bits", "10", "--matrix", "bt709"], 10, "bt709", 30000 / 1001, 30),
        (["--rate", "50", "--hold", "0.1"], 8, "bt709", 50, 5),
    ],
)
def test_an_sdr_chart_is_checked_and_has_no_static_metadata(
    words, bits, matrix, rate, hold, monkeypatch, tmp_path, capsys
):
    asked = {}
    monkeypatch.setattr(
        tonelab.chart, "write_chart", lambda path, layout, **to: asked.update(to, layout=layout)
    )
    assert main(["chart", str(tmp_path / "clip.mp4"), "--sdr", *words]) == 0
    layout = asked["layout"]
    assert (layout.transfer, layout.bits, layout.matrix) == ("bt1886", bits, matrix)
    assert (float(asked["rate"]), layout.hold, asked["metadata"]) == (rate, hold, None)
    assert f"tonelab check {tmp_path / 'clip.mp4'} CAPTURE" in capsys.readouterr().err


def test_chart_and_inspect_together(tmp_path, capsys):
    clip = tmp_path / "a chart.mkv"
    words = ["chart", str(clip), "--quick", "--size", "960x540", "--hold", "0.17", "-q"]
    assert main(words) == 0
    assert capsys.readouterr() == ("", "")
    assert main([*words[:2], "--quick", "--size", "320x180"]) == 2
    assert "exists already" in one_sentence(capsys)
    assert main(["inspect", str(clip), str(tmp_path / "none.mov"), "--json"]) == 2
    captured = capsys.readouterr()
    (facts,) = json.loads(captured.out)["clips"]
    assert (facts["codec"], facts["width"], facts["signal"]["transfer"]) == ("ffv1", 960, "pq")
    assert "none.mov" in captured.err
    assert main(["inspect", str(clip)]) == 0
    assert "960 × 540" in capsys.readouterr().out


def test_demo_takes_the_steps_that_are_not_done(monkeypatch, tmp_path, capsys):
    from tonelab.demo.scenario import Scenario, Step

    made = []

    def steps(self):
        for name in ("chart", "measure"):
            yield Step(name, (self.folder / name,), lambda _report, name=name: made.append(name))

    monkeypatch.setattr(Scenario, "steps", steps)
    folder = tmp_path / "there"
    folder.mkdir()
    (folder / "chart").touch()
    assert main(["demo", "-o", str(folder)]) == 0
    assert made == ["measure"]
    printed = capsys.readouterr()
    assert str(folder) in printed.out
    assert "chart (kept from an earlier run)" in printed.err
    assert main(["demo", "-o", str(folder), "--force"]) == 0
    assert made == ["measure", "chart", "measure"]


# Errors


@pytest.mark.parametrize(
    ("words", "start"),
    [
        (["show", "none.h5"], "tonelab: There is no file none.h5."),
        (["shw"], "tonelab: There is no command 'shw'. Did you mean 'show'?"),
        (["show"], "tonelab show: Missing argument 'FILE'."),
        (["chart", "a.mp4", "--size", "x"], "tonelab chart: Invalid value for '--size'"),
        (["chart", "a.mp4", "--size", "100x100"], "tonelab: A chart of 100x100 is not possible"),
        (["chart", "a.mp4", "--sdr", "--peak", "400"], "tonelab: --peak is of an HDR chart: leave"),
        (["chart", "a.mp4", "--bits", "10"], "tonelab: --bits is of an SDR chart: add --sdr."),
        (["chart", "a.mp4", "--sdr", "--codec", "v210"], "tonelab: a.mp4 cannot hold v210"),
        (["measure", "a", "b", "--device", "x", "-o", "y.h5", "--capture-signal", "range=x"],
         "tonelab: The range 'x' is unknown: state one of narrow, full."),
    ],
)  # fmt: skip
def test_unusable_input_is_one_sentence(words, start, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(words) == 2
    assert one_sentence(capsys).startswith(start)
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
def failing(monkeypatch):
    def install(error):
        def measure(*_, **__):
            raise error

        monkeypatch.setattr(import_module("tonelab.measure"), "measure", measure)

    return install


WORDS = ["measure", "s", "c", "--device", "B", "-o", "out.h5"]


def test_errors_of_the_work(failing, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    failing(PairingError("The pair is odd: turn it."))
    assert main(WORDS) == 2
    assert one_sentence(capsys) == "tonelab: The pair is odd: turn it.\n"

    failing(ZeroDivisionError("by zero"))
    assert main(WORDS) == 70
    assert "a defect in tonelab: ZeroDivisionError: by zero" in one_sentence(capsys)
    assert main([*WORDS, "-vv"]) == 70
    assert "Traceback" in capsys.readouterr().err

    failing(KeyboardInterrupt())
    assert main(WORDS) == 130
    assert capsys.readouterr().err.strip() == "Interrupted; nothing was written."
    assert list(tmp_path.iterdir()) == []


def test_interrupted_after_saving_says_so(measuring, monkeypatch, tmp_path, capsys):
    def interrupt(_):
        raise KeyboardInterrupt

    monkeypatch.setattr("tonelab.cli.measure.print_result", interrupt)
    output = tmp_path / "out.h5"
    assert main([*WORDS[:-1], str(output)]) == 130
    assert f"Interrupted; {output} is complete." in capsys.readouterr().err
    assert load(output).device == "B"


# Consoles


def test_a_strangers_words_cannot_command_the_terminal(capsys):
    print_result("Box \x1b[2J\x1b]0;title \u202eevil\nnext")
    say("no file a\x1b[31m.mov")
    said = capsys.readouterr()
    assert said.out == "Box \\x1b[2J\\x1b]0;title \\u202eevil\nnext\n"
    assert said.err == "no file a\\x1b[31m.mov\n"


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "cp850", "utf-8"])
def test_any_console_can_show_it(curve_file, encoding):
    done = process("show", str(curve_file), env={"PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"})
    assert done.returncode == 0, done.stderr
    text = done.stdout.decode(encoding)
    assert "mean ΔE_ITP" in text if encoding == "utf-8" else "mean dE_ITP" in text
    assert "?" not in text.replace("Gro?e", "")  # a person's word that ASCII cannot spell


def test_c_locale(curve_file):
    done = process("show", str(curve_file), env={"LANG": "C", "LC_ALL": "C"})
    assert done.returncode == 0, done.stderr


def test_json_is_ascii(curve_file):
    done = process("show", str(curve_file), "--json")
    assert done.stdout.isascii()
    assert json.loads(done.stdout)["capture"]["name"] == "capture é.mov"


@pytest.mark.skipif(os.name == "nt", reason="needs POSIX pipes")
@pytest.mark.parametrize("words", [[], ["--json"]])
def test_reader_that_leaves_is_no_error(curve_file, words):
    read, write = os.pipe()
    os.close(read)
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run(
        [sys.executable, "-m", "tonelab", "show", str(curve_file), *words],
        stdout=write, stderr=subprocess.PIPE, env=env, check=False,
    )  # fmt: skip
    os.close(write)
    assert done.stderr == b""
    assert done.returncode == 141


@pytest.mark.skipif(os.name == "nt", reason="needs a POSIX shell")
def test_closed_stdout_is_no_error(curve_file):
    done = subprocess.run(
        ["sh", "-c", f'"{sys.executable}" -m tonelab show "$0" >&-', str(curve_file)],
        stderr=subprocess.PIPE, env={**os.environ, "PYTHONPATH": str(ROOT)}, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, b"")


def test_progress_is_silent_where_there_is_no_terminal(measuring, tmp_path, capsys):
    main([*WORDS[:-1], str(tmp_path / "a.h5")])
    assert "tallying" not in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["mesure", "a", "b"], "There is no command 'mesure'. Did you mean 'measure'?"),
        (["help", "shaw"], "Did you mean 'show'?"),
        (["qqq"], "There is no command 'qqq'. See"),
        (["measure", "a", "b", "--device", "x", "-o", "x.txt"], "name it x.h5."),
        (["report", "a.h5", "-o", "my page.htm"], "name it my page.html."),
        (["check", "a", "b", "-o", "x"], "name it x.json."),
        (["show", "a.h5", "--figure", "chroma"], "--figure goes with -o: name the file to draw"),
    ],
)
def test_slips_get_the_mend(words, sentence, capsys):
    assert main(words) == 2
    assert sentence in capsys.readouterr().err


def test_help_is_a_verb_too(capsys):
    for words in (["help"], ["help", "show"]):
        assert main(words) == 0
        assert "Usage: tonelab" in capsys.readouterr().out
