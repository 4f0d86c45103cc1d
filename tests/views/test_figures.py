"""Figures carry units, bands and floors, stay apart for all eyes, and are written whole."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import colour
import matplotlib.colors
import numpy as np
import pytest
from make_measurement import make_measurement

from tonelab.cli import main
from tonelab.compare import compare
from tonelab.curvefile import load, save
from tonelab.errors import UsageError
from tonelab.results import LuminanceCurve
from tonelab.scores.gradients import gradient_steps
from tonelab.scores.residuals import ColourResiduals, colour_residuals
from tonelab.signal.colorimetry import rgb_to_ycbcr
from tonelab.views.figures import (
    FIGURES,
    chroma_figure,
    colour_residual_figure,
    comparison_figure,
    distance_figure,
    gradient_figure,
    hue_figure,
    luminance_figure,
    residual_figure,
    save_figure,
    score_figure,
)
from tonelab.views.style import DARK, LIGHT

STANDARD = Path(__file__).parents[2] / "curves" / "standards" / "bt2446a-1000.h5"
# BT.2408-7 table 1: PQ signal of 18 % grey, of diffuse white, and of 1000 cd/m2, in percent.
PQ_PERCENT = {26.0: 38, 203.0: 58, 1000.0: 75}


@pytest.fixture(scope="module")
def measurements():
    return [make_measurement("A"), make_measurement("B", peak=10.0)]


def texts(figure):
    figure.canvas.draw()
    return [
        text.get_text() for text in figure.findobj(match=lambda artist: hasattr(artist, "get_text"))
    ]


def figures(measurements, *, dark=False):
    one = measurements[0]
    return {
        "luminance": luminance_figure(one, dark=dark),
        "comparison": comparison_figure(measurements, compare(measurements), dark=dark),
        "distance": distance_figure(compare(measurements), dark=dark),
        "hues": hue_figure(compare(measurements), dark=dark),
        "chroma": chroma_figure(one, dark=dark),
        "score": score_figure(one, dark=dark),
        "residual": residual_figure(one, dark=dark),
    }


def test_every_axis_names_its_unit(measurements):
    expected = {
        "luminance": ("capture luma code", "codes", "PQ code of the source light (10-bit narrow)",
                      "source light, cd/m2"),
        "comparison": ("capture luma code (10-bit narrow)", "difference, codes"),
        "chroma": ("hue rotation, degrees", "chroma ratio",
                   "source hue in the Cb/Cr plane, degrees"),
        "distance": ("Mean ΔE_ITP between the devices",),
        "hues": ("hue rotation, degrees", "chroma ratio", "A", "B"),
        "score": ("ΔE_ITP",),
        "residual": ("held-out residual, codes RMS",),
    }  # fmt: skip
    for name, figure in figures(measurements).items():
        shown = texts(figure)
        for label in expected[name]:
            assert label in shown, (name, label)


def test_assumed_display_is_named(measurements):
    shown = " ".join(texts(luminance_figure(measurements[0])))
    assert "BT.1886 display, 100 cd/m2, black 0 cd/m2 (assumed)" in shown


def test_clipped_part_is_dashed_and_only_that(measurements):
    one = measurements[0]
    curve = one.luminance_curve
    solid, dashed = luminance_figure(one).axes[0].lines[:2]
    assert not dashed.get_linestyle() == solid.get_linestyle() == "-"
    np.testing.assert_array_equal(np.isnan(solid.get_ydata()), curve.clipped)
    drawn = ~np.isnan(dashed.get_ydata())
    assert drawn[curve.clipped].all()
    assert drawn.sum() == curve.clipped.sum() + 1  # one point shared with the solid part


def test_light_ticks_stand_at_their_pq_codes(measurements):
    figure = luminance_figure(measurements[0])
    figure.canvas.draw()
    (top,) = figure.axes[0].child_axes
    at = {
        float(tick.get_text()): position
        for tick, position in zip(top.get_xticklabels(), top.get_xticks(), strict=True)
    }
    for light, percent in PQ_PERCENT.items():
        assert at[light] == pytest.approx(64 + 8.76 * percent, abs=0.5 * 8.76)


def floors(figure):
    return [
        line
        for axes in figure.axes
        for line in axes.lines
        if str(line.get_label()).startswith("floor")
    ]


def test_every_residual_has_its_floor_line(measurements):
    drawn = figures(measurements)
    one = measurements[0]
    for name, value in (("luminance", 12**-0.5), ("comparison", (2 / 12) ** 0.5)):
        assert floors(drawn[name])[0].get_ydata()[0] == pytest.approx(value)
    assert floors(drawn["score"])[0].get_xdata()[0] == one.scores[0].floor
    assert floors(drawn["residual"])[0].get_xdata()[0] == one.conversion.floor_codes_rms


def test_landmarks_on_the_curve_are_labelled_without_collision(measurements):
    one = measurements[0]
    near = replace(one.landmarks[1], label="Just above white", luminance=205.0)
    figure = luminance_figure(replace(one, landmarks=(*one.landmarks, near)))
    figure.canvas.draw()
    labels = [text for text in figure.axes[0].texts if text.get_text()]
    shown = {text.get_text() for text in labels}
    assert shown == {"18 % grey", "Diffuse white", "Just above white", "1000 cd/m2"}
    boxes = [super(type(text), text).get_window_extent() for text in labels]
    assert not any(a.overlaps(b) for a, b in itertools.combinations(boxes, 2))


def test_residuals_by_colour_are_those_of_the_measurement():
    """The curve file alone gives what identification left on the very colours it was made from."""
    one = load(STANDARD)
    left = colour_residuals(one)
    assert len(left.residual) == one.conversion.count
    assert np.sqrt(np.mean(left.residual**2)) == pytest.approx(one.conversion.residual_codes_rms)
    assert left.floor == pytest.approx(one.conversion.floor_codes_rms)
    figure = colour_residual_figure(one)
    upper, lower = figure.axes
    dots = lower.lines[0].get_ydata()
    assert len(dots) == len(left.residual)
    np.testing.assert_allclose(dots.max(), left.rms.max())
    assert np.isnan(upper.lines[0].get_xdata()).sum() == np.isnan(left.hue).sum() > 0
    assert {"residual, codes RMS", "source hue in the Cb/Cr plane, degrees", "median"} <= set(
        texts(figure)
    )
    assert len(floors(figure)) == 2
    with pytest.raises(UsageError, match="measure an SDR output"):
        colour_residuals(replace(one, conversion=replace(one.conversion, structure={})))


def test_hues_turn_from_blue_over_red():
    """Angles by hand from the Y'CbCr of BT.2020-2, table 4; greys have no hue."""
    signal = rgb_to_ycbcr(np.array([[0, 0, 0.5], [0.5, 0, 0], [0.5, 0.5, 0.5]]), "bt2020")
    blue, red, grey = ColourResiduals(signal, np.zeros((3, 3)), 0.29, within=False).hue
    assert blue == pytest.approx(355.4, abs=0.1)
    assert red == pytest.approx(105.6, abs=0.1)
    assert np.isnan(grey)


