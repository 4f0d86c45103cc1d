"""Pixel tables and checks are the same to the last bit on all workers and in any order."""

from __future__ import annotations

import json
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from fractions import Fraction
from functools import partial, reduce
from multiprocessing import get_context

import natural
import numpy as np
import pytest
from charted import clean, rounded
from hypothesis import given, settings
from hypothesis import strategies as st

from tonelab.chart import Geometry, Layout, write_chart
from tonelab.checks import check
from tonelab.checks.converted import ConvertedClip
from tonelab.cli import main
from tonelab.media import open_clip, write_clip
from tonelab.pairing import Pair, pair
from tonelab.pixels.bursts import bursts
from tonelab.pixels.run import sendable, tally_burst, tally_pixels
from tonelab.pixels.tables import PixelTables
from tonelab.results import PairingFacts
from tonelab.signal.description import Signal
from tonelab.tallies.cluster import cluster_executor
from tonelab.views.documents.checks import check_document

LAYOUT = Layout.create("quick", 960, 540, "pq", 1000, hold=4)
SIZE, FRAMES = (192, 108), 24
PQ = Signal("bt2020", "narrow", "pq", "bt2020", siting="topleft").with_fields(
    "declared", matrix="bt2020", range="narrow", transfer="pq", primaries="bt2020"
)


