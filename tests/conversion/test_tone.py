"""Properties that every tone curve must have, whoever registers it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tonelab.conversion import TONE_CURVES, FreeCurve
from tonelab.errors import UsageError
from tonelab.signal.transfer import eotf_inverse_pq, eotf_pq

if TYPE_CHECKING:
    from tonelab.conversion.parameters import Parameter

LIGHT = eotf_pq(np.linspace(0.01, 1.0, 400))

# Curves that meet SDR white nowhere, or not at a parameter named peak.
WHITE_AT = {"bt2390": "source_peak", "bt2446a": "hdr_peak", "linear": "white"}
NO_WHITE = {
    "bt2446b": "its default reaches it at 291 cd/m2, see the published values",
    "bt2446c": "it ends in super-white",
    "sigmoid": "asymptote",
    "reinhard": "asymptote",
    "exponential-knee": "asymptote at its ceiling",
    "rational-knee": "asymptote at its ceiling",
    "aces-narkowicz": "crosses it at 7.2 times its unit",
    "aces-hill": "crosses it at about 30 times its unit",
}
# Light of black, where a curve has a parameter for it or a published offset.
BLACK = {"aces-hill": -0.000380}


def within(parameter: Parameter, fraction: float) -> float:
    if parameter.log:
        return parameter.low * (parameter.high / parameter.low) ** fraction
    return parameter.low + (parameter.high - parameter.low) * fraction


@st.composite
def drawn_parameters(draw: st.DrawFn, name: str) -> dict[str, float]:
    fraction = st.floats(0, 1)
    return {p.name: within(p, draw(fraction)) for p in TONE_CURVES[name].parameters.values()}


@pytest.mark.parametrize("name", TONE_CURVES)
@settings(max_examples=25, deadline=None)
@given(data=st.data())
def test_curve_is_finite_and_rises_everywhere_in_its_domain(name: str, data: st.DataObject) -> None:
    parameters = data.draw(drawn_parameters(name))
    relative = TONE_CURVES[name].bind(parameters)(np.concatenate([[0.0], LIGHT]))
    assert np.isfinite(relative).all()
    assert np.diff(relative).min() >= -1e-12 * max(1.0, np.abs(relative).max())


@pytest.mark.parametrize("name", TONE_CURVES)
@settings(max_examples=15, deadline=None)
@given(data=st.data())
def test_inverse_leads_back(name: str, data: st.DataObject) -> None:
    entry = TONE_CURVES[name]
    parameters = data.draw(drawn_parameters(name))
    relative = entry.function(LIGHT, **parameters)
    # Near an asymptote, or on a clip, many lights share one value.
    slope = entry.derivative(LIGHT, **parameters) * LIGHT
    rows = (relative > 1e-7) & (slope > 1e-5 * np.maximum(relative, 1e-3))
    back = entry.inverse(relative[rows], **parameters)
    np.testing.assert_allclose(back, LIGHT[rows], rtol=1e-6)


@pytest.mark.parametrize("name", TONE_CURVES)
@settings(max_examples=15, deadline=None)
@given(data=st.data())
def test_derivative_agrees_with_differences(name: str, data: st.DataObject) -> None:
    entry = TONE_CURVES[name]
    parameters = data.draw(drawn_parameters(name))
    signal = eotf_inverse_pq(LIGHT[:-1])
    below, above = eotf_pq(signal - 1e-6), eotf_pq(signal + 1e-6)
    here = entry.function(eotf_pq(signal), **parameters)
    left = (here - entry.function(below, **parameters)) / (eotf_pq(signal) - below)
    right = (entry.function(above, **parameters) - here) / (above - eotf_pq(signal))
    slope = entry.derivative(LIGHT[:-1], **parameters)
    # A kink is where the two sides differ; there the slope may be either.
    room = 1e-4 * np.maximum(np.abs(left), np.abs(right)) + 1e-9
    assert np.all(slope >= np.minimum(left, right) - room)
    assert np.all(slope <= np.maximum(left, right) + room)


@pytest.mark.parametrize("name", TONE_CURVES)
def test_black_stays_black(name: str) -> None:
    at_black = TONE_CURVES[name].bind()(np.zeros(1))[0]
    assert at_black == pytest.approx(BLACK.get(name, 0.0), abs=1e-6)


@pytest.mark.parametrize("name", TONE_CURVES)
def test_white_is_reached_where_the_curve_says(name: str) -> None:
    entry = TONE_CURVES[name]
    peak = WHITE_AT.get(name, "peak")
    if name in NO_WHITE:
        assert peak not in entry.parameters
        return
    light = entry.parameters[peak].default
    assert entry.bind()(np.array([light]))[0] == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("name", TONE_CURVES)
def test_guess_is_near_enough_to_start_from(name: str) -> None:
    entry = TONE_CURVES[name]
    light = eotf_pq(np.linspace(0.05, 0.75, 60))
    relative = np.clip(entry.bind()(light), 0.0, 1.0)
    guess = entry.guess(light, relative)
    assert set(guess) == set(entry.parameters)
    root = np.clip(entry.function(light, **guess), 0, 1) ** (1 / 2.4) - relative ** (1 / 2.4)
    assert np.sqrt(np.mean(root**2)) < 0.05


def test_black_lift_raises_black_to_the_target() -> None:
    """BT.2390-11 5.4.1, step 4: at the mastering black the lift is the whole of b."""
    curve = TONE_CURVES["bt2390"].bind({"source_black": 0.005, "target_black": 0.1})
    assert 100 * curve(np.array([0.005]))[0] == pytest.approx(0.1, rel=1e-9)


def test_three_point_curve_goes_through_its_points() -> None:
    curve = TONE_CURVES["three-point"].bind({"black": 0.01, "grey": 0.2, "peak": 4000})
    np.testing.assert_allclose(curve(np.array([0.0, 26, 4000])), (0.01, 0.2, 1.0), rtol=1e-12)


def test_power_has_a_straight_toe() -> None:
    curve = TONE_CURVES["power"].bind({"peak": 1000, "exponent": 1.8, "toe": 5})
    low = curve(np.array([1.0, 2, 4, 5]))
    np.testing.assert_allclose(low / low[0], (1, 2, 4, 5), rtol=1e-12)
    assert curve(np.array([100.0]))[0] == pytest.approx(0.1 ** (1 / 1.8))


def test_exposure_and_unit_are_the_same_parameter() -> None:
    """Hable's exposure is degenerate with the light that counts as 1."""
    light = np.array([1.0, 10, 100, 500])
    once = TONE_CURVES["hable"].bind({"white": 50, "peak": 1000})(light)
    np.testing.assert_allclose(
        TONE_CURVES["hable"].bind({"white": 100, "peak": 2000})(2 * light), once, rtol=1e-12
    )


