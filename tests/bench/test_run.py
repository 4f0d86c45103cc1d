"""Carrying out plans: what is kept, what fails alone, and that interruptions cost nothing."""

from __future__ import annotations

import hashlib
import json
import threading
from dataclasses import replace
from fractions import Fraction
from functools import cache
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from make_measurement import make_measurement

from tonelab.bench import baking, job, proofs, steps
from tonelab.bench import run as running
from tonelab.bench.reading import read_plan
from tonelab.bench.run import run
from tonelab.checks.registry import altered
from tonelab.checks.run import CheckResult
from tonelab.cli import main
from tonelab.compare import compare
from tonelab.correction.bake import Correction, PredictedError
from tonelab.correction.regions import Doubt
from tonelab.correction.table import LookTable, lattice
from tonelab.correction.verify import Verification
from tonelab.curvefile import content_hash, load, save
from tonelab.errors import PairingError
from tonelab.media import open_clip, write_clip
from tonelab.results import CheckReport, PairingFacts
from tonelab.signal.description import Signal
from tonelab.views.documents.checks import check_schema
from tonelab.views.figures import FIGURES

CAPTURES = ("a", "b é", "c")


def write_tiny(path, level):
    planes = tuple(np.full((16, width), level, np.uint16) for width in (32, 16, 16))
    write_clip(
        path, [planes], width=32, height=16, rate=Fraction(24), subsampling="422", bits=10,
        codec="v210", signal=Signal(), overwrite=True,
    )  # fmt: skip


@pytest.fixture
def plan(tmp_path):
    return write_plan(tmp_path)


def write_plan(folder, names=CAPTURES, extra=""):
    write_tiny(folder / "chart.mov", 100)
    text = "[output]\nfigures = []\npage = false\n[sources.chart]\nfile = 'chart.mov'\n"
    for index, name in enumerate(names):
        write_tiny(folder / f"{name}.mov", 200 + index)
        text += f"[devices.'{name}']\nname = 'Box {name}'\n"
        text += f"[[captures]]\nfile = '{name}.mov'\ndevice = '{name}'\n"
    path = folder / "bench.toml"
    path.write_text(text + extra, encoding="utf-8")
    return path


def stand_in(patch):
    """Put something quick in place of the main job: a device by the bytes of its capture."""
    calls = []

    def measure(source, capture, *, progress, **words):
        for name in ("source_signal", "capture_signal", "workers"):
            words.pop(name)
        calls.append(Path(capture).stem)
        progress("tallying", 1, 2)
        made = measure.results.get(Path(capture).stem)
        if isinstance(made, BaseException):
            raise made
        with open_clip(source) as one, open_clip(capture) as two:
            shas = one.sha256(), two.sha256()
        result = make_measurement(peak=4 + int(shas[1][:2], 16) / 16, **words)
        return replace(
            result,
            source=replace(result.source, sha256=shas[0]),
            capture=replace(result.capture, sha256=shas[1]),
        )

    measure.results = {}
    measure.calls = calls
    patch.setattr(job, "measure", measure)
    patch.setattr(steps, "compare", lambda *_: compared_once())
    return measure


@pytest.fixture
def measuring(monkeypatch):
    return stand_in(monkeypatch)


@cache
def compared_once():
    return compare([make_measurement("A"), make_measurement("B", peak=10.0)])


def hashes(folder):
    return {path.name: content_hash(path) for path in sorted((folder / "curves").iterdir())}


def states(results):
    return {one.name: one.state for one in results.outcomes if one.step == "measure"}


def test_a_run_measures_compares_and_reports(plan, measuring, monkeypatch, capsys):
    monkeypatch.setattr(steps, "compare", compare)
    assert main(["run", str(plan)]) == 0
    shown = capsys.readouterr()
    folder = plan.parent / "results"
    for name in CAPTURES:
        assert load(folder / "curves" / f"{name}.h5").device == f"Box {name}"
        assert f"measure {name}: done; Reinhard, extended on per-channel" in shown.err
    assert measuring.calls == list(CAPTURES)
    assert "Compared by the source chart" in shown.out
    comparison = json.loads((folder / "comparison chart.json").read_text(encoding="utf-8"))
    assert comparison["devices"] == [f"Box {name}" for name in CAPTURES]
    record = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    assert record["state"] == "finished"
    files = [file for one in record["outcomes"] for file in one["files"]]
    assert files == [*(f"curves/{name}.h5" for name in CAPTURES), "comparison chart.json"]
    assert all((folder / file).is_file() for file in files)


