"""Markers for what stands outside the project, and the table that is made of them.

``pytest --outside-table FILE`` writes what the tests of this run leaned on; only tests that
passed are listed, so that nothing can stand there without having been run.
"""

from __future__ import annotations

import os
from collections import Counter
from pathlib import Path

import pytest

# Each process that runs tests has a core of its own, where threads of BLAS only wait.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

KINDS = ("published", "library", "open data", "common practice, no source", "from memory")
_COLLECTED = pytest.StashKey[list]()
_passed: Counter = Counter()  # (source, kind, test) -> cases


def pytest_addoption(parser):
    parser.addoption(
        "--outside-table", type=Path, help="write what these tests lean on outside the project"
    )


def pytest_configure(config):
    config.addinivalue_line(
        "markers", "outside(source, kind): what outside the project the test holds ours against"
    )


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config, items):
    config.stash[_COLLECTED] = list(items)  # before any of them is deselected
    for item in items:
        for mark in item.iter_markers("outside"):
            source, kind = mark.args
            assert kind in KINDS, f"{item.nodeid}: {kind!r} is no kind of outside check"
            item.user_properties.append(("outside", (source, kind)))


@pytest.fixture(scope="session")
def collected(request):
    """All tests of the files in this run, the longest too."""
    return request.config.stash[_COLLECTED]


def pytest_runtest_logreport(report):
    if report.when == "call" and report.passed:
        test = report.nodeid.partition("[")[0]
        for name, value in report.user_properties:
            if name == "outside":
                _passed[(*value, test)] += 1


def pytest_sessionfinish(session):
    path = session.config.getoption("--outside-table")
    if path is None or hasattr(session.config, "workerinput"):
        return
    rows = sorted(_passed.items(), key=lambda row: (KINDS.index(row[0][1]), row[0]))
    lines = [
        "# What the tests lean on outside the project",
        "",
        'Made by `pytest -m "" --outside-table tests/OUTSIDE.md`; a row is a test that passed.',
        "",
        "| kind | source | test | cases |",
        "| --- | --- | --- | ---: |",
        *(
            f"| {kind} | {source} | `{test.removeprefix('tests/')}` | {cases} |"
            for (source, kind, test), cases in rows
        ),
        "",
    ]
    path.write_text("\n".join(lines), encoding="utf-8")
