"""The register of pixel tables: each documented, of its declared shape, and added in one place."""

from __future__ import annotations

import pickle
import re
import subprocess
import sys
import textwrap
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pictured import content_pair, content_paths

import tonelab
from tonelab.chart.layout import PageKind
from tonelab.errors import UsageError
from tonelab.pixels.bursts import Burst
from tonelab.pixels.picking import merge_rows
from tonelab.pixels.run import PIXEL_TABLES
from tonelab.pixels.tables import (
    CONTENT,
    PATCHES,
    ROWS,
    PixelTable,
    PixelTables,
    Table,
    declared_tables,
)

ROOT = Path(tonelab.__file__).parent


def test_every_table_is_documented():
    names = [table.name for entry in PIXEL_TABLES.values() for table in entry.tables]
    assert len(names) == len(set(names)) == len(declared_tables())
    for name, entry in PIXEL_TABLES.items():
        assert entry.name == name
        assert entry.when.endswith("."), name
        assert entry.cost > 0, name
        assert entry.pages <= {CONTENT, *PageKind.__args__}, name
        assert entry.tables, name
        for table in entry.tables:
            assert table.name.isidentifier(), table.name
            assert len(table.text) > 20, table.name
            assert table.shape, table.name
            assert bool(table.keys) == (table.shape[0] == ROWS), table.name
            assert all(n in {ROWS, PATCHES} or n > 0 for n in table.shape), table.name


def test_every_table_that_a_check_reads_is_declared():
    known = set(declared_tables()) | {field.name for field in fields(PixelTables)}
    text = "".join(path.read_text() for path in (ROOT / "checks").glob("*.py"))
    read = set(re.findall(r"\bpaths\.([a-z_]+)", text)) - {"with_tables"}
    assert read >= {"joint", "luma_gram", "samples"}
    assert read <= known


@pytest.mark.parametrize("scale", [1.0, 0.5])
def test_every_entry_adds_what_it_declares(scale):
    def device(planes):
        step = round(1 / scale)
        return tuple(plane[::step, ::step].copy() for plane in planes)

    pair = content_pair(device, scale)
    burst = Burst(pair, 0, pair.matches[20:23])
    empty, added = PixelTables.empty(pair), {}
    for entry in PIXEL_TABLES.values():
        part = entry.function(burst)
        assert set(part) <= {table.name for table in entry.tables}
        added |= part
    for name, table in added.items():
        declared = declared_tables()[name]
        assert table.dtype == np.int64
        assert len(table.shape) == len(declared.shape)
        for size, wanted in zip(table.shape, declared.shape, strict=True):
            assert wanted == ROWS or size == wanted, name
    assert {"joint", "luma_gram", "samples", "sites", "predicted"} <= set(added)
    assert set(empty.tables) == set(declared_tables())


def test_tables_are_attributes_and_survive_pickling():
    tables = content_paths(lambda planes: planes)
    again = pickle.loads(pickle.dumps(tables))
    assert again == tables
    assert again.joint is again.tables["joint"]
    other = tables.with_tables(joint=tables.joint + 1)
    assert other != tables
    assert other.same is tables.same
    with pytest.raises(AttributeError, match="no pixel table 'jiont'"):
        tables.jiont  # noqa: B018
    with pytest.raises(UsageError, match="no pixel table 'jiont'"):
        tables.with_tables(jiont=tables.joint)


def test_a_table_of_another_shape_or_type_is_refused():
    table = Table("two", (2,), "two sums")
    assert table.merge(table.zeros(0), np.array([1, 2])).tolist() == [1, 2]

    def entry(**parts):
        return PixelTable("pair", lambda _: parts, "two sums", (table,), "Always.", 1.0)

    assert entry(two=np.arange(2)).added(None)["two"].tolist() == [0, 1]
    for part in (np.zeros(3, np.int64), np.zeros((1, 2), np.int64), np.zeros(2)):
        with pytest.raises(ValueError, match=r"'two' is declared as int64 of shape \(2,\)"):
            entry(two=part).added(None)
    with pytest.raises(ValueError, match="The entry 'pair' adds to 'three'"):
        entry(three=np.arange(2)).added(None)


