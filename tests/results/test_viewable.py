"""Results from Python: short when printed, and in columns, figures and parts by name."""

from __future__ import annotations

import sys
from types import SimpleNamespace

import numpy as np
import pytest
from make_measurement import make_measurement
from matplotlib.figure import Figure

import tonelab
from tonelab.compare import compare


def test_what_is_printed_is_short_and_names_the_device():
    one = make_measurement("Box A")
    assert len(repr(one)) < 1000
    assert repr(one).startswith("Measurement(device='Box A', firmware=")
    assert repr(one.luminance_curve).startswith("LuminanceCurve(source_code=<166>")
    assert len(repr(compare([one, make_measurement("B", peak=10.0)]))) < 1000


def test_columns_are_the_fields():
    one = make_measurement()
    columns = one.to_arrays()
    np.testing.assert_array_equal(columns["luminance_curve.smooth"], one.luminance_curve.smooth)
    assert columns["scores.mean"].tolist() == [score.mean for score in one.scores]
    missing = [mark.luminance is None for mark in one.landmarks]
    np.testing.assert_array_equal(np.isnan(columns["landmarks.luminance"]), missing)
    assert set(one.luminance_curve.to_arrays()) >= {"source_code", "smooth", "low", "high"}


def test_a_table_becomes_a_frame_where_there_is_pandas(monkeypatch):
    one = make_measurement()
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(tonelab.UsageError, match="needs pandas"):
        one.to_frame("scores")
    monkeypatch.setitem(sys.modules, "pandas", SimpleNamespace(DataFrame=dict))
    assert list(one.to_frame("scores"))[:3] == ["standard", "label", "mean"]
    assert "smooth" in one.luminance_curve.to_frame()
    with pytest.raises(tonelab.UsageError, match="has no table 'nothing': name one of "):
        one.to_frame("nothing")


def test_parts_have_names_and_results_have_figures():
    one = make_measurement()
    assert one.landmark("diffuse-white") is one.landmarks[1]
    assert one.score("bt2446a").standard == "bt2446a"
    with pytest.raises(tonelab.UsageError, match="no landmark 'white': name one of grey, "):
        one.landmark("white")
    assert isinstance(one.plot(), Figure)
    assert isinstance(one.chroma_transfer.plot(), Figure)
    with pytest.raises(tonelab.UsageError, match="no figure for IdentifiedConversion"):
        one.conversion.plot()
