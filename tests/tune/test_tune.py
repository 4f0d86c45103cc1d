"""Tuning against simulated devices whose menus the code under test never sees."""

from __future__ import annotations

import io
import json
from dataclasses import replace

import numpy as np
import pytest
from make_measurement import make_measurement
from rich.console import Console
from simulated import ICTCP, LMS, SimulatedDevice, pq_light, pq_signal, rgb_of, ycbcr_of
from tuning import (
    CONTROLS,
    CONVERTERS,
    Menu,
    Truth,
    TunedDevice,
    chart_codes,
    itp,
    measured,
    one_device,
    outputs,
    shared_modes,
)

from tonelab.cli import main
from tonelab.conversion import ChainPart, Conversion
from tonelab.curvefile import save
from tonelab.errors import UsageError
from tonelab.results import Tallies
from tonelab.signal.description import Signal
from tonelab.tune import tune
from tonelab.tune.response import Point, respond
from tonelab.tune.search import Aim
from tonelab.views.documents.tuning import tuning_document

SOURCE = chart_codes(levels=5)  # fewer than the study, for speed
MENUS = {
    "contrast": Menu(0.01, 1.0),
    "brightness": Menu(0.002, 1.28),
    "colour": Menu(0.02, 0.5, "floor"),
    "tint": Menu(0.5, 1.0),
}
BASE = dict.fromkeys(CONTROLS, 50)
ALONE = [{**BASE, name: 70} for name in CONTROLS]
JOINT = {"contrast": 70, "brightness": 70, "colour": 41, "tint": 44}
HIDDEN = {"contrast": 57, "brightness": 46, "colour": 58, "tint": 47}


def device(**changes):
    return TunedDevice(CONVERTERS[0], MENUS, **changes)


def captured(of, *more, start=(BASE, *ALONE, JOINT)):
    return [measured(of, SOURCE, settings) for settings in (*start, *more)]


def bt2124(light):
    """720 (I, T / 2, P) of light in cd/m2, BT.2124."""
    return pq_signal(light @ LMS.T) @ ICTCP.T * (720, 360, 720)


def reference(of, settings):
    return measured(of, SOURCE, settings, "Goal")


@pytest.fixture(scope="module")
def tuned():
    of = device(pivot=0.5, coupled=False, lift_first=True)
    ranges = dict.fromkeys(CONTROLS, (30, 70))
    found = tune(captured(of), reference(of, HIDDEN), ranges=ranges,
                 confirm=[measured(of, SOURCE, {**HIDDEN, "contrast": 52})])  # fmt: skip
    return of, found


def test_what_each_control_does_is_learnt(tuned):
    _, found = tuned
    contrast, brightness, colour, tint = found.controls
    assert contrast.quantities == ("gain",)
    assert contrast.pivot == pytest.approx(0.5, abs=0.002)
    assert contrast.coupling == 0
    # Relative to the base, where all menus stand at nothing: one step is 1 % of gain, 0.5 degrees.
    assert contrast.responses["gain"].table[0, 70 - 30] == pytest.approx(1.2, abs=5e-4)
    assert tint.responses["hue"].table[0, 30 - 30] == pytest.approx(-10, abs=0.3)
    assert brightness.quantities == ("lift",)
    assert brightness.responses["lift"].table[0, 40] == pytest.approx(0.002 * 26, abs=3e-4)
    assert colour.responses["saturation"].table[0, 40] == pytest.approx(1.2, abs=5e-4)
    assert found.modes[0].model.lift_first is True
    assert all(control.stage == "after" for control in found.controls)


def test_proposal_is_the_optimum_or_within_what_is_stated(tuned):
    of, found = tuned
    truth = Truth(of, SOURCE, of.codes(SOURCE, HIDDEN))
    outcome = found.modes[0]
    proposed = truth.p95([outcome.proposals[0].settings[name] for name in CONTROLS])
    assert truth.p95([HIDDEN[name] for name in CONTROLS]) == 0
    assert proposed <= outcome.could_gain
    assert proposed < truth.p95([50] * 4) / 4
    assert outcome.proposals[0].low <= proposed <= outcome.proposals[0].high
    assert outcome.base.p95 == pytest.approx(truth.p95([50] * 4), abs=0.3)