def test_what_is_finished_is_kept_without_a_new_byte(plan, measuring):
    run(read_plan(plan))
    folder = plan.parent / "results" / "curves"
    before = {path: path.read_bytes() for path in folder.iterdir()}
    assert states(run(read_plan(plan))) == dict.fromkeys(CAPTURES, "kept")
    assert {path: path.read_bytes() for path in folder.iterdir()} == before
    assert len(measuring.calls) == 3
    run(read_plan(plan), anew=True)
    assert len(measuring.calls) == 6


@pytest.mark.parametrize(
    "change",
    [
        lambda plan: write_tiny(plan.parent / "b é.mov", 300),
        lambda plan: plan.write_text(
            plan.read_text("utf-8").replace("'b é.mov'", "'b é.mov'\nsignal = {peak = 203}"),
            encoding="utf-8",
        ),
        lambda plan: (plan.parent / "results/curves/b é.h5").write_bytes(b"damaged"),
        lambda plan: (plan.parent / "results/curves/b é.h5").unlink(),
        lambda plan: (plan.parent / "results/curves/c.h5").replace(
            plan.parent / "results/curves/b é.h5"
        ),
    ],
    ids=["capture", "signal", "damaged", "gone", "of another"],
)
def test_what_has_changed_is_measured_anew(plan, measuring, change):
    run(read_plan(plan))
    measuring.calls.clear()
    change(plan)
    assert states(run(read_plan(plan)))["b é"] == "done"
    assert "b é" in measuring.calls
    assert "a" not in measuring.calls


def test_another_tonelab_measures_anew(plan, measuring, monkeypatch):
    run(read_plan(plan))
    monkeypatch.setattr(job, "version", lambda _: "99")
    assert set(states(run(read_plan(plan))).values()) == {"done"}


def test_a_hand_made_curve_file_is_not_taken_for_a_finished_one(plan, measuring):
    """Without the seal of a run the file may hold anything; it is of the same clips, too."""
    run(read_plan(plan))
    path = plan.parent / "results/curves/a.h5"
    found = load(path)
    bare = {key: value for key, value in found.provenance.items() if key != "bench"}
    save(replace(found, provenance=bare), path, overwrite=True)
    assert states(run(read_plan(plan)))["a"] == "done"


def test_new_words_are_written_without_measuring(plan, measuring, tmp_path):
    run(read_plan(plan))
    text = plan.read_text("utf-8").replace("'Box a'", "'Box A'\nfirmware = '2'\nnotes = 'x'")
    plan.write_text(text, encoding="utf-8")
    assert states(run(read_plan(plan))) == dict.fromkeys(CAPTURES, "kept")
    assert len(measuring.calls) == 3
    found = load(plan.parent / "results/curves/a.h5")
    assert (found.device, found.firmware, found.notes) == ("Box A", "2", "x")
    fresh = tmp_path / "fresh"
    run(read_plan(plan), folder=fresh)
    assert hashes(fresh) == hashes(plan.parent / "results")


def test_one_bad_capture_stops_no_other(plan, measuring, capsys):
    measuring.results = {"a": PairingError("No marks."), "c": ZeroDivisionError("oh")}
    assert main(["run", str(plan)]) == 2
    shown = capsys.readouterr()
    assert "measure a: failed; No marks." in shown.err
    assert "measure b é: done" in shown.err
    assert "measure c: failed; This is a defect in tonelab: ZeroDivisionError: oh." in shown.err
    assert "Traceback" not in shown.err
    assert "Failed" in shown.out
    measuring.results = {}
    assert states(run(read_plan(plan))) == {"a": "done", "b é": "kept", "c": "done"}


def test_limits_of_the_plan_give_status_1(tmp_path, measuring, capsys):
    plan = write_plan(tmp_path, extra="[limits]\nfindings = 'warning'\nresidual = 1.05\n")
    assert main(["run", str(plan), "--json"]) == 1
    shown = capsys.readouterr()
    document = json.loads(shown.out)
    assert (document["schema"], document["version"]) == ("tonelab.run", 1)
    assert len(document["failing"]) == 6
    assert "over the limit: a: the held-out residual is 1.07 floors, over the limit of 1.05" in (
        shown.err
    )
    plan.write_text(plan.read_text("utf-8").replace("'warning'", "'stop'").replace("1.05", "1.1"))
    assert main(["run", str(plan), "-q"]) == 0
    assert capsys.readouterr() == ("", "")


