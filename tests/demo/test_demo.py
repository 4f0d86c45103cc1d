"""The demonstration: its devices against published values, its answers against the truth."""

from __future__ import annotations

import json
import re
from fractions import Fraction

import numpy as np
import pytest

import tonelab.demo  # noqa: F401 - makes the scenario's modules importable
from tonelab.chart import Layout
from tonelab.cli import main
from tonelab.media import open_clip

from tonelab.demo import devices, notebook, playback  # isort: skip
from tonelab.demo.scenario import Scenario  # isort: skip
from tonelab.demo.summary import facts, summarise  # isort: skip

LAYOUT = Layout.create("quick", 960, 540, hold=6)
MEASURED = (devices.BRELLUNO, devices.QUOSKIMER, devices.ORVIMBLE)


def silent(*_):
    pass


@pytest.fixture(scope="module")
def scenario(tmp_path_factory):
    """The scenario with its chart written and nothing else."""
    made = Scenario(tmp_path_factory.mktemp("demo") / "été 1" / notebook.FOLDER, LAYOUT, MEASURED)
    next(made.steps()).make(silent)
    return made


@pytest.fixture(scope="module")
def measurements(scenario):
    from tonelab.curvefile import load

    for step in scenario.steps():
        if step.outputs[-1].suffix in {".mov", ".toml", ".html"}:
            step.make(silent)
    return [load(scenario.curve_file(device)) for device in MEASURED]


# SMPTE ST 2084: code 573 of a 10-bit narrow-range signal is 203.703 cd/m2.
@pytest.mark.outside("SMPTE ST 2084", "published")
def test_pq_follows_its_standard():
    light = devices.pq_to_light(np.array([0.508078, 509 / 876]))
    np.testing.assert_allclose(light, [100.0, 203.703], rtol=1e-5)
    np.testing.assert_allclose(devices.light_to_pq(light), [0.508078, 509 / 876], rtol=1e-9)


# ITU-R BT.2390-11 5.4.1 with sources of 1000 and 4000 cd/m2 on displays of 100 and 203 cd/m2.
@pytest.mark.outside("BT.2390-11 5.4.1", "published")
@pytest.mark.parametrize(
    ("peak", "target", "values"),
    [
        (1000, 100, [10, 46.143, 69.454, 88.244, 97.598, 99.575, 100]),
        (1000, 203, [10, 50, 99.361, 159.042, 193.609, 201.324, 203]),
        (4000, 100, [10, 37.799, 55.146, 72.620, 86.161, 91.990, 96.800]),
    ],
)
def test_eetf_follows_bt2390(peak, target, values):
    light = np.array([10.0, 50, 100, 203, 400, 600, 1000])
    np.testing.assert_allclose(devices.eetf(light, peak, target), values, atol=6e-4)


# Hable 2010 with exposure 2 and white 11.2; Reinhard et al. 2002, equation 4, white 4.
@pytest.mark.outside("Hable 2010; Reinhard 2002", "published")
def test_the_other_curves_follow_their_articles():
    hable = devices.filmic(np.array([0.18, 1, 2, 5.6]), white=0.5, peak=5.6)
    np.testing.assert_allclose(hable, [0.128338, 0.492919, 0.713238, 1], atol=6e-7)
    reinhard = devices.photographic(np.array([0.18, 1, 2, 4]), middle=1, peak=4)
    np.testing.assert_allclose(reinhard, [0.154258, 0.53125, 0.75, 1], atol=6e-7)


# ITU-R BT.2390-11 5.4.1: (600, 100, 20) cd/m2 on R'G'B' for a display of 100 cd/m2.
@pytest.mark.outside("BT.2390-11 5.4.1", "published")
def test_brelluno_maps_each_channel():
    shown = 100 * devices.brelluno(np.array([[600.0, 100, 20]]))
    np.testing.assert_allclose(shown, [[99.58, 69.45, 20.00]], atol=6e-3)


def test_quoskimer_fades_colour_only_above_its_threshold():
    light = np.array([[200.0, 100, 50], [4000, 3000, 2000]])
    shown = devices.quoskimer(light)
    np.testing.assert_allclose(shown[0] / shown[0, 0], light[0] / light[0, 0])
    assert np.ptp(shown[1]) / shown[1].max() < 0.1 * np.ptp(light[1]) / light[1].max()