def test_prediction_is_held_against_a_capture_it_never_saw(tuned):
    of, found = tuned
    (confirmation,) = found.confirmations
    truth = Truth(of, SOURCE, of.codes(SOURCE, HIDDEN))
    assert confirmation.measured_p95 == pytest.approx(truth.p95([52, 46, 58, 47]), abs=0.01)
    assert confirmation.inside
    assert confirmation.predicted.high < 2 * confirmation.measured_p95


def test_next_captures_are_named(tuned):
    _, found = tuned
    first = found.suggestions[0]
    assert first.settings == found.modes[0].proposals[0].settings
    assert first.reason == "confirms the proposal"


def test_no_capture_is_asked_for_twice(tuned):
    of, found = tuned
    best = found.modes[0].proposals[0].settings
    again = tune(
        captured(of), reference(of, HIDDEN), ranges=dict.fromkeys(CONTROLS, (30, 70)),
        confirm=[measured(of, SOURCE, best)],
    )  # fmt: skip
    assert found.suggestions[0].settings == best
    assert all(one.settings != best for one in again.suggestions)


def test_the_order_is_that_of_the_figures_and_ties_are_near(tuned):
    of, found = tuned
    truth = Truth(of, SOURCE, of.codes(SOURCE, HIDDEN))
    best, *others = found.modes[0].proposals
    assert others
    assert sorted([best, *others], key=lambda one: one.p95) == [best, *others]
    for one in others:
        assert one.behind == pytest.approx(one.p95 - best.p95)
        if one.tie:
            values = [[p.settings[name] for name in CONTROLS] for p in (one, best)]
            assert (
                abs(truth.p95(values[0]) - truth.p95(values[1])) < 0.3 + found.modes[0].could_gain
            )


def test_words_and_document_say_the_same(tuned):
    _, found = tuned
    console = Console(file=io.StringIO(), width=130)
    console.print(found)
    text = console.file.getvalue()
    for words in ("about luma 0.500", "chroma left alone", "after the tone curve", "Capture next",
                  "lift is added before the gain", "inside the interval", "(stated)"):  # fmt: skip
        assert words in text, text
    document = tuning_document(found)
    json.dumps(document, allow_nan=False)
    assert (document["schema"], document["version"]) == ("tonelab.tuning", 1)
    best = document["modes"][0]["proposals"][0]
    assert best["settings"] == found.modes[0].proposals[0].settings


@pytest.mark.long
@pytest.mark.parametrize("seed", [3])
def test_fixed_devices_of_the_study(seed):
    """A fixed part of tests/studies/tuning.py."""
    outcome, *_ = one_device(seed, SOURCE, outputs(SOURCE))
    assert outcome.right
    assert outcome.captures <= 9


@pytest.mark.long
def test_side_effects_on_another_mode():
    p95, mean, *_ = shared_modes(1, SOURCE, outputs(SOURCE))
    assert abs(p95) <= 0.5
    assert abs(mean) <= 0.5