@pytest.mark.parametrize("moment", [12, pytest.param(13, marks=pytest.mark.long)])
def test_twelve_captures_interrupted_anywhere_give_the_same_files(
    tmp_path, measuring, monkeypatch, moment, twelve
):
    """Interrupted before or after a file is written, then resumed."""
    plan, expected = twelve
    folder = tmp_path / "results"
    write, count = running.save, iter(range(100))

    def interrupted(*words, **options):
        if next(count) == moment // 2:
            if moment % 2:
                write(*words, **options)
            raise KeyboardInterrupt
        write(*words, **options)

    monkeypatch.setattr(running, "save", interrupted)
    with pytest.raises(KeyboardInterrupt):
        run(read_plan(plan), folder=folder)
    assert json.loads((folder / "run.json").read_text(encoding="utf-8"))["state"] == "unfinished"
    monkeypatch.setattr(running, "save", write)
    finished = len(list((folder / "curves").glob("*.h5")))
    assert finished == 6 + moment % 2
    measuring.calls.clear()
    run(read_plan(plan), folder=folder)
    assert len(measuring.calls) == 12 - finished
    assert hashes(folder) == expected


@pytest.fixture(scope="module")
def twelve(tmp_path_factory):
    folder = tmp_path_factory.mktemp("twelve")
    plan = write_plan(folder, [f"capture {index}" for index in range(12)])
    with pytest.MonkeyPatch.context() as patch:
        stand_in(patch)
        run(read_plan(plan), folder=folder / "whole")
    return plan, hashes(folder / "whole")


def test_processes_keep_and_fail_one_by_one(tmp_path, measuring):
    """In processes of their own the stand-in is not there: a kept file, and clips too small."""
    plan = write_plan(tmp_path, ("a", "b"))
    run(read_plan(plan))
    (plan.parent / "results/curves/b.h5").unlink()
    seen = []
    results = run(
        read_plan(plan), workers=2, watch=lambda name, stage, *_: seen.append((name, stage))
    )
    assert states(results) == {"a": "kept", "b": "failed"}
    assert ("a", "hashing") in seen
    assert results.status == 2
    assert threading.active_count() == 1


def test_folders_with_other_files_are_left_alone(plan, measuring, capsys):
    folder = plan.parent / "results"
    folder.mkdir()
    (folder / "thesis.txt").write_text("mine")
    assert main(["run", str(plan)]) == 2
    assert "holds files that no run has written" in capsys.readouterr().err
    assert measuring.calls == []
    assert main(["run", str(plan), "-o", str(plan.parent / "elsewhere" / "deep")]) == 0
    assert main(["run", str(plan), "--force"]) == 0
    assert (folder / "thesis.txt").read_text() == "mine"


@pytest.mark.long
def test_figures_are_drawn_in_the_formats_asked_for(tmp_path, measuring):
    plan = write_plan(tmp_path, ("a", "b"))
    text = plan.read_text("utf-8").replace("figures = []", "figures = ['png']")
    plan.write_text(text, encoding="utf-8")
    results = run(read_plan(plan))
    figures = {path.name for path in (results.folder / "figures").iterdir()}
    told = {one.name: one.text for one in results.outcomes if one.step == "draw"}
    assert told["a"] == "drawn, but for residual"  # made-up measurements know no chart
    wanted = {f"{name} {kind}" for name in "ab" for kind in FIGURES if kind != "residual"}
    wanted |= {f"comparison chart {kind}" for kind in ("curves", "hues", "distances")}
    assert figures == {f"{name}.png" for name in wanted}


ROLES = """
[[captures]]
file = "through.mov"
role = "pass-through"
device = "a"

[[captures]]
file = "loop.mov"
role = "loopback"

[[captures]]
file = "unseen.mov"
role = "validation"
device = "a"

[limits]
findings = "warning"
"""


