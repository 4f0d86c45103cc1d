"""The index of a curve file leads to what the HDF5 library reads, and to nothing else."""

from __future__ import annotations

import json
import random
import struct
import zlib

import pytest
from make_measurement import make_measurement

from tonelab.curvefile import content_hash, load, reader, save
from tonelab.curvefile.index import has_index, read_index
from tonelab.curvefile.reader import read_tree
from tonelab.curvefile.store import _seal
from tonelab.curvefile.tree import MalformedError, leaves, same_values
from tonelab.errors import CurveFileError


@pytest.fixture(scope="module")
def image(tmp_path_factory):
    path = tmp_path_factory.mktemp("index") / "a.h5"
    save(make_measurement(), path)
    return path.read_bytes()


def parts(image):
    """HDF5 data and index of a curve file."""
    size = int(image[-8:])
    start = len(image) - 23 - size
    return image[:start], json.loads(image[start : start + size])


def joined(data, head):
    line = head if isinstance(head, bytes) else json.dumps(head).encode()
    return data + line + b"\ntonelab index %08d" % len(line)


def test_the_index_leads_to_what_the_library_reads(image):
    version, tree = read_index(image)
    assert (version, True) == (read_tree(image)[0], same_values(tree, read_tree(image)[1]))


def test_a_file_with_an_index_needs_no_library(image, tmp_path, monkeypatch):
    path = tmp_path / "a.h5"
    path.write_bytes(image)
    monkeypatch.setattr(reader, "_free_child", None)
    assert load(path).device == make_measurement().device


def test_a_file_without_an_index_is_read_by_the_library(image, tmp_path):
    path = tmp_path / "a.h5"
    path.write_bytes(_seal(parts(image)[0]))
    assert not has_index(path.read_bytes())
    assert load(path).device == make_measurement().device


def test_an_index_that_misleads_is_found_by_the_hash(image, tmp_path):
    data, head = parts(image)
    source = head["tree"]["source"]
    source["width"], source["height"] = source["height"], source["width"]
    path = tmp_path / "a.h5"
    path.write_bytes(_seal(joined(data, head)))
    assert load(path).source.width == make_measurement().source.height
    with pytest.raises(CurveFileError, match="its index does not lead to its datasets"):
        content_hash(path)


def test_a_newer_schema_is_refused_by_the_index(image, tmp_path):
    data, head = parts(image)
    path = tmp_path / "a.h5"
    path.write_bytes(_seal(joined(data, head | {"version": 2, "tree": "another layout"})))
    with pytest.raises(CurveFileError, match="has schema 2"):
        load(path)


BOMB = zlib.compress(bytes(2**24))
NESTED = b'{"version":1,"tree":' + b'{"a":' * 20000 + b"1" + b"}" * 20001


@pytest.mark.parametrize(
    "entry",
    [
        ["|u1", [2**24], 0, len(BOMB), [1, 1, 1, 1], ""],
        ["|u1", [10], 0, len(BOMB), [1, 1], ""],
        ["|u1", [2**40], 0, len(BOMB), [1], ""],
        ["|u1", [-1], 0, 0, [], ""],
        ["|u1", [2**24, -(2**20)], 0, 4, [], ""],
        ["|u1", [4], -4, 4, [], ""],
        ["|u1", [4], 2**40, 4, [], ""],
        ["|u1", [4.0], 0, 4, [], ""],
        ["|u1", [8], 0, 4, [], ""],
        ["<f4", [1], 0, 5, [2], ""],
        ["|u1", [4], 0, 4, [9], ""],
        ["|O8", [1], 0, 8, [], ""],
        ["<f3", [1], 0, 3, [], ""],
        ["|S0", [4], 0, 0, [], ""],
        ["|V4", [1], 0, 4, [], ""],
        ["|u1", [4], 0, 4, []],
        "a word",
        7,
        None,
    ],
)
def test_a_hostile_entry_is_refused(entry):
    with pytest.raises(MalformedError, match="its index does not fit it"):
        read_index(joined(BOMB, {"version": 1, "tree": {"a": entry}}))


@pytest.mark.parametrize("head", [NESTED, b"[]", b"{}", b'{"version":1,"tree":3}', b"\xff", b""])
def test_a_hostile_head_is_refused(head):
    with pytest.raises(MalformedError, match="its index does not fit it"):
        read_index(joined(b"", head))


def test_a_longer_index_than_the_file_is_refused():
    with pytest.raises(MalformedError, match="its index does not fit it"):
        read_index(b"{}\ntonelab index 99999999")


def test_altered_indexes_are_refused_or_read_within_the_file(image):
    data, head = parts(image)
    line = json.dumps(head).encode()
    draw = random.Random(7)
    read = 0
    for _ in range(300):
        changed = bytearray(line)
        for _ in range(draw.randint(1, 4)):
            changed[draw.randrange(len(changed))] = draw.choice(b'0123456789[]{},"-eSfiub<>|')
        try:
            _, tree = read_index(joined(data, bytes(changed)))
        except MalformedError:
            continue
        read += 1
        assert sum(leaf.values.nbytes for _, leaf in leaves(tree)) < 2**28
    assert 0 < read < 300


def test_no_index_lies_in_the_hdf5_data(image):
    data, head = parts(image)
    assert struct.unpack_from("<Q", data, 28)[0] == len(data)  # end of file in superblock 2 or 3
    assert "integrity" in head["tree"]
