"""What an output declared on the wire is held against what the codes show."""

from __future__ import annotations

from dataclasses import replace

import pytest
from two_captures import clip

from tonelab.checks import CHECKS, gather
from tonelab.errors import SignalError
from tonelab.signal.description import parse_declared

SAID = {"range": "narrow", "matrix": "bt709", "transfer": "bt1886", "primaries": "bt709"}


@pytest.fixture(scope="module")
def kept():
    return gather(clip("a.mkv"), clip("b.mkv"), workers=1)


def found(evidence, **said):
    findings = CHECKS["declared"].function(replace(evidence, declared=said))
    return {finding.id: finding for finding in findings}


def test_nothing_is_said_of_what_was_not_declared(kept):
    assert found(kept) == {}


def test_a_true_declaration_is_transparent(kept):
    findings = found(kept, **SAID, bits=10)
    assert list(findings) == ["declared"]
    assert findings["declared"].verdict == "transparent"


@pytest.mark.parametrize(
    ("name", "value", "shown"),
    [("range", "full", "narrow"), ("matrix", "bt601", "bt709"), ("bits", 8, "10"),
     ("transfer", "pq", "bt1886"), ("primaries", "bt2020", "bt709")],
)  # fmt: skip
def test_a_false_declaration_is_found(kept, name, value, shown):
    findings = found(kept, **{name: value})
    assert list(findings) == [f"declared-{name}"]
    finding = findings[f"declared-{name}"]
    assert finding.verdict == "not transparent"
    assert finding.text == f"The output declared {name} {value}, but its codes show {shown}."


def test_what_the_codes_do_not_decide_is_left_open(kept):
    assert found(kept, bits=12)["declared-bits"].verdict == "cannot tell"
    silent = replace(kept, source=kept.source.with_fields("assumed", primaries="bt709"))
    assert found(silent, primaries="bt2020")["declared-primaries"].verdict == "cannot tell"


def test_only_what_codes_can_show_is_declared():
    assert parse_declared("range=full, bits=12") == {"range": "full", "bits": 12}
    with pytest.raises(SignalError, match="do not show siting"):
        parse_declared("siting=left")
