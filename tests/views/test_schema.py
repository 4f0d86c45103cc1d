"""The schemas are derived, and hold for every document that tonelab writes."""

from __future__ import annotations

import copy
from pathlib import Path

import jsonschema
import pytest
from make_measurement import FINDINGS, make_measurement

from tonelab.curvefile import load
from tonelab.results import CheckReport, CheckResult, Finding
from tonelab.views.document import document, document_schema
from tonelab.views.documents.checks import check_document, check_schema

HERE = Path(__file__).resolve().parent
STORED = [
    HERE.parent / "frozen" / "schema-1.h5",
    *sorted((HERE.parents[1] / "curves" / "standards").glob("*-1000.h5")),
]


def check_report(**changes):
    """A report with every part, on no clip at all."""
    made = make_measurement()
    altered = Finding("depth-lost", "warning", "Two bits are lost.", verdict="not transparent")
    parts = {
        "source": made.source,
        "capture": made.capture,
        "loopback": made.capture,
        "pairing": made.pairing,
        "pass_through": True,
        "results": (CheckResult("depth", "how many bits", (altered, *FINDINGS)),),
        "registration": FINDINGS,
    }
    return CheckReport(**{**parts, **changes})


@pytest.mark.parametrize("path", STORED, ids=lambda path: path.stem)
def test_documents_of_curve_files_satisfy_the_schema(path):
    jsonschema.validate(document(load(path)), document_schema())


@pytest.mark.parametrize("changes", [{}, {"loopback": None}, {"results": (), "registration": ()}])
def test_documents_of_checks_satisfy_the_schema(changes):
    written = check_document(check_report(**changes))
    jsonschema.validate(written, check_schema())
    jsonschema.validate({**written, "job": "ab" * 32}, check_schema())


def test_the_verdict_of_a_check_is_its_gravest():
    first, second = FINDINGS
    results = check_report().results
    assert [one.verdict for one in results] == ["not transparent"]
    assert check_document(check_report())["checks"][0]["verdict"] == "not transparent"
    # Findings that leave the question open do not make a path transparent.
    assert CheckResult("depth", "how many bits", (first, second)).verdict == "cannot tell"


def test_schemas_are_schemas():
    for schema in (document_schema(), check_schema()):
        jsonschema.Draft202012Validator.check_schema(schema)


def described_parts(schema, place=""):
    """Every member of a schema that stands for a field, with its place."""
    for name, part in schema.get("properties", {}).items():
        if "const" not in part:
            yield f"{place}/{name}", part
        yield from described_parts(part, f"{place}/{name}")
    for inner in ("items", "additionalProperties"):
        if isinstance(schema.get(inner), dict):
            yield from described_parts(schema[inner], place)


def test_every_member_says_what_it_is():
    silent = set()
    for schema in (document_schema(), check_schema()):
        places = [("", schema), *((name, one) for name, one in schema["$defs"].items())]
        silent |= {
            place
            for start, whole in places
            for place, member in described_parts(whole, start)
            if not member.get("description")
        }
    # Groups that only the document makes; what they hold says what it is.
    assert silent == {
        "IdentifiedConversion/tone",
        "Score/delta_e_itp",
        "Score/ciede2000",
    }


@pytest.mark.parametrize(
    ("place", "wrong"),
    [
        ("source/width", 0),
        ("source/signal/transfer", "film"),
        ("source/max_cll", 1000.5),
        ("capture/code_range/Y", [64]),
        ("pairing/scale/0", None),
        ("findings/0/severity", "grave"),
        ("findings/0/verdict", "perhaps"),
        ("luminance_curve/code", 1.0),
        ("luminance_curve/luminance/0", -1.0),
        ("chroma_transfer/count/0/0", None),
        ("conversion/tone/family", 1),
        ("conversion/tone/parameters/peak/identifiable", "yes"),
        ("scores/0/delta_e_itp/mean", "much"),
        ("version", 2),
    ],
)
def test_what_no_document_holds_is_refused(place, wrong):
    written = copy.deepcopy(document(make_measurement()))
    *parents, last = (int(step) if step.isdigit() else step for step in place.split("/"))
    group = written
    for step in parents:
        group = group[step]
    group[last] = wrong
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(written, document_schema())


@pytest.mark.parametrize("member", ["delta_e_itp", "label", "count"])
def test_a_member_that_is_missing_is_refused(member):
    written = document(make_measurement())
    del written["scores"][0][member]
    with pytest.raises(jsonschema.ValidationError, match=member):
        jsonschema.validate(written, document_schema())


def test_a_check_that_found_nothing_is_refused():
    written = check_document(check_report(results=(CheckResult("depth", "how many bits", ()),)))
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(written, check_schema())
