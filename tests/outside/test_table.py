"""The kept table of outside checks lists the tests that there are, and no others."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

TABLE = Path(__file__).parents[1] / "OUTSIDE.md"
ROW = re.compile(r"\| (?P<kind>[^|]+) \| (?P<source>[^|]+) \| `(?P<test>[^`]+)` \| \d+ \|")


def test_the_table_lists_what_is_marked(collected):
    rows = {
        (row["source"], row["kind"], row["test"]) for row in ROW.finditer(TABLE.read_text("utf-8"))
    }
    assert rows
    marked, files = set(), set()
    for item in collected:
        test = item.nodeid.partition("[")[0].removeprefix("tests/")
        files.add(test.partition("::")[0])
        marked |= {(*mark.args, test) for mark in item.iter_markers("outside")}
    here = {row for row in rows if row[2].partition("::")[0] in files}
    if here != marked:
        pytest.fail(
            "Write the table anew with the command that it names; it differs in "
            f"{sorted(here ^ marked)[:5]}"
        )
