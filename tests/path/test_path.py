"""Chains of steps that made a capture are found again, and what no step does is said.

Faults come from `faults/injury.py`, written from the standards without a look at the model.
"""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from faults.injury import on_planes
from faults.study import Case, Content, capture_of, recording, registered, rounded

from tonelab.checks.whole import answered, as_a_whole
from tonelab.pairing import pair
from tonelab.path.account import account_of
from tonelab.path.chain import Chain, Placed, capture_codes
from tonelab.path.evidence import _Grid, interpolated
from tonelab.path.steps import STEPS, Medium
from tonelab.results import CheckResult, Finding
from tonelab.signal.description import Signal

MIDDLE, LARGE = 1, 2
PQ = Signal("bt2020", "narrow", "pq", "bt2020", siting="topleft")
SDR8 = Signal("bt709", "narrow", "bt1886", "bt709", bits=8)


def account(content, names=(), sizes=(), what=None):
    case = Case(content, names, sizes)
    what = what or recording(names, sizes)
    made = Content(content, case.seed, what)
    source, capture = made.source(1.0), None
    capture = capture_of(made, what, case)
    chart = made.layout is not None
    both = registered(source, capture, made.layout) if chart else pair(source, capture)
    return account_of(both, source.signal)


@pytest.mark.parametrize(
    ("content", "faults", "words"),
    [
        ("chart", (), r"^nothing$"),
        ("natural", (), r"^nothing$"),
        ("chart", (("gain", LARGE),), r"^picture controls: contrast 0\.(9|8999)\d*\b(?!.*then)"),
        ("chart", (("matrix 601 as 709", LARGE),), r"^decoded with BT.601, coded with BT.709$"),
        pytest.param(
            *("chart", (("R'G'B' stage", LARGE),), r"^an R'G'B' stage of 8 bits, full range$"),
            marks=pytest.mark.long,
        ),
        pytest.param(
            *(
                "natural",
                (("blurred", LARGE),),
                r"^luma blurred: spread 0\.(90|899)\d* ± 0\.000\d* px$",
            ),
            marks=pytest.mark.long,
        ),
        pytest.param(
            *("natural", (("noise reduced", MIDDLE),), r"^luma smoothed over 1.2 px .* 8 codes$"),
            marks=pytest.mark.long,
        ),
        pytest.param(
            *(
                "natural",
                (("dynamic", MIDDLE),),
                r"contrast that follows the picture: slope -0\.1[23]",
            ),
            marks=pytest.mark.long,
        ),
        pytest.param(
            "natural",
            (("sharpened", MIDDLE), ("saturation", MIDDLE)),
            r"(?=.*sharpened: wide 0.8, amount (0\.2|0\.199)\d*)(?=.*saturation 0\.9[78]\d*)",
            marks=pytest.mark.long,
        ),
        pytest.param(
            "natural",
            (("compressed as rgb", MIDDLE), ("primaries narrowed", MIDDLE)),
            r"^range compressed by mistake as R'G'B' of 10 bits, then primaries .* BT.709$",
            marks=pytest.mark.long,
        ),
    ],
    ids=lambda value: str(value) if isinstance(value, tuple) else "",
)
def test_the_steps_of_a_path_are_found_in_their_order(content, faults, words):
    names, sizes = zip(*faults, strict=True) if faults else ((), ())
    found, left = account(content, names, sizes)
    assert re.search(words, found.describe()), found.describe()
    assert found.predicted > 0.99
    assert left.value < 0.05


def darker_corners(planes, share, _):
    luma = planes[0]
    down, across = (np.linspace(-0.5, 0.5, n) for n in luma.shape)
    away = down[:, None] ** 2 + across**2
    return rounded(64 + (luma - 64.0) * (1 - share * away)), *planes[1:]


def filtered_along_rows(planes, *_):
    luma = np.pad(planes[0].astype(float), ((0, 0), (1, 1)), "edge")
    return rounded(luma[:, :-2] / 4 + luma[:, 1:-1] / 2 + luma[:, 2:] / 4), *planes[1:]


