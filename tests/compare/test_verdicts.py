"""Verdicts on pairs of simulated devices, a few of `studies/verdicts.py` in every run."""

from __future__ import annotations

import pytest
from verdicts import KINDS, contradictions, judged


@pytest.mark.parametrize("number", range(1, 16))
def test_no_sentence_contradicts_the_devices(number):
    kind = KINDS[number % len(KINDS)]
    one, other, verdict = judged(number, kind)
    assert not contradictions(verdict, kind, one, other), verdict.text


def test_controls_of_eight_bit_devices_are_named_and_nothing_beyond_them():
    one, other, verdict = judged(53, "controls")
    assert one.bits == 8
    assert verdict.kind == "different"
    assert verdict.text.startswith("differs in picture controls: contrast 0.92")
    assert "beyond them not shown to differ" in verdict.text
    assert not contradictions(verdict, "controls", one, other)