@pytest.mark.parametrize("kind", ["hdr", pytest.param("sdr", marks=pytest.mark.long)])
def test_pass_through_is_tuned_and_warned_of_side_effects(kind):
    """A mode that converts nothing aims at the source and shares its controls with another."""
    sdr = replace(device(pivot=0.25), menus={**MENUS, "colour": Menu(0.02, 1.0)})
    signal = (SOURCE - (64, 512, 512)) / (876, 896, 896)
    pq = Signal(matrix="bt2020", transfer="pq", primaries="bt2020")
    coding = pq if kind == "hdr" else Signal().with_fields("stated", transfer="bt1886")

    def passed(settings):
        made = measured(sdr, SOURCE, settings, mode="through")
        codes = sdr.coded(signal, settings).astype(np.int64)
        tables = {**made.tallies.tables, "patch_sum_capture": 16 * codes}
        clips = {
            side: replace(getattr(made, side), signal=coding) for side in ("source", "capture")
        }
        return replace(made, tallies=Tallies(7, tables), **clips)

    def seen(codes):
        if kind == "sdr":
            return itp(codes)
        return bt2124(pq_light(rgb_of((codes - (64, 512, 512)) / (876, 896, 896), "bt2020")))

    base = {"contrast": 44, "brightness": 53, "colour": 47, "tint": 52}
    alone = [{**base, name: value + 20} for name, value in base.items()]
    captures = [measured(sdr, SOURCE, one, mode="converting") for one in (base, *alone, JOINT)]
    captures += [passed(base), passed(JOINT)]
    hidden = {"contrast": 53, "brightness": 51, "colour": 53, "tint": 49}
    found = tune(captures, reference(sdr, hidden), ranges=dict.fromkeys(CONTROLS, (30, 80)))
    first, second = found.modes
    aim = "the source, since this mode converts nothing"
    assert (second.mode, second.target) == ("through", aim)
    # At 50 no menu does anything, and brightness has registers of less than a step.
    assert second.proposals[0].settings == pytest.approx(BASE, abs=1)
    settings = first.proposals[0].settings
    there = passed(settings).tallies.tables["patch_sum_capture"] / 16
    true = np.linalg.norm(seen(there) - seen(SOURCE), axis=1)
    aim = Aim(second.model, seen(SOURCE), coding)
    predicted = aim.distances(np.array([[settings[name] for name in CONTROLS]]))[0]
    assert list(first.others) == ["through"]
    assert second.others["converting"].settings == settings
    assert second.others["converting"].p95 == pytest.approx(np.percentile(true, 95), rel=0.05)
    assert predicted.mean() == pytest.approx(true.mean(), abs=0.5)
    assert np.percentile(predicted, 95) == pytest.approx(np.percentile(true, 95), rel=0.03)


def test_a_control_before_the_tone_curve_is_distinguished():
    """Contrast on the PQ source signal, saturation on the output."""
    converter = SimulatedDevice("per-channel", "bt2390")

    def codes(settings):
        ycbcr = (SOURCE - (64, 512, 512)) / (876, 896, 896)
        gain = 1 - 0.005 * (50 - settings["contrast"])
        light = pq_light(np.clip(rgb_of(ycbcr * (gain, gain, gain), "bt2020"), 0, 1))
        out = converter.signal(light) * (1, *[1 + 0.01 * (settings["colour"] - 50)] * 2)
        return np.clip(np.floor(out * (876, 896, 896) + (64.5, 512.5, 512.5)), 4, 1019)

    chain = Conversion(ChainPart("bt2390", {"source_peak": 1000.0, "target_peak": 100.0}))

    def capture(settings, name="Simulated"):
        one = measured(TunedDevice(converter, MENUS), SOURCE, BASE, name)
        tables = dict(one.tallies.tables)
        tables["patch_sum_capture"] = 16 * codes(settings).astype(np.int64)
        return replace(
            one,
            settings={key: str(value) for key, value in settings.items()},
            tallies=Tallies(7, tables),
            conversion=replace(one.conversion, structure=chain.to_dict()),
        )

    base = {"contrast": 50, "colour": 50}
    found = tune(
        [capture(base), capture({**base, "contrast": 30}), capture({**base, "colour": 70})],
        capture({"contrast": 41, "colour": 63}, "Goal"),
    )
    contrast, colour = found.controls
    assert (contrast.stage, colour.stage) == ("before", "after")
    assert contrast.responses["gain"].table[0, 0] == pytest.approx(0.9, abs=2e-3)
    assert found.modes[0].proposals[0].settings["contrast"] == pytest.approx(41, abs=1)
    assert found.modes[0].proposals[0].settings["colour"] == pytest.approx(63, abs=1)
    assert found.ranges["contrast"] == (30, 50, "seen")


def test_a_control_of_another_kind_is_left_alone():
    of = device()
    captures = captured(of, start=(BASE, ALONE[0]))
    bent = measured(of, SOURCE, {**BASE, "colour": 70})
    tables = dict(bent.tallies.tables)
    luma = (tables["patch_sum_capture"] / 16)[:, 0]
    tables["patch_sum_capture"] = tables["patch_sum_capture"].copy()
    bow = 40 * np.sin(np.pi * (luma - 64) / 876)
    tables["patch_sum_capture"][:, 0] += (16 * np.round(bow)).astype(np.int64)
    bent = replace(bent, tallies=Tallies(7, tables))
    found = tune([*captures, bent], "bt2446a")
    assert [control.name for control in found.controls] == ["contrast"]
    assert "none of gain, lift, saturation and hue" in found.held["colour"]