def halved(planes):
    pieces = [p[: len(p) // 2 * 2].reshape(len(p) // 2, 2, -1, 2).sum(axis=(1, 3)) for p in planes]
    return tuple(rounded(piece / 4) for piece in pieces)


def written(path, planes, subsampling, signal=PQ):
    first, *rest = planes
    write_clip(
        path,
        [first, *rest],
        width=first[0].shape[1],
        height=first[0].shape[0],
        rate=Fraction(24),
        subsampling=subsampling,
        bits=10,
        codec="v210" if path.suffix == ".mov" else "ffv1",
        signal=signal,
    )
    return open_clip(path)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("clips on a shared disk")


@pytest.fixture(scope="module")
def chart(folder):
    write_chart(folder / "chart source.mkv", LAYOUT, rate=Fraction(24))
    source = open_clip(folder / "chart source.mkv")
    recorded = (clean(frame.planes) for frame in source.frames())
    written(folder / "chart.mov", recorded, "422", source.signal)
    return pair(source, open_clip(folder / "chart.mov"))


@pytest.fixture(scope="module")
def contents(folder):
    """Pictures in place, and the same halved."""
    shown = [natural.planes(2, n, SIZE) for n in range(FRAMES)]
    source = written(folder / "source.mkv", shown, "420")
    grid = Geometry((1.0, 1.0), (0.0, 0.0), SIZE)
    matches = np.arange(FRAMES).repeat(2).reshape(-1, 2)
    pairs = {}
    for name, scale, made in (
        ("in place", 1.0, [clean(planes) for planes in shown]),
        ("halved", 0.5, [halved(clean(planes)) for planes in shown]),
    ):
        facts = PairingFacts("content", (scale, scale), (0.0, 0.0), 0.0, 0, FRAMES)
        pairs[name] = Pair(
            source, written(folder / f"{name}.mov", made, "422"), None, grid, grid, matches, facts,
            (), np.ones((7, 12), bool), np.zeros(1, np.int64),
        )  # fmt: skip
    return pairs


@pytest.fixture(scope="module")
def pairs(chart, contents):
    return {"chart": chart, **contents}


@pytest.fixture(scope="module")
def parts(pairs):
    """What each burst of each pair adds, in the order of the bursts."""
    return {
        name: [tally_burst(job, pair=sendable(one)) for job in enumerate(bursts(one))]
        for name, one in pairs.items()
    }


@pytest.fixture(scope="module")
def wholes(parts):
    return {name: sum(some[1:], some[0]) for name, some in parts.items()}


@pytest.fixture(scope="module")
def processes():
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as executor:
        yield executor


@pytest.fixture(scope="module")
def scheduler():
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=False, dashboard_address=":0"
    ) as cluster:
        yield cluster.scheduler_address


@pytest.fixture(scope="module")
def cluster(scheduler):
    with cluster_executor(scheduler) as executor:
        yield executor


def same_bytes(one, other):
    assert one == other
    for name, table in one.tables.items():
        assert table.tobytes() == other.tables[name].tobytes(), name


NAMES = ("chart", "in place", "halved")


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(
    "workers", [2, "processes", pytest.param("cluster", marks=pytest.mark.long)]
)
def test_tables_are_the_same_bytes_on_all_workers(pairs, wholes, name, workers, request):
    chosen = request.getfixturevalue(workers) if isinstance(workers, str) else workers
    one = pairs[name]
    steps = []
    found = tally_pixels(
        one, bursts(one), workers=chosen, progress=lambda *step: steps.append(step)
    )
    same_bytes(found, wholes[name])
    count = len(bursts(one))
    assert steps == [(n + 1, count) for n in range(count)]


@pytest.mark.parametrize("name", NAMES)
@given(st.data())
@settings(max_examples=8, deadline=None)
def test_any_split_and_order_of_the_bursts_gives_the_same_bytes(parts, wholes, name, data):
    some = parts[name]
    order = data.draw(st.permutations(range(len(some))))
    cuts = sorted(data.draw(st.sets(st.integers(1, len(some) - 1))))
    groups = [order[a:b] for a, b in zip([0, *cuts], [*cuts, len(order)], strict=True)]
    workers = [reduce(PixelTables.__add__, (some[n] for n in group)) for group in groups]
    while len(workers) > 1:  # merged two by two, as they come
        workers.append(workers.pop(0) + workers.pop(0))
    same_bytes(workers[0], wholes[name])


@pytest.mark.parametrize("name", NAMES)
def test_merging_with_nothing_changes_nothing(pairs, wholes, name):
    same_bytes(PixelTables.empty(pairs[name]) + wholes[name], wholes[name])


def test_tables_of_different_pairs_do_not_merge(wholes):
    with pytest.raises(ValueError, match="are not those of one chart"):
        wholes["chart"] + wholes["in place"]
    with pytest.raises(ValueError, match="Only pixel tables of one pair"):
        wholes["in place"] + wholes["halved"]


def test_a_burst_counts_by_its_number_and_not_by_its_turn(contents):
    """A third burst has its detail summed when it is read first, too."""
    one = contents["in place"]
    run = bursts(one)[3]
    assert tally_burst((3, run), pair=one).detail_gram.any()
    assert not tally_burst((2, run), pair=one).detail_gram.any()
    assert set(tally_burst((2, run), pair=one).samples[:, 0]) == {2}


def darker(codes, share):
    return codes * share


def test_a_converted_source_is_read_by_processes_too(contents, processes):
    one = contents["in place"]
    converted = replace(one, source=ConvertedClip(one.source, partial(darker, share=0.9)))
    runs = bursts(one)[:2]
    here = tally_pixels(converted, runs, workers=1)
    same_bytes(here, tally_pixels(converted, runs, workers=processes))
    assert here != tally_pixels(one, runs, workers=1)


@pytest.fixture(scope="module")
def bent(folder, chart):
    """A converted chart, whose pages of detail are read twice."""
    path = folder / "bent.mov"
    recorded = (clean(frame.planes) for frame in chart.source.frames())
    curved = ((rounded(64 + 876 * ((y - 64.0).clip(0) / 876) ** 0.8), *c) for y, *c in recorded)
    written(path, curved, "422", chart.source.signal)
    return path


@pytest.fixture(scope="module")
def document(chart, bent):
    """What a check says of it on one worker."""
    found = check_document(check(chart.source.path, bent, workers=1))
    assert found["checks"]
    return found


@pytest.mark.long
def test_a_check_gives_the_same_document_on_processes(chart, bent, document, processes):
    assert check_document(check(chart.source.path, bent, workers=processes)) == document


@pytest.mark.parametrize("where", ["threads", pytest.param("cluster", marks=pytest.mark.long)])
def test_the_command_takes_workers_as_measure_does(
    chart, bent, document, scheduler, where, capsys, monkeypatch
):
    monkeypatch.chdir(bent.parent)
    words = ["check", chart.source.path.name, bent.name, "--json"]
    chosen = ["--workers", "2"] if where == "threads" else ["--cluster", scheduler]
    assert main([*words, *chosen]) == 0
    found = json.loads(capsys.readouterr().out)
    here = json.loads(json.dumps(document))
    clips = {"source": None, "capture": None}
    assert {**found, **clips} == {**here, **clips}
    assert found["source"]["sha256"] == here["source"]["sha256"]


def test_a_cluster_and_a_number_of_workers_exclude_each_other(
    chart, bent, scheduler, capsys, monkeypatch
):
    monkeypatch.chdir(bent.parent)
    words = ["check", chart.source.path.name, bent.name, "--json"]
    assert main([*words, "--cluster", scheduler, "--workers", "2"]) == 2
    assert "leave it out with --cluster" in capsys.readouterr().err