def test_orvimble_keeps_proportions():
    light = np.array([[300.0, 100, 20]])
    shown = devices.orvimble(light, peak=600)
    np.testing.assert_allclose(shown / light, np.full((1, 3), shown[0, 0] / 300))
    np.testing.assert_allclose(devices.orvimble(np.full((1, 3), 600.0), peak=600), 1)


# ITU-R BT.709-6: black and peak white stand at 64 and 940, neutral chroma at 512.
@pytest.mark.parametrize("device", devices.DEVICES, ids=lambda device: device.title)
def test_devices_give_legal_codes(device):
    codes = device.codes(np.array([[64, 512, 512], [940, 512, 512]]))
    np.testing.assert_array_equal(codes, [[64, 512, 512], [940, 512, 512]])
    random = np.random.default_rng(1).integers((64, 64, 64), (941, 961, 961), (500, 3))
    shown = device.codes(random)
    assert shown[:, 0].min() >= 64
    assert shown[:, 0].max() <= 940
    assert np.gcd.reduce(shown[:, 0].astype(int)) == 2 ** (10 - device.bits)


def noise(count):
    """Small 4:2:0 frames, each changed in a few places against the one before."""
    random = np.random.default_rng(7)
    planes = [random.integers(64, 941, (h, w), np.uint16) for h, w in ((8, 12), (4, 6), (4, 6))]
    for _ in range(count):
        for plane in planes:
            plane[random.integers(plane.shape[0]), random.integers(plane.shape[1])] = 500
        yield tuple(plane.copy() for plane in planes)