def test_unseen_hues_are_gaps(measurements):
    ratio = chroma_figure(measurements[0]).axes[1].lines[2].get_ydata()
    assert np.isnan(ratio[3])
    assert np.isfinite(np.delete(ratio, 3)).all()


def test_show_draws_the_figure_asked_for(tmp_path, capsys):
    path, figure = tmp_path / "a.h5", tmp_path / "chroma é.pdf"
    save(make_measurement(), path)
    assert main(["show", "--help"]) == 0
    assert f"[{'|'.join(FIGURES)}]" in capsys.readouterr().out
    assert main(["show", str(path), "-o", str(figure), "--figure", "none"]) == 2
    assert ", ".join(map(repr, FIGURES)) in capsys.readouterr().err
    assert main(["show", str(path), "-o", str(figure), "--figure", "chroma", "--json"]) == 0
    assert figure.read_bytes().startswith(b"%PDF")
    assert "Drawn in" in capsys.readouterr().err
    assert main(["show", str(path), "-o", str(figure)]) == 2
    assert "exists already" in capsys.readouterr().err


def test_gradient_steps_are_those_that_were_counted():
    """A curve of every source code; the simulated device lets some pairs fall together."""
    one = make_measurement()
    code = np.arange(64.0, 725.0)
    arrays = {
        name: np.interp(code, one.luminance_curve.source_code, getattr(one.luminance_curve, name))
        for name in ("luminance", "code", "smooth", "low", "high")
    }
    curve = LuminanceCurve(
        source_code=code, **arrays, count=np.ones(len(code), np.int64),
        clipped=arrays["smooth"] >= 939.5,
    )  # fmt: skip
    one = replace(one, luminance_curve=curve)
    figure = gradient_figure([one, one], ["A", "B"])
    shown = texts(figure)
    for steps in gradient_steps(one):
        assert shown.count(f"{steps.kept} of {steps.steps}, widest {steps.widest}") == 2
    assert {"A", "B", "steps of the source that stay steps, %"} <= set(shown)
    with pytest.raises(UsageError, match="No neighbouring greys were measured"):
        gradient_figure([make_measurement()], ["A"])


