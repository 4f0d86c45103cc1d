"""A field of a result is declared once; files, documents, schemas and help follow from it."""

from __future__ import annotations

import pickle
import pkgutil
import pydoc
from dataclasses import is_dataclass
from importlib import import_module
from typing import get_args, get_origin

import jsonschema
import numpy as np
import pytest
from make_measurement import make_measurement

from tonelab import results
from tonelab.curvefile.records import pack_record
from tonelab.curvefile.schema import PLACES, columns
from tonelab.described import SEE_UNIT, described, result
from tonelab.results.fields import bare, fields_of, kind_of
from tonelab.results.tallies import TABLES, Tallies
from tonelab.signal.description import Signal
from tonelab.views.document import laid_out
from tonelab.views.schema import MEMBERS, members_of, schema_of


def result_classes():
    """Every dataclass of the room, exported or not, and the signal."""
    modules = [
        import_module(found.name)
        for found in pkgutil.iter_modules(results.__path__, "tonelab.results.")
    ]
    found = {
        value
        for module in modules
        for value in vars(module).values()
        if is_dataclass(value) and value.__module__ == module.__name__
    }
    internal = {"ResultField"}
    return sorted(
        [Signal, *(cls for cls in found if cls.__name__ not in internal)], key=lambda c: c.__name__
    )


def innermost(hint):
    """The type of the values that a field holds in the end."""
    if kind_of(hint) in {"table", "texts", "array"}:
        return innermost(get_args(hint)[0])
    if kind_of(hint) == "mapping":
        return innermost(get_args(hint)[1])
    base, _ = bare(hint)
    return innermost(get_args(base)[0]) if get_origin(base) is tuple else base


def faults(cls):
    """What the declarations of a class leave out."""
    for name, field in fields_of(cls).items():
        known = field.description
        if not known.text.strip() or known.text.endswith("."):
            yield f"{name}: text"
        if innermost(field.hint) in {int, float} and known.unit is None:
            yield f"{name}: unit"
        if known.unit == SEE_UNIT and "unit" not in fields_of(cls):
            yield f"{name}: unit that no field names"
        several = kind_of(field.hint) in {"table", "texts", "array", "mapping"}
        if (several or get_origin(field.hint) is tuple) and not known.dims:
            yield f"{name}: dimensions"


def test_every_result_of_the_room_is_exported_and_walked():
    exported = {cls for cls in vars(results).values() if is_dataclass(cls)}
    assert {*exported, Signal} == set(result_classes())


@pytest.mark.parametrize("cls", result_classes(), ids=lambda cls: cls.__name__)
def test_every_field_is_described(cls):
    # Texts of one row of a table are a list within it, which needs no name of its own.
    rows = {"Finding": {"alternatives: dimensions"}}
    assert set(faults(cls)) == rows.get(cls.__name__, set())


def test_a_field_that_says_too_little_is_found():
    @result
    class Careless:
        """Leaves something out everywhere."""

        level: float = described("Level")
        codes: FloatArray = described("Codes", "code")  # noqa: F821
        limit: float = described("Limit", SEE_UNIT)
        pair: tuple[float, float] = described("Both ends", "code")
        left_out: Mapping[str, int] = described("Counts", dims=("reason",))  # noqa: F821
        name: str = described("")

    assert set(faults(Careless)) == {
        "level: unit",
        "codes: dimensions",
        "limit: unit that no field names",
        "pair: dimensions",
        "left_out: unit",
        "name: text",
    }


def test_a_field_without_description_is_refused():
    with pytest.raises(TypeError, match="'level' needs a description"):

        @result
        class Silent:
            """Says nothing of its field."""

            level: float


def test_tables_of_tallies_are_declared():
    made = {**Tallies.empty(1, 2, (4, 4)).tables, **Tallies.empty_content((4, 4)).tables}
    assert set(TABLES) == set(made)
    for name, table in made.items():
        assert len(TABLES[name].dims) == table.ndim, name
        assert TABLES[name].text, name
        assert TABLES[name].unit, name