SIGNAL = np.array([0.0, 0.15, 0.3, 0.5, 0.6, 0.75])
RELATIVE = np.array([0.0, 0.001, 0.05, 0.4, 0.8, 1.0])


def test_free_curve_passes_through_its_knots_and_holds_its_ends() -> None:
    curve = FreeCurve(SIGNAL, RELATIVE)
    np.testing.assert_allclose(curve(eotf_pq(SIGNAL)), RELATIVE, atol=1e-8)
    assert curve(np.array([9000.0]))[0] == pytest.approx(1.0)


def test_free_curve_follows_a_named_curve_closely() -> None:
    named = TONE_CURVES["hable"].bind()
    knots = np.linspace(0.0, eotf_inverse_pq(1000.0), 33)
    curve = FreeCurve(knots, named(eotf_pq(knots)))
    light = eotf_pq(np.linspace(0.03, 0.75, 500))
    codes = 876 * (curve(light) ** (1 / 2.4) - named(light) ** (1 / 2.4))
    assert np.abs(codes).max() < 1.0


@settings(max_examples=40, deadline=None)
@given(
    steps=st.lists(st.floats(0.0, 1.0), min_size=4, max_size=12),
    light=st.floats(0.01, 5000),
)
def test_free_curve_is_monotone_with_matching_inverse_and_derivative(
    steps: list[float], light: float
) -> None:
    relative = np.cumsum(steps) / max(sum(steps), 1.0)
    curve = FreeCurve(np.linspace(0.05, 0.9, len(steps)), relative)
    values = curve(LIGHT)
    assert np.diff(values).min() >= -1e-12
    wanted = curve(np.array([light]))
    np.testing.assert_allclose(curve(curve.inverse(wanted)), wanted, atol=1e-9)
    signal = eotf_inverse_pq(light)
    a, b = eotf_pq(signal - 1e-6), eotf_pq(signal + 1e-6)
    numeric = (curve(b) - curve(a)) / (b - a)
    # Within one step of a knot the third derivative jumps, no more.
    assert curve.derivative(np.array([light]))[0] == pytest.approx(numeric, rel=1e-2, abs=1e-6)


@pytest.mark.parametrize(
    ("signal", "relative"),
    [
        ([0.1], [0.5]),
        ([0.1, 0.2], [0.5]),
        ([0.2, 0.1], [0.1, 0.5]),
        ([0.1, 0.2], [0.5, 0.1]),
        ([0.1, 0.2], [-0.1, 0.1]),
    ],
)
def test_free_curve_refuses_knots_out_of_order(signal: list[float], relative: list[float]) -> None:
    with pytest.raises(UsageError, match="free curve"):
        FreeCurve(np.array(signal), np.array(relative))
