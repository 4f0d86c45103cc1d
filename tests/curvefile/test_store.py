"""The curve file keeps everything, appears whole or not at all, and refuses what it is not."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from dataclasses import fields, is_dataclass, replace
from pathlib import Path

import h5py
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from make_measurement import make_measurement

from tonelab.curvefile import content_hash, load, load_all, reader, save
from tonelab.curvefile.records import pack, unpack
from tonelab.curvefile.schema import SCHEMA_VERSION
from tonelab.curvefile.store import _seal
from tonelab.curvefile.tree import digest, leaves
from tonelab.errors import CurveFileError
from tonelab.results import Finding, ParameterEstimate, RunnerUp, Tallies


@pytest.fixture
def written(tmp_path) -> Path:
    path = tmp_path / "a device, été.h5"
    save(make_measurement(), path)
    return path


def assert_same(one, other, where="measurement"):
    """Compare two values field by field; NaN equals NaN, lists equal tuples."""
    if isinstance(one, Tallies):
        assert one == other, where
    elif is_dataclass(one):
        assert type(one) is type(other)
        for field in fields(one):
            assert_same(
                getattr(one, field.name), getattr(other, field.name), f"{where}.{field.name}"
            )
    elif isinstance(one, np.ndarray):
        assert one.dtype == other.dtype, where
        np.testing.assert_array_equal(one, other, err_msg=where)
    elif isinstance(one, dict):
        assert list(one) == list(other) or set(one) == set(other), where
        for key, item in one.items():
            assert_same(item, other[key], f"{where}[{key!r}]")
    elif isinstance(one, (tuple, list)):
        assert len(one) == len(other), where
        for index, item in enumerate(one):
            assert_same(item, other[index], f"{where}[{index}]")
    else:
        assert type(one) is type(other), where
        assert one == other, where


def test_round_trip_keeps_everything(written):
    assert_same(make_measurement(), load(written))


def test_tables_keep_their_order(written):
    original = make_measurement()
    assert list(load(written).conversion.parameters) == list(original.conversion.parameters)
    assert list(load(written).settings) == list(original.settings)


TEXT = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20)
NUMBER = st.floats(allow_nan=False)
KEY = TEXT.filter(bool)


@settings(deadline=None, max_examples=40)
@given(
    device=TEXT,
    settings_=st.dictionaries(TEXT, TEXT, max_size=4),
    findings=st.lists(
        st.builds(
            Finding,
            id=TEXT,
            severity=st.sampled_from(["stop", "warning", "info"]),
            text=TEXT,
            value=st.none() | NUMBER,
            threshold=st.none() | NUMBER,
            count=st.integers(0, 2**62),
            alternatives=st.lists(TEXT, max_size=3).map(tuple),
        ),
        max_size=3,
    ).map(tuple),
    parameters=st.dictionaries(
        TEXT, st.builds(ParameterEstimate, NUMBER, NUMBER, NUMBER, TEXT, st.booleans(), TEXT)
    ),
    runners_up=st.lists(st.builds(RunnerUp, TEXT, NUMBER), max_size=3).map(tuple),
    provenance=st.dictionaries(
        KEY,
        st.recursive(
            st.none() | st.booleans() | st.integers() | NUMBER | TEXT,
            lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEY, inner, max_size=3),
            max_leaves=8,
        ),
        max_size=4,
    ),
)
def test_any_content_survives(device, settings_, findings, parameters, runners_up, provenance):
    measurement = make_measurement(device)
    conversion = replace(
        measurement.conversion, family=None, parameters=parameters, runners_up=runners_up
    )
    measurement = replace(
        measurement,
        settings=settings_,
        findings=findings,
        conversion=conversion,
        provenance=provenance,
    )
    assert_same(measurement, unpack(pack(measurement)))


def test_text_that_hdf5_cannot_hold_is_written_visibly():
    measurement = make_measurement("zero\0byte \udcff")
    assert unpack(pack(measurement)).device == "zero\\x00byte \\udcff"


def test_every_dataset_is_described_and_every_dimension_named(written):
    with h5py.File(written) as file:
        assert file.attrs["tonelab_schema"] == SCHEMA_VERSION
        assert set(file) >= {
            "source", "capture", "pairing", "tallies", "curves", "conversion", "scores",
            "findings", "provenance",
        }  # fmt: skip

        def check(_, node):
            if isinstance(node, h5py.Dataset):
                assert isinstance(node.attrs["unit"], bytes | str)
                assert node.attrs["description"], node.name
                assert all(dim.label for dim in node.dims), node.name

        file.visititems(check)
        assert file["curves/luminance/luminance"].attrs["unit"] == b"cd/m2"
        assert file["scores/label"].asstr()[1] == "BT.2446 method A"
        table = file["tallies/tables/patch_sum_capture"]
        assert (table.compression, table.compression_opts) == ("gzip", 1)
        assert table.shuffle
        assert table.fletcher32


def test_same_content_gives_same_bytes_and_hash(tmp_path):
    for name in ("one.h5", "two.h5"):
        save(make_measurement(), tmp_path / name)
    assert (tmp_path / "one.h5").read_bytes() == (tmp_path / "two.h5").read_bytes()


def test_the_seal_is_found_whatever_the_notes_say(tmp_path):
    notes = "tonelab sha256 " + "0" * 64
    save(make_measurement(notes=notes), tmp_path / "a.h5")
    assert load(tmp_path / "a.h5").notes == notes


def test_content_hash_ignores_the_run_only(tmp_path, written):
    measurement = make_measurement()
    later = {**measurement.provenance, "time": "2040-01-01T00:00:00Z", "duration": 1e3}
    other = tmp_path / "later.h5"
    save(replace(measurement, provenance=later), other)
    assert content_hash(other) == content_hash(written)

    save(replace(measurement, notes="other"), other, overwrite=True)
    assert content_hash(other) != content_hash(written)
    newer = {**measurement.provenance, "tonelab": "0.2.0"}
    save(replace(measurement, provenance=newer), other, overwrite=True)
    assert content_hash(other) != content_hash(written)


def test_digest_sees_every_dataset():
    tree = pack(make_measurement())
    whole = digest(tree)
    for path, leaf in leaves(tree):
        if leaf.run_only:
            continue
        *parents, last = path.split("/")
        group = tree
        for parent in parents:
            group = group[parent]
        group[last] = replace(leaf, unit=leaf.unit + "!")
        assert digest(tree) != whole
        group[last] = leaf


def test_existing_file_is_kept_unless_asked(written):
    before = written.read_bytes()
    with pytest.raises(CurveFileError, match=re.escape(written.name) + " exists already"):
        save(make_measurement("other"), written)
    assert written.read_bytes() == before
    save(make_measurement("other"), written, overwrite=True)
    assert load(written).device == "other"


@pytest.mark.parametrize("stage", ["fsync", "replace"])
def test_failure_leaves_nothing_and_keeps_the_old(written, monkeypatch, stage):
    before = written.read_bytes()

    def full(*_):
        raise OSError(28, "No space left on device")

    target = os if stage == "fsync" else Path
    monkeypatch.setattr(target, stage, full)
    with pytest.raises(CurveFileError, match="cannot be written: No space left on device"):
        save(make_measurement("other"), written, overwrite=True)
    assert written.read_bytes() == before
    assert list(written.parent.iterdir()) == [written]


def test_missing_folder_is_named(tmp_path):
    with pytest.raises(CurveFileError, match="does not exist: create it"):
        save(make_measurement(), tmp_path / "none" / "a.h5")


# What is not a curve file


def one_sentence(path, match):
    with pytest.raises(CurveFileError, match=match) as caught:
        load(path)
    text = str(caught.value)
    assert str(path) in text
    assert text.endswith(".")
    assert "\n" not in text


def test_missing_folder_text_and_foreign(tmp_path):
    one_sentence(tmp_path / "absent.h5", "There is no file")
    one_sentence(tmp_path, "is not a file")
    text = tmp_path / "text.h5"
    text.write_text("not at all")
    one_sentence(text, "is not an HDF5 file")
    foreign = tmp_path / "foreign.h5"
    with h5py.File(foreign, "w") as file:
        file["x"] = 1
    one_sentence(foreign, "not a curve file of tonelab")


def alter(path, change):
    """Change a curve file as another program might, and seal it as tonelab would."""
    with h5py.File(path, "r+") as file:
        change(file)
    path.write_bytes(_seal(path.read_bytes()))


def test_newer_schema_is_refused(written):
    alter(written, lambda file: file.attrs.__setitem__("tonelab_schema", SCHEMA_VERSION + 1))
    one_sentence(written, "has schema 2 and this tonelab reads up to 1: upgrade")


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (lambda f: f.__delitem__("curves"), "curves is missing from the file"),
        (lambda f: f.attrs.__delitem__("tonelab_schema"), "does not state the schema"),
        (lambda f: f.__setitem__("soft", h5py.SoftLink("/source")), "soft or external link"),
        (lambda f: f.__setitem__("ext", h5py.ExternalLink("b.h5", "/")), "soft or external link"),
        (lambda f: f.__setitem__("source/loop", f["source"]), "second name"),
        (lambda f: f.create_dataset("big", (2**40,), "u1", chunks=(1024,)), "claims"),
        (lambda f: f.create_dataset("lzf", data=np.ones(9), compression="lzf"), "in a way"),
        (lambda f: f.create_dataset("ref", data=f.ref, dtype=h5py.ref_dtype), "kind of value"),
        (
            lambda f: f.create_dataset("out", (4,), "u1", external=[("raw.bin", 0, 4)]),
            "stored in a way",
        ),
    ],
)
def test_foreign_content_is_refused(written, change, match):
    alter(written, change)
    one_sentence(written, match)


def test_a_number_altered_afterwards_is_noticed(written):
    with h5py.File(written, "r+") as file:
        file["curves/luminance/code"][3] = 7.0
    one_sentence(written, "damaged, cut short or altered")


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (lambda t: t.pop("curves"), "curves is missing from the file"),
        (lambda t: t["curves"].pop("chroma"), "chroma is missing from the file"),
        (lambda t: t["pairing"].pop("scale"), "pairing/scale is missing"),
        (lambda t: t["source"].update(width={}), "source/width holds a group"),
        (lambda t: t.update(scores=t["source"]["width"]), "scores is a dataset"),
        (lambda t: t["source"].update(width=t["source"]["name"]), "in place of numbers"),
        (lambda t: t["findings"].update(severity=t["findings"]["id"]), "unknown word"),
        (lambda t: t["scores"].update(mean=t["findings"]["value"]), "differ in length"),
        (
            lambda t: t["curves"]["luminance"].update(code=t["scores"]["mean"]),
            "differs in length",
        ),
    ],
)
def test_odd_content_is_named(change, match):
    tree = pack(make_measurement())
    change(tree)
    with pytest.raises(ValueError, match=match):
        unpack(tree)


@pytest.mark.parametrize(
    ("place", "values"),
    [
        ("curves/luminance/luminance", np.nan),
        ("curves/luminance/luminance", np.inf),
        ("curves/luminance/luminance", -1.0),
        ("curves/luminance/source_code", range(9, 0, -1)),
        ("curves/chroma/hue", np.nan),
        ("conversion/floor_codes_rms", 0.0),
        ("capture/max_cll", np.inf),
    ],
)
def test_numbers_that_no_measurement_gives_are_refused(written, place, values):
    def change(file):
        shape = file[place].shape
        file[place][...] = np.resize(np.asarray(values, np.float64), shape)

    alter(written, change)
    one_sentence(written, r"is not a usable curve file: .*; restore it or measure again")


def test_a_field_that_came_later_takes_its_default():
    tree = pack(make_measurement())
    del tree["source"]["planes_sha256"]
    del tree["conversion"]["static"]
    measurement = unpack(tree)
    assert measurement.source.planes_sha256 == ""
    assert measurement.conversion.static == "unknown"


def test_truncated_anywhere_is_refused(written):
    image = written.read_bytes()
    for size in range(0, len(image), len(image) // 60):
        written.write_bytes(image[:size])
        with pytest.raises(CurveFileError):
            load(written)


def test_damage_anywhere_is_refused(written):
    image = written.read_bytes()
    rng = np.random.default_rng(2020)
    for position in [0, 8, len(image) - 1, *rng.integers(0, len(image), 60)]:
        damaged = bytearray(image)
        damaged[position] ^= 1 << int(rng.integers(8))
        written.write_bytes(damaged)
        with pytest.raises(CurveFileError):
            load(written)


def test_many_are_read_in_order_and_the_first_at_fault_is_named(tmp_path):
    devices = ["A", "B", "C", "D"]
    paths = [tmp_path / f"{name}.h5" for name in devices]
    for name, each in zip(devices, paths, strict=True):
        save(replace(make_measurement(), device=name), each)
    assert [one.device for one in load_all(paths)] == devices
    for each in (paths[1], paths[3]):
        each.write_bytes(each.read_bytes()[:-1])
    with pytest.raises(CurveFileError, match=r"B\.h5"):
        load_all(paths)


def test_a_reader_that_was_ended_is_replaced(written):
    load(written)
    assert reader._idle
    for child in reader._idle:
        child.process.kill()
        child.process.wait()
    assert load(written).device == make_measurement().device


ENDLESS = """
from tonelab.curvefile import reader
reader._PATIENCE = 0.1
reader._answer = lambda *_, **__: [None for _ in iter(int, 1)]
reader.serve()
"""


@pytest.mark.skipif(os.name == "nt", reason="there the parent's wait is the bound")
def test_a_file_that_keeps_its_reader_busy_ends_it():
    """By processor time, so that a busy machine refuses no sound file."""
    question = (1).to_bytes(8, "little") + b"\0"
    ended = subprocess.run(
        [sys.executable, "-c", ENDLESS], input=question, capture_output=True, check=False
    )
    assert ended.returncode == -signal.SIGPROF
