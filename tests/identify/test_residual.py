"""The lattice of what a chain leaves: it must reproduce what it never saw, and invent nothing."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.interpolate import RegularGridInterpolator

from tonelab.identify.residual import fit_residual, trilinear_weights

HIGHEST = 0.75  # PQ signal of 1000 cd/m2


@pytest.fixture
def generator() -> np.random.Generator:
    return np.random.default_rng(2100)


def bent(signal):
    red, green, blue = signal.T
    return np.stack([5 * np.sin(6 * red) * green, 3 * blue**2, 4 * np.cos(8 * green * blue)], 1)


def test_interpolation_is_the_one_of_an_independent_library(generator):
    values = generator.normal(size=(5, 5, 5))
    low, high = np.array([0.0, 0.1, 0.2]), np.array([0.5, 0.6, 0.9])
    nodes = [np.linspace(a, b, 5) for a, b in zip(low, high, strict=True)]
    signal = generator.uniform(low, high, (200, 3))
    weights = trilinear_weights(signal, low, high, 5)
    assert_allclose(
        weights @ values.ravel(), RegularGridInterpolator(nodes, values)(signal), atol=1e-12
    )


def test_a_smooth_rest_is_found_below_the_rounding_that_hides_it(generator):
    signal = generator.uniform(0, HIGHEST, (5000, 3))
    left = bent(signal) + generator.uniform(-0.5, 0.5, signal.shape)
    lattice = fit_residual(signal, left, generator.random(5000) < 0.5, size=9)
    asked = generator.uniform(0, HIGHEST, (2000, 3))
    error = np.sqrt(np.mean((lattice(asked) - bent(asked)) ** 2))
    assert error < 0.12
    assert lattice.before > 1.5
    assert lattice.after == pytest.approx(np.hypot(1 / np.sqrt(12), error), rel=0.1)


def test_rounding_alone_makes_no_lattice(generator):
    signal = generator.uniform(0, HIGHEST, (4000, 3))
    left = generator.uniform(-0.5, 0.5, signal.shape)
    lattice = fit_residual(signal, left, generator.random(4000) < 0.5, size=9)
    assert lattice.after == lattice.before
    assert not lattice.values.any()


def test_colours_that_were_never_seen_are_known_to_be_so(generator):
    signal = generator.uniform(0, HIGHEST, (6000, 3))
    signal = signal[(signal[:, 0] < 0.4) | (signal[:, 2] < 0.4)]
    lattice = fit_residual(signal, bent(signal), generator.random(len(signal)) < 0.5, size=9)
    corner, middle = np.array([[0.7, 0.4, 0.7]]), np.array([[0.2, 0.4, 0.3]])
    assert lattice.coverage(corner)[0] == 0
    assert lattice.coverage(middle)[0] == 1
    assert lattice.coverage(np.array([[0.9, 0.2, 0.2]]))[0] == 0
    # Beyond what was seen the lattice fades and does not run away.
    assert np.abs(lattice.values).max() < 1.2 * np.abs(bent(signal)).max()