def test_a_response_keeps_the_registers_that_agree():
    """Three settings that share a register, seen twice: the unseen steps stay in doubt."""
    truth = [0.01 * np.floor(setting / 3) for setting in range(31)]
    seen = [Point(at, truth[at], 1e-5) for at in (0, 30)]
    more = [Point(at, truth[at], 1e-5) for at in (0, 7, 14, 20, 22, 30)]
    few, _ = respond(seen, 0, 30, np.random.default_rng(1))
    many, _ = respond(more, 0, 30, np.random.default_rng(1))
    spread = few.table[1:].std(axis=0), many.table[1:].std(axis=0)
    assert spread[0][15] > 2 * spread[1][15]
    assert spread[0][30] < 1e-4
    low, high = np.percentile(few.table, (1, 99), axis=0)
    assert (low - 0.005 <= truth).all()
    assert (truth <= high + 0.005).all()


@pytest.mark.parametrize(
    ("captures", "options", "match"),
    [
        ([], {}, "Nothing to tune"),
        ([BASE], {}, "No setting differs"),
        ([BASE, {**BASE, "contrast": "high"}], {}, "not always a whole number"),
        ([BASE, ALONE[0]], {"ranges": {"tint": (0, 9)}}, "does not vary"),
        ([BASE, ALONE[0]], {"ranges": {"contrast": (9, 9)}}, "is empty"),
        (
            [BASE, {**BASE, "contrast": 60, "colour": 60}],
            {},
            "None of the controls could be learnt",
        ),
    ],
)
def test_what_cannot_be_tuned(captures, options, match):
    made = [measured(device(), SOURCE, BASE) for _ in captures]
    made = [
        replace(one, settings={key: str(value) for key, value in settings.items()})
        for one, settings in zip(made, captures, strict=True)
    ]
    with pytest.raises(UsageError, match=match):
        tune(made, "bt2446a", **options)


def test_a_mode_shown_two_sources_and_a_target_of_another_are_refused():
    one, other = captured(device(), start=(BASE, ALONE[0]))
    sdr = replace(other, source=replace(other.source, signal=Signal()))
    with pytest.raises(UsageError, match="state modes of two names"):
        tune([one, sdr], "bt2446a")
    with pytest.raises(UsageError, match="was shown an SDR source"):
        tune([one, other], sdr)


def test_another_device_is_refused():
    one, other = captured(device(), start=(BASE, ALONE[0]))
    with pytest.raises(UsageError, match="tune one device with one firmware at a time"):
        tune([one, replace(other, firmware="9")], "bt2446a")


def test_the_command(tmp_path, capsys):
    of = device()
    files = []
    for at, one in enumerate(captured(of, start=(BASE, ALONE[0], ALONE[2]))):
        files.append(str(tmp_path / f"é {at}.h5"))
        save(one, files[-1])
    goal = str(tmp_path / "goal.h5")
    save(reference(of, {**BASE, "contrast": 63, "colour": 59}), goal)
    words = ["tune", *files, "--toward", goal, "--range", "contrast=40:70", "--json"]
    assert main(words) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["modes"][0]["proposals"][0]["settings"]["contrast"] in {62, 63, 64}
    assert main([*words[:-1], "--range", "contrast=forty"]) == 2
    assert "write it as NAME=LOW:HIGH" in capsys.readouterr().err
    assert main(["tune", *files, "--toward", "bt9999"]) == 2
    assert "no standard conversion 'bt9999'" in capsys.readouterr().err


def test_helpers_of_the_study_are_sound():
    """The study's own decoding: an unmoved menu leaves the converter alone."""
    assert make_measurement().settings  # the base of what `measured` makes
    out = CONVERTERS[0].signal(pq_light(np.full((1, 3), pq_signal(100.0))))
    assert device().coded(out, BASE)[0, 0] == np.floor(876 * ycbcr_of(
        rgb_of(out, "bt709"), "bt709")[0, 0] + 64.5)  # fmt: skip