@given(
    st.lists(st.tuples(*[st.integers(0, 3)] * 3, st.integers(-5, 5)), max_size=40),
    st.sampled_from([(0, 1, 2), (2, 0), (1,)]),
    st.sampled_from([1, 2**30]),
)
def test_rows_merge_as_a_dictionary_adds_them(rows, keys, large):
    """Also where the keys are too large to be packed into one number."""
    table = np.array(rows, np.int64).reshape(-1, 4) * [large, large, large, 1]
    sums = {}
    for row in table.tolist():
        key = tuple(row[n] for n in keys)
        sums[key] = [a + b for a, b in zip(sums.get(key, [0] * 4), row, strict=True)]
    expected = []
    for key in sorted(sums):
        row = sums[key]
        for n, value in zip(keys, key, strict=True):
            row[n] = value
        expected.append(row)
    assert merge_rows(table, keys).tolist() == expected
    half = len(table) // 2
    parts = [merge_rows(part, keys) for part in (table[half:], table[:half])]
    assert merge_rows(np.concatenate(parts), keys).tolist() == expected


EXAMPLE = '''
"""An example package that adds a pixel table to tonelab."""

import numpy as np

from tonelab.pixels.tables import CONTENT, PIXEL_TABLES, Table


@PIXEL_TABLES.register(
    "example-sum",
    label="luma of both sides",
    tables=(Table("example_sum", (2,), "sums of luma codes of source and capture"),),
    when="Content whose pixels are co-registered.",
    cost=1.0,
    pages=frozenset({CONTENT}),
)
def example_sum(burst):
    view = burst.co_registered
    if view is None:
        return {}
    return {"example_sum": np.array([side[0].sum() for side in view.pairs[-1]], np.int64)}
'''

USE = """
import numpy as np
from pictured import content_paths

assert "example_table" not in sys.modules  # loaded at the first look-up only
tables = content_paths(lambda planes: (planes[0] + 1, *planes[1:]), frames=(20, 26))
low, high = tables.example_sum
assert high - low == 2 * 480 * 270, (low, high)
assert not content_paths(lambda planes: tuple(p[::2, ::2] for p in planes), 0.5).example_sum.any()
assert (tables + tables).example_sum.tolist() == [2 * low, 2 * high]
"""


def run_with_package(folder, module, use):
    """Lay out an installed package with an entry point and use tonelab beside it."""
    (folder / "example_table.py").write_text(module, encoding="utf-8")
    info = folder / "example_table-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: example-table\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text("[tonelab.pixel_tables]\nexample = example_table\n")
    paths = [str(folder), str(ROOT.parent), str(Path(__file__).parents[1] / "making")]
    lead = f"import sys; sys.path[:0] = {paths!r}\n"
    command = [sys.executable, "-W", "error", "-c", lead + textwrap.dedent(use)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_a_third_party_adds_a_table_through_an_entry_point(tmp_path):
    result = run_with_package(tmp_path, EXAMPLE, USE)
    assert result.returncode == 0, result.stderr


def test_a_name_that_is_taken_is_refused(tmp_path):
    use = """
    from tonelab.errors import UsageError
    from tonelab.pixels.run import PIXEL_TABLES
    from tonelab.pixels.tables import declared_tables
    try:
        declared_tables()
    except UsageError as error:
        print(error)
    """
    for name in ("joint", "co_registered", "empty"):
        folder = tmp_path / name
        folder.mkdir()
        result = run_with_package(
            folder, EXAMPLE.replace('"example_sum", (2', f'"{name}", (2'), use
        )
        assert f"There are two pixel tables named '{name}': rename one." in result.stdout