def bent_curve(planes, *_):
    light = np.maximum((planes[0] - 64.0) / 876, 0)
    return rounded(np.where(planes[0] > 64, 64 + 876 * light**1.05, planes[0])), *planes[1:]


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (filtered_along_rows, r"^luma filtered along rows by 0\.250, 0\.500, 0\.250 \(weight ±"),
        (bent_curve, r"^a bent curve: of Y', exponent 1\.0(50|499)\d* ± 0\.000\d*$"),
    ],
)
def test_faults_of_luma_alone_are_found(fault, words):
    found, left = account("natural", what=on_planes(fault)(recording((), ()), 1.0))
    assert re.search(words, found.describe()), found.describe()
    assert found.predicted > 0.99
    assert left.value < 0.05


@pytest.mark.long
def test_what_no_step_does_is_no_transparent_path():
    what = on_planes(darker_corners)(recording((), ()), 0.3)
    found, left = account("natural", what=what)
    assert left.value > 2
    assert left.plane == "Y'"
    same = CheckResult("levels", "levels", (Finding("levels", "info", "", verdict="transparent"),))
    whole = as_a_whole(found, left, [same])
    assert whole.verdict == "not transparent"
    assert whole.findings[0].id == "path-unexplained"
    # Where a check names what no step can be, what is left may be of that.
    cover = Finding("moving-overlay", "warning", "", verdict="not transparent")
    named = as_a_whole(found, left, [CheckResult("overlay", "", (cover,))])
    assert named.verdict == "cannot tell"
    assert named.findings[0].decided_by


def test_a_chain_that_predicts_the_codes_answers_the_checks():
    found, left = account("natural", ("saturation",), (LARGE,))
    blamed = [
        CheckResult(name, "", (Finding(f"{name}-x", "warning", "", verdict="not transparent"),))
        for name in ("hue", "saturation", "clipping")
    ]
    # No step of the chain turns hue; one changes saturation; few samples show what is clipped.
    verdicts = [result.verdict for result in answered(blamed, found, left)]
    assert verdicts == ["transparent", "not transparent", "not transparent"]
    # A chain that leaves more says nothing on what a path does not do.
    vague = replace(found, predicted=0.9)
    assert answered(blamed, vague, left) == blamed


def test_a_transparent_path_is_called_so_with_its_figures():
    whole = as_a_whole(*account("natural"), [])
    assert whole.verdict == "transparent"
    assert whole.findings[0].value == 0
    assert whole.findings[0].count > 1000


@pytest.mark.outside("BT.709-6 item 3.2 and BT.2100-2 table 9", "published")
def test_identity_gives_the_same_signal_in_the_codes_of_the_capture():
    """Black, nominal peak and neutral: 16, 235, 128 of 8 bits are 64, 940, 512 of 10."""
    signal = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0]])
    for capture, black, peak, neutral in (
        (replace(SDR8, bits=10), 64, 940, 512),
        (SDR8, 16, 235, 128),
        (replace(SDR8, bits=10, range="full"), 0, 1023, 512),
    ):
        codes = capture_codes(signal, Medium(SDR8), capture)
        np.testing.assert_allclose(codes[:, 0], [black, peak], atol=1e-9)
        np.testing.assert_allclose(codes[:, 1:], neutral, atol=1e-9)
    rgb = replace(SDR8, bits=10, matrix="rgb")
    np.testing.assert_allclose(capture_codes(signal, Medium(SDR8), rgb), [[64] * 3, [940] * 3])