def test_nothing_to_score_is_said():
    with pytest.raises(UsageError, match="no scores to draw"):
        score_figure(make_measurement(scores=()))


@pytest.mark.parametrize("kind", ["svg", "pdf", "png"])
def test_files_are_whole_and_reproducible(measurements, tmp_path, kind):
    one, two = tmp_path / f"été 1.{kind}", tmp_path / f"2.{kind}"
    for path in (one, two):
        save_figure(score_figure(measurements[0], dark=True), path)
    assert one.read_bytes() == two.read_bytes()
    start = {"svg": b"<?xml", "pdf": b"%PDF", "png": b"\x89PNG"}[kind]
    assert one.read_bytes().startswith(start)
    with pytest.raises(UsageError, match="exists already"):
        save_figure(score_figure(measurements[0]), one)
    assert sorted(tmp_path.iterdir()) == sorted([one, two])


def test_a_failure_leaves_nothing(measurements, tmp_path, monkeypatch):
    figure = score_figure(measurements[0])

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(UsageError, match="cannot be written: No space left"):
        save_figure(figure, tmp_path / "a.svg")
    assert not list(tmp_path.iterdir())


def test_other_suffixes_are_refused(measurements, tmp_path):
    with pytest.raises(UsageError, match=r"end the name in \.svg, \.pdf or \.png"):
        save_figure(score_figure(measurements[0]), tmp_path / "a.jpg")


def test_drawing_leaves_no_global_trace(measurements):
    before = dict(matplotlib.rcParams)
    figures(measurements, dark=True)
    assert dict(matplotlib.rcParams) == before


@pytest.mark.outside("Machado 2009, in colour-science", "library")
@pytest.mark.parametrize("style", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.filterwarnings("ignore:.*tritanomaly")
@pytest.mark.parametrize("deficiency", ["Protanomaly", "Deuteranomaly", "Tritanomaly"])
def test_series_stay_apart_for_any_colour_vision(style, deficiency):
    """Machado et al. 2009 at full severity; CIE 1976 difference of any two colours."""
    matrix = colour.blindness.matrix_cvd_Machado2009(deficiency, 1.0)
    linear = colour.models.eotf_sRGB(
        np.array([matplotlib.colors.to_rgb(one) for one in style.series])
    )
    seen = colour.models.eotf_inverse_sRGB(np.clip(linear @ matrix.T, 0, 1))
    colours = colour.XYZ_to_Lab(colour.sRGB_to_XYZ(seen))
    nearest = min(np.linalg.norm(a - b) for a, b in itertools.combinations(colours, 2))
    assert nearest > 12


@pytest.mark.outside("WCAG 2.2, 1.4.3", "published")
@pytest.mark.parametrize("style", [LIGHT, DARK], ids=["light", "dark"])
def test_text_has_the_contrast_of_wcag_aa(style):
    def luminance(one):
        return colour.sRGB_to_XYZ(np.array(matplotlib.colors.to_rgb(one)))[1]

    ground = luminance(style.ground)
    for ink, least in ((style.ink, 7.0), (style.muted, 3.0), *((c, 2.1) for c in style.series)):
        low, high = sorted((ground, luminance(ink)))
        assert (high + 0.05) / (low + 0.05) > least, ink