def test_playing_converts_each_pixel_whatever_came_before():
    played = list(playback.play(noise(6), devices.ORVIMBLE))
    for (luma, blue, red), (y, cb, cr) in zip(noise(6), played, strict=True):
        for row, column in np.ndindex(y.shape):
            source = [luma[row, column], blue[row // 2, column // 2], red[row // 2, column // 2]]
            code = devices.ORVIMBLE.codes(np.array([source], np.int32))[0]
            assert y[row, column] == code[0]
            if column % 2 == 0:
                assert (cb[row, column // 2], cr[row, column // 2]) == tuple(code[1:])


def test_playing_starts_late_and_drops_and_repeats():
    from dataclasses import replace

    faulty = replace(devices.BRELLUNO, late=2, dropped=(4,), repeated=(5,))
    whole = [planes[0] for planes in playback.play(noise(7), devices.BRELLUNO)]
    shown = [planes[0] for planes in playback.play(noise(7), faulty)]
    for plane, number in zip(shown, (2, 3, 5, 5, 6), strict=True):
        np.testing.assert_array_equal(plane, whole[number])


@pytest.mark.long
def test_the_answers_are_the_truth(measurements):
    for device, measurement in zip(MEASURED, measurements, strict=True):
        for fact in facts(device, measurement):
            assert fact.right, f"{device.title}: {fact}"


@pytest.mark.long
def test_the_example_notebook_shows_what_its_code_gives(scenario, measurements):
    """Its words as they stand in the file, though these clips are smaller; pictures anew."""
    kept = json.loads(notebook.NOTEBOOK.read_text(encoding="utf-8"))
    cells = [cell for cell in kept["cells"] if cell["cell_type"] == "code"]
    found = notebook.outputs(kept, scenario.folder.parent)
    assert len(found) == len(cells) > 5
    for cell, shown in zip(cells, found, strict=True):
        assert [sorted(one) for one in shown] == [sorted(one) for one in cell["outputs"]]
        for one, before in zip(shown, cell["outputs"], strict=True):
            if one["output_type"] == "stream":
                assert one["text"] == before["text"]
            else:
                assert list(one["data"]) == list(before["data"]) == ["text/html", "text/plain"]
    assert notebook.NOTEBOOK.stat().st_size < 500_000


@pytest.mark.long
def test_the_plan_is_carried_out(scenario, measurements):
    record = json.loads((scenario.results / "run.json").read_text(encoding="utf-8"))
    assert (record["state"], record["failing"]) == ("finished", [])
    assert [one["step"] for one in record["outcomes"]] == (
        ["measure"] * 3 + ["draw"] * 3 + ["compare", "report"]
    )
    assert "Players that do not exist" in scenario.page.read_text(encoding="utf-8")


@pytest.mark.long
def test_the_late_start_is_seen(measurements):
    assert measurements[1].pairing.first_frame > measurements[0].pairing.first_frame


@pytest.mark.long
def test_the_summary_counts_its_own_table(measurements):
    text = summarise(MEASURED, measurements)
    total = sum(len(list(facts(*pair))) for pair in zip(MEASURED, measurements, strict=True))
    assert f"Of {total} things that were built in, it found {total}." in " ".join(text.split())
    assert all(f"## {device.title}" in text for device in MEASURED)


@pytest.mark.long
def test_a_wrong_answer_is_not_counted_as_found(measurements):
    from dataclasses import replace

    brighter = replace(devices.BRELLUNO, tone=lambda light: 1.02 * devices.brelluno(light))
    wrong = [fact.what for fact in facts(brighter, measurements[0]) if not fact.right]
    assert wrong == ["26 cd/m2 becomes", "203 cd/m2 becomes", "1000 cd/m2 becomes"]


def test_steps_leave_distinct_files_in_the_folder(scenario):
    outputs = [path for step in scenario.steps() for path in step.outputs]
    assert len(set(outputs)) == len(outputs)
    assert all(path.is_relative_to(scenario.folder) for path in outputs)


def test_the_chart_is_the_layout(scenario):
    with open_clip(scenario.chart) as clip:
        assert (clip.width, clip.height, clip.rate) == (960, 540, Fraction(24000, 1001))
        assert sum(1 for _ in clip.frames()) == LAYOUT.frame_count


@pytest.fixture(scope="module")
def pictures(scenario, measurements):
    """Crops of two recordings: two places chosen, and one named in a flat corner of a patch."""
    from tonelab.views.pictures import Crop, make_pictures

    captures = [scenario.capture(device) for device in MEASURED[:2]]
    given = scenario.chart, [*captures, None], measurements
    chosen = make_pictures(*given, count=2, size=(160, 90))
    (named,) = make_pictures(*given, crops=[Crop(26, 301, 97, "a corner")], size=(64, 36))
    return chosen, named


@pytest.mark.long
def test_crops_are_the_samples_of_the_recording(scenario, measurements, pictures):
    """Against R'G'B' worked out by the demonstration's own equations (BT.709-6)."""
    from tonelab.demo.pictures import rgb_of

    for chosen in pictures[0]:
        frame, x, y = (int(word) for word in re.findall(r"(?:frame|x|y) (\d+)", chosen.place))
        assert frame >= LAYOUT.hold
        for shown, device in zip(chosen.shown[:2], MEASURED, strict=False):
            with open_clip(scenario.capture(device)) as clip:
                whole = rgb_of(next(clip.frames(shown.frame, shown.frame + 1)))
            # Chroma stands at every other sample; between them it is interpolated.
            cosited = slice(x % 2, None, 2)
            expected = np.round(255 * whole[y : y + 90, x : x + 160][:, cosited])
            np.testing.assert_allclose(shown.rgb[:, cosited], expected, atol=1)
            assert shown.scale == pytest.approx((1, 1), abs=2e-3)
        assert chosen.shown[2] is None


@pytest.mark.long
def test_places_differ_and_are_the_ones_that_differ_most(pictures):
    chosen, named = pictures
    assert len({one.label for one in chosen}) == 2
    for one in chosen:
        means = [shown.mean for shown in one.shown[:2]]
        assert max(means) > 10
        assert "furthest apart" in one.reason
    assert named.label == "a corner"
    assert named.source.shape == (36, 64, 3)


@pytest.mark.long
def test_the_source_is_rendered_by_the_standard(scenario, pictures):
    from tonelab.conversion.standards import STANDARDS

    _, named = pictures
    with open_clip(scenario.chart) as clip:
        luma, blue, red = next(clip.frames(26, 27)).planes
    code = np.array([[luma[110, 320], blue[55, 160], red[55, 160]]], np.int32)
    light = devices.pq_to_light(devices.to_rgb(code))
    rgb = STANDARDS["bt2446a"].convert(light, source_peak=1000)
    expected = np.round(255 * np.clip(rgb[0], 0, 1))
    np.testing.assert_allclose(named.source[110 - 97, 320 - 301], expected, atol=1)
    assert named.rendering.startswith("BT.2446 method A")


def test_difference_maps_follow_the_printed_scale():
    from tonelab.views.pictures import DIFFERENCE_SCALE, difference_colours

    for value, colour in DIFFERENCE_SCALE:
        np.testing.assert_array_equal(difference_colours(np.array(float(value))), colour)
    assert difference_colours(np.array(5000.0)).tolist() == list(DIFFERENCE_SCALE[-1][1])
    ramp = difference_colours(np.linspace(0, 100, 400)) @ (0.2126, 0.7152, 0.0722)
    assert (np.diff(ramp) > -1).all()


@pytest.mark.parametrize(("changes", "words"), [
    ({"standard": "none such"}, "is unknown: name one of"),
    ({"crops": ["far"]}, "leaves what all captures show"),
    ({"swap": True}, "is not the clip that was measured"),
    ({"captures": [None] * 3}, "no capture to show"),
])  # fmt: skip
@pytest.mark.long
def test_pictures_that_cannot_be_cut_are_one_sentence(scenario, measurements, changes, words):
    from tonelab.errors import UsageError
    from tonelab.views.pictures import Crop, make_pictures

    changes = dict(changes)
    captures = changes.pop("captures", [scenario.capture(MEASURED[0]), None, None])
    if changes.pop("swap", False):
        captures = [None, scenario.chart, None]
    if "crops" in changes:
        changes["crops"] = [Crop(26, 5000, 0)]
    with pytest.raises(UsageError, match=words):
        make_pictures(scenario.chart, captures, measurements, **changes)


@pytest.mark.long
def test_the_command_writes_the_page_with_pictures(scenario, tmp_path, capsys, measurements):
    device = MEASURED[0]
    files = [str(scenario.curve_file(device)), "-o", str(tmp_path / "a b.html")]
    clips = ["--source", str(scenario.chart), "--capture", str(scenario.capture(device))]
    assert main(["report", *files, *clips, "--crop", "26,301,97,the corner"]) == 0
    text = (tmp_path / "a b.html").read_text(encoding="utf-8")
    assert "The corner" in text
    assert "data:image/webp;base64," in text
    assert main(["report", *files]) == 2
    assert "exists already" in capsys.readouterr().err
    other = ["report", files[0], "-o", str(tmp_path / "c.html")]
    for wrong, words in (
        (clips[:2], "one capture for each curve file"),
        (["--crop", "1,2"], "needs the form FRAME,X,Y"),
        (["--crop", "1,2,3"], "give --source and --capture too"),
    ):
        assert main([*other, *wrong]) == 2
        assert words in " ".join(capsys.readouterr().err.split())
    assert [path.name for path in tmp_path.iterdir()] == ["a b.html"]


def test_the_command_keeps_what_is_finished(tmp_path, monkeypatch, capsys):
    from tonelab.demo.scenario import Step

    made = []

    def steps(self):
        for name in ("a", "b"):
            path = self.folder / name

            def make(_, path=path):
                made.append(path.name)
                path.touch()

            yield Step(f"Making {name}", (path,), make)

    monkeypatch.setattr(Scenario, "steps", steps)
    folder = tmp_path / "new" / "demo"
    folder.mkdir(parents=True)
    (folder / "a").touch()
    assert main(["demo", "-o", str(folder)]) == 0
    shown = capsys.readouterr()
    assert made == ["b"]
    assert "1 of 2  Making a (kept from an earlier run)" in shown.err
    assert str(folder) in shown.out
    assert main(["demo", "-o", str(folder), "--force", "-q"]) == 0
    assert made == ["b", "a", "b"]
    assert capsys.readouterr() == ("", "")


def test_a_file_in_place_of_the_folder_is_one_sentence(tmp_path, capsys):
    (tmp_path / "taken").touch()
    assert main(["demo", "-o", str(tmp_path / "taken")]) == 2
    assert "cannot be made" in capsys.readouterr().err