def stand_in_proofs(patch):
    """Put a report of one fault, and a proof, in place of the real ones; return the calls."""
    calls = []

    def check(source, capture, *, loopback, **words):
        calls.append(("check", capture.stem, loopback and loopback.stem))
        with open_clip(source) as one, open_clip(capture) as two:
            facts = [replace(clip.facts(), sha256=clip.sha256()) for clip in (one, two)]
        facts.append(None)
        if loopback:
            with open_clip(loopback) as three:
                facts[2] = replace(three.facts(), sha256=three.sha256())
        fault = altered("levels-luma", "Luma is not kept.", value=0.9, count=9)
        results = (CheckResult("levels", "gain and offset", (fault,)),)
        pairing = PairingFacts("chart", (1.0, 1.0), (0.0, 0.0), 0.0, 0, 1)
        return CheckReport(*facts, pairing, True, results, ())

    def verify(look, source, capture, **words):
        calls.append(("verify", look.name, source.stem, capture.stem))
        figures = (0.5, 0.4, 1, 2, 3, 0.3, 0.1, 0.6, 99)
        clear = (None, None, 0) if source.stem == "chart" else (0.25, 0.2, 70)
        return Verification("tetrahedral", *figures, "colours", 4, "BT.1886", *clear)

    patch.setattr(proofs, "check", check)
    patch.setattr(proofs, "verify", verify)
    stand_in_baking(patch)
    return calls


def stand_in_baking(patch):
    """Put a table of three nodes in place of what is baked; return what was asked."""
    asked = []

    def correct(measurement, *, toward, **options):
        target = getattr(toward, "device", toward)
        asked.append((measurement.device, target, options["size"], options["whole"]))
        table = LookTable(0.0, 1.0, lattice(0.0, 1.0, 3).reshape(3, 3, 3, 3))
        rgb = Signal(matrix="rgb", range="full")
        mask = np.arange(27) < 4
        error = PredictedError("tetrahedral", 0.3, 0.2, 0.7, 0.9, 2.0, 0.2, 500)
        doubt = Doubt("not measured", "dark blue", 4, 9)
        return Correction(
            "device-to-device", f"{measurement.device} -> {target}", rgb, rgb, table,
            {"not measured": mask}, (doubt,), (error,), ("A note.",),
        )  # fmt: skip

    patch.setattr(baking, "correct", correct)
    return asked


def test_paths_are_checked_and_looks_proved_on_unseen_captures(tmp_path, measuring, monkeypatch):
    calls = stand_in_proofs(monkeypatch)
    for level, name in enumerate(("through", "loop", "unseen")):
        write_tiny(tmp_path / f"{name}.mov", 300 + level)
    plan = write_plan(tmp_path, ("a",), ROLES)
    results = run(read_plan(plan))
    assert calls == [
        ("check", "through", "loop"),
        ("check", "loop", None),
        ("verify", "a.clf", "chart", "unseen"),
    ]
    assert measuring.calls == ["a"]
    folder = plan.parent / "results"
    document = json.loads((folder / "checks" / "through.json").read_text(encoding="utf-8"))
    jsonschema.validate(document, check_schema())
    assert results.status == 1
    assert any("through: warning: Luma is not kept." in one for one in results.failing)
    proof = json.loads((folder / "proofs" / "unseen.json").read_text(encoding="utf-8"))
    assert proof["mean"] == 0.5
    assert {one.step for one in results.outcomes} == {"measure", "check", "verify"}

    again = run(read_plan(plan))
    assert {one.state for one in again.outcomes} == {"kept"}
    assert (again.checks, again.proofs) == (results.checks, results.proofs)
    assert len(calls) == 3
    # A proof is of this look and these clips, and of no others.
    write_tiny(tmp_path / "unseen.mov", 500)
    other = run(read_plan(plan))
    assert [one.state for one in other.outcomes if one.step == "verify"] == ["done"]
    # Another loopback asks the pass-through of its chain anew, and that alone beside itself.
    write_tiny(tmp_path / "loop.mov", 400)
    changed = run(read_plan(plan))
    assert [one.state for one in changed.outcomes if one.step == "check"] == ["done", "done"]


def test_a_proof_of_a_capture_that_failed_says_so(tmp_path, measuring, monkeypatch):
    stand_in_proofs(monkeypatch)
    measuring.results["a"] = PairingError("Nothing matches: capture again.")
    for name in ("through", "loop", "unseen"):
        write_tiny(tmp_path / f"{name}.mov", 300)
    results = run(read_plan(write_plan(tmp_path, ("a",), ROLES)))
    assert results.status == 2
    failed = {one.name: one.text for one in results.outcomes if one.state == "failed"}
    assert failed == {
        "a": "Nothing matches: capture again.",
        "unseen": "a was not measured, so nothing can be baked from it.",
    }


CORRECTIONS = """
[[corrections]]
of = "a"
toward = "b é"
size = 17
format = "cube"

[[corrections]]
of = "a"
toward = "source"
name = "undo a"
"""