@pytest.mark.outside("BT.601-7 and BT.709-6 luma weights", "published")
def test_a_matrix_mix_up_in_figures():
    """Pure red of BT.601, read as BT.709: R' = 0.299 + 1.5748 * 0.5, by hand."""
    red = np.array([[0.299, -0.299 / 1.772, 0.5]])
    step = Placed.of("matrix-mix-up", {"read": "bt709", "coded": "bt709"})
    np.testing.assert_allclose(step.applied(red, Medium(SDR8)), red, atol=1e-12)
    mixed = Placed.of("matrix-mix-up", {"read": "bt709", "coded": "bt601"})
    r, b = 0.299 + 1.5748 * 0.5, 0.299 - 1.8556 * 0.299 / 1.772
    g = (0.299 - 0.2126 * r - 0.0722 * b) / 0.7152
    luma = 0.299 * r + 0.587 * g + 0.114 * b
    expected = [[luma, (b - luma) / 1.772, (r - luma) / 1.402]]
    np.testing.assert_allclose(mixed.applied(red, Medium(SDR8)), expected, atol=1e-12)


@pytest.mark.parametrize("bits", [8, 10])
def test_a_stage_of_as_many_bits_as_the_source_changes_nothing(bits):
    source = replace(SDR8, bits=bits)
    codes = np.arange(0.0, 2**bits)
    signal = np.column_stack(
        [(codes - 2 ** (bits - 4)) / (219 * 2 ** (bits - 8)), codes * 0, codes * 0]
    )
    for how in ("rounded", "cut off"):
        stage = Placed.of("bits", {"bits": bits, "how": how, "of": "all"})
        np.testing.assert_allclose(stage.applied(signal, Medium(source)), signal, atol=1e-12)


def test_every_step_gives_signals_of_the_shape_it_was_given():
    """In pictures as in lists of colours, and the same values in both."""
    generator = np.random.default_rng(1)
    pieces = generator.uniform(-0.3, 0.9, (2, 12, 16, 3))
    around = generator.uniform(0, 1, (2, 12, 16, 3))
    medium = Medium(PQ, 2, around[..., 0], around)
    listed = Medium(PQ, 2, around[..., 0].ravel(), around.reshape(-1, 3))
    for name, step in STEPS.items():
        for settings in step.tried(medium, pieces.reshape(-1, 3), pieces.reshape(-1, 3) + 0.01):
            placed = Placed.of(name, settings)
            after = placed.applied(pieces, medium)
            assert after.shape == pieces.shape, name
            assert np.isfinite(after).all(), name
            if not step.spatial:
                flat = placed.applied(pieces.reshape(-1, 3), listed)
                np.testing.assert_allclose(flat, after.reshape(-1, 3), atol=1e-12)


def test_contrast_follows_no_scene_where_there_is_one_alone():
    tried = STEPS["follows-scene"].tried
    signal = np.zeros((4, 3))
    assert tried(Medium(PQ, 2, np.array([0.3, 0.3, 0.305, 0.3])), signal, signal) == []
    assert tried(Medium(PQ, 2, np.array([0.3, 0.3, 0.4, 0.3])), signal, signal) == [{}]


@pytest.mark.parametrize("siting", ["left", "centre", "topleft"])
def test_chroma_of_420_held_against_420_is_taken_where_it_stands(siting):
    generator = np.random.default_rng(5)
    planes = [generator.integers(64, 940, shape) for shape in ((32, 48), (16, 24), (16, 24))]
    view = SimpleNamespace(source=planes, capture=planes, mask=np.ones((32, 48), bool))
    rows, columns = np.mgrid[:32, :48:2]
    codes = _Grid(view, ((2, 2), (2, 2)), siting).at(rows, columns)
    np.testing.assert_array_equal(codes[..., :3], codes[..., 3:6])


def test_values_between_samples_lie_on_a_line():
    plane = np.add.outer(10.0 * np.arange(4), np.arange(5.0))
    rows, columns = np.array([0.5, 1.25, -1.0]), np.array([1.5, 3.0, 9.0])
    np.testing.assert_allclose(interpolated(plane, rows, columns), [6.5, 15.5, 4.0])


def test_a_chain_is_said_in_words():
    chain = Chain((Placed("bits", {"bits": 8, "how": "cut off", "of": "luma"}),))
    assert chain.describe() == "8 bits of luma, cut off"
    assert Chain().describe() == "nothing"