def test_no_place_is_kept_for_a_field_that_is_gone():
    assert set(PLACES) <= set(fields_of(results.Measurement))
    for cls, members in MEMBERS.items():
        properties = {name for name in members if isinstance(getattr(cls, name), property)}
        assert set(members) <= {*fields_of(cls), *properties}


@pytest.mark.parametrize("cls", result_classes(), ids=lambda cls: cls.__name__)
def test_help_shows_text_unit_and_dimensions_of_each_field(cls):
    shown = " ".join(pydoc.plain(pydoc.render_doc(cls)).replace("|", " ").split())
    declared = list(fields_of(cls).values())
    for at, field in enumerate(declared):
        entry = shown.partition(f" {field.name} : ")[2]
        if at + 1 < len(declared):
            entry = entry.partition(f" {declared[at + 1].name} : ")[0]
        known = field.description
        for part in (" ".join(known.text.split()), known.unit_words, ", ".join(known.dims)):
            assert part in entry, (field.name, part)


def test_results_travel_to_workers_and_back():
    made = make_measurement()
    again = pickle.loads(pickle.dumps(made))
    assert again.tallies == made.tallies
    assert again.source == made.source


# One declaration, everywhere


@result
class Before:
    """A probe."""

    name: str = described("Name of the probe")


@result
class After:
    """A probe."""

    name: str = described("Name of the probe")
    voltage: FloatArray = described(  # noqa: F821
        "Drive of the probe", "V", dims=("sample",), note="Of each sample.", low=0
    )
    gain: float | None = described("Gain", "dB", absent="when not set", default=None)


ADDED = {"voltage", "gain"}


def test_a_new_field_is_in_the_tree_of_a_curve_file():
    before = pack_record(Before("a"), Before)
    after = pack_record(After("a", np.array([0.5, 1.0])), After)
    assert set(after) - set(before) == ADDED
    leaf = after["voltage"]
    assert (leaf.unit, leaf.description, leaf.dims) == ("V", "Drive of the probe", ("sample",))
    assert leaf.values.tolist() == [0.5, 1.0]
    assert columns(After)["gain"].description == "Gain; NaN when not set"
    assert np.isnan(after["gain"].values)


def test_a_new_field_is_in_documents_and_their_schema():
    before, after = schema_of(Before, "A probe"), schema_of(After, "A probe")
    assert set(after["properties"]) - set(before["properties"]) == ADDED
    assert set(after["required"]) - set(before["required"]) == ADDED
    voltage = after["properties"]["voltage"]
    assert voltage["description"] == "Drive of the probe. Of each sample. (in V, by sample)"
    assert after["properties"]["gain"]["description"] == "Gain; null when not set. (in dB)"
    document = laid_out(After("a", np.array([0.5, np.nan])))
    assert document == {"name": "a", "voltage": [0.5, None], "gain": None}
    jsonschema.validate(document, after)
    for wrong in ({"voltage": [-1.0]}, {"voltage": 1.0}, {"gain": "1"}, {"more": 1}):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate({**document, **wrong}, after)


def test_a_new_field_is_in_the_documentation():
    assert "voltage" not in Before.__doc__
    assert "voltage : FloatArray, by sample, in V\n    Drive of the probe." in After.__doc__
    assert "gain : float | None, in dB\n    Gain; None when not set." in After.__doc__


def test_a_class_that_groups_its_parts_keeps_new_fields(monkeypatch):
    monkeypatch.setitem(MEMBERS, After, {"gain": "set/gain"})
    members_of.cache_clear()
    made = After("a", np.array([1.0]), 3.0)
    assert laid_out(made) == {"set": {"gain": 3.0}, "name": "a", "voltage": [1.0]}
    jsonschema.validate(laid_out(made), schema_of(After, "A probe"))
    members_of.cache_clear()