@pytest.mark.long
def test_corrections_are_baked_kept_and_shown(tmp_path, measuring, monkeypatch):
    asked = stand_in_baking(monkeypatch)
    plan = write_plan(tmp_path, ("a", "b é"), CORRECTIONS)
    plan.write_text(plan.read_text("utf-8").replace("page = false", "page = true"), "utf-8")
    results = run(read_plan(plan))
    assert asked == [("Box a", "Box b é", 17, True), ("Box a", "source", 65, False)]
    folder = plan.parent / "results" / "corrections"
    document = json.loads((folder / "a toward b é.json").read_text(encoding="utf-8"))
    assert document["nodes"] == {"not measured": 4}
    assert (
        hashlib.sha256((folder / document["file"]).read_bytes()).hexdigest() == (document["sha256"])
    )
    page = (plan.parent / "results" / "report.html").read_text(encoding="utf-8")
    assert "Correction a toward b é: Box a → Box b é" in page
    assert "4 of 9 nodes of dark blue not measured" in page
    assert page.count("data:image/svg+xml;base64,") == 4
    assert results.corrections.keys() == {"a toward b é", "undo a"}

    states = [one.state for one in run(read_plan(plan)).outcomes if one.step == "correct"]
    assert states == ["kept", "kept"]
    (folder / "undo a.clf").write_text("altered", encoding="utf-8")
    measuring.results = {}
    write_tiny(tmp_path / "b é.mov", 700)
    states = [one.state for one in run(read_plan(plan)).outcomes if one.step == "correct"]
    assert states == ["done", "done"]
    assert "altered" not in (folder / "undo a.clf").read_text(encoding="utf-8")


def test_a_correction_of_what_failed_says_so(tmp_path, measuring, monkeypatch):
    stand_in_baking(monkeypatch)
    monkeypatch.setattr(baking, "trust_figure", lambda *_, **__: None)
    monkeypatch.setattr(baking, "save_figure", lambda _, path, **__: path.write_text("<svg/>"))
    measuring.results["b é"] = PairingError("Nothing matches: capture again.")
    results = run(read_plan(write_plan(tmp_path, ("a", "b é"), CORRECTIONS)))
    told = {one.name: one.text for one in results.outcomes if one.step == "correct"}
    assert told["a toward b é"] == "b é was not measured, so nothing can be baked from it."
    assert results.corrections.keys() == {"undo a"}


UNSEEN = """
[[captures]]
file = "unseen a.mov"
role = "validation"
device = "a"

[[captures]]
file = "unseen b.mov"
role = "validation"
device = "b é"
"""


def test_corrections_are_proved_on_unseen_captures_of_both_ends(tmp_path, measuring, monkeypatch):
    calls = stand_in_proofs(monkeypatch)
    monkeypatch.setattr(baking, "trust_figure", lambda *_, **__: None)
    monkeypatch.setattr(baking, "save_figure", lambda _, path, **__: path.write_text("<svg/>"))
    for level, name in enumerate("ab"):
        write_tiny(tmp_path / f"unseen {name}.mov", 300 + level)
    look = "[[corrections]]\nof = 'a'\nsize = 17\n"
    plan = write_plan(tmp_path, ("a", "b é"), CORRECTIONS + look + UNSEEN)
    plan.write_text(plan.read_text("utf-8").replace("page = false", "page = true"), "utf-8")
    results = run(read_plan(plan))
    assert calls == [
        ("verify", "a.clf", "chart", "unseen a"),
        ("verify", "b é.clf", "chart", "unseen b"),
        ("verify", "a toward b é.cube", "unseen a", "unseen b"),
        ("verify", "undo a.clf", "unseen a", "chart"),
        ("verify", "a.clf", "chart", "unseen a"),
    ]
    page = (results.folder / "report.html").read_text(encoding="utf-8")
    assert "Correction undo a, compared with what was not fitted: unseen a" in page
    assert page.count("mean ΔE_ITP 0.25, where rounding leaves 0.2") == 2
    again = run(read_plan(plan))
    assert {one.state for one in again.outcomes if one.step == "verify"} == {"kept"}
    assert again.proofs == results.proofs
    write_tiny(tmp_path / "unseen b.mov", 500)
    other = run(read_plan(plan))
    states = [one.state for one in other.outcomes if one.step == "verify"]
    assert states == ["kept", "done", "done", "kept", "kept"]
