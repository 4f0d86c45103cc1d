"""Curve files of every schema so far are read by this tonelab."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tonelab.curvefile import content_hash, load
from tonelab.curvefile.schema import SCHEMA_VERSION

FROZEN = Path(__file__).parent


def test_every_schema_has_a_frozen_file():
    assert {path.name for path in FROZEN.glob("*.h5")} == {
        f"schema-{version}.h5" for version in range(1, SCHEMA_VERSION + 1)
    }


@pytest.mark.parametrize("path", sorted(FROZEN.glob("*.h5")), ids=lambda path: path.stem)
def test_frozen_files_are_read_as_they_were_written(path):
    measurement = load(path)
    assert measurement.device == "Simulated player"
    assert measurement.luminance_curve.code.shape == measurement.luminance_curve.smooth.shape
    assert np.all(np.diff(measurement.luminance_curve.source_code) > 0)
    assert measurement.conversion.held_out_codes_rms == pytest.approx(0.31)


def test_the_content_hash_of_a_frozen_file_never_changes():
    assert content_hash(FROZEN / "schema-1.h5") == (
        "f6a8d9f2e0dbbf0ffe20564a75bef46dcce5b1d9561334d9cc0ca7b0ae2a1002"
    )
