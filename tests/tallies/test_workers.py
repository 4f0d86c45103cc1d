"""Where the counting runs does not matter: processes, a cluster, and workers that die."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from fractions import Fraction
from functools import partial
from multiprocessing import get_context
from threading import Event

import pytest
from dying import die, square_or_die

from tonelab.chart import Layout, write_chart
from tonelab.cli import main
from tonelab.errors import WorkerError
from tonelab.media import open_clip, write_clip
from tonelab.pairing import pair
from tonelab.signal.description import Signal
from tonelab.tallies.run import tally
from tonelab.tallies.workers import carry_out, file_hashes

LAYOUT = Layout.create("quick", 960, 540, "pq", 1000, hold=4)


def doubled(planes):
    """Planes of a 4:2:2 picture of a 4:2:0 one."""
    return planes[0], planes[1].repeat(2, axis=0), planes[2].repeat(2, axis=0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shared stòrage")
    write_chart(folder / "chart.mkv", LAYOUT, rate=Fraction(24))
    write_clip(
        folder / "capture.mov",
        (doubled(frame.planes) for frame in open_clip(folder / "chart.mkv").frames()),
        width=960,
        height=540,
        rate=Fraction(24),
        subsampling="422",
        bits=10,
        codec="v210",
        signal=Signal(),
    )
    return folder


@pytest.fixture(scope="module")
def paired(folder):
    return pair(open_clip(folder / "chart.mkv"), open_clip(folder / "capture.mov"))


@pytest.fixture(scope="module")
def whole(paired):
    return tally(paired, workers=1)


def processes():
    return ProcessPoolExecutor(1, mp_context=get_context("spawn"))


def square(number):
    return number**2


def test_the_work_of_a_process_that_dies_is_done_by_another(tmp_path):
    done = dict(carry_out(partial(square_or_die, folder=tmp_path), range(6), processes))
    assert done == {n: n**2 for n in range(6)}
    assert (tmp_path / "died").exists()


def test_processes_that_keep_dying_end_in_one_sentence():
    with pytest.raises(WorkerError, match="A worker died with 2 of 2 parts"):
        list(carry_out(die, [1, 2], processes))


def test_a_given_executor_is_not_shut_down():
    with ThreadPoolExecutor(2) as threads:
        assert dict(carry_out(square, [1, 2], threads)) == {1: 1, 2: 4}
        assert threads.submit(square, 3).result() == 9


def test_an_error_of_a_job_is_passed_on_and_the_rest_called_off():
    begun, go_on = [], Event()

    def job(number):
        begun.append(number)
        if number == 0:
            raise KeyError(number)
        go_on.wait(5)

    with pytest.raises(KeyError):
        list(carry_out(job, range(50), 1))
    assert len(begun) <= 2
    go_on.set()


def test_processes_give_the_same_bytes(paired, whole):
    assert tally(paired, workers=processes) == whole


def test_hashes_of_files_are_those_of_their_bytes(paired):
    clips = paired.source, paired.capture
    with file_hashes(clips, 2) as hashes:
        here = [future.result() for future in hashes]
    with ThreadPoolExecutor(1) as threads, file_hashes(clips, threads) as hashes:
        there = [future.result() for future in hashes]
    assert here == there == [clip.sha256() for clip in clips]


def test_hashing_ends_when_the_work_is_broken_off(paired):
    with pytest.raises(KeyboardInterrupt), file_hashes((paired.capture,), 1) as [future]:
        raise KeyboardInterrupt
    assert future.result() in ("", paired.capture.sha256())


@pytest.fixture(scope="module")
def cluster():
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=False, dashboard_address=":0"
    ) as cluster:
        yield cluster


def test_a_cluster_gives_the_same_bytes(cluster, paired, whole):
    from tonelab.tallies.cluster import cluster_executor

    with cluster_executor(cluster.scheduler_address) as executor:
        assert tally(paired, workers=executor) == whole
        with file_hashes((paired.source,), executor) as [future]:
            assert future.result() == paired.source.sha256()


def test_the_work_of_a_cluster_worker_that_leaves_is_done_by_another(cluster, paired, whole):
    from tonelab.tallies.cluster import cluster_executor

    left = []

    def leave(done, _total):
        if not left:
            left.append(done)
            cluster.scale(1)

    with cluster_executor(cluster.scheduler_address) as executor:
        assert tally(paired, workers=executor, progress=leave) == whole
    assert left


def test_a_cluster_with_another_version_is_refused(cluster, monkeypatch):
    from tonelab.tallies import cluster as ours

    versions = iter(["9.9"])  # what the one worker says first
    monkeypatch.setattr(ours, "version", lambda _: next(versions, "0.1"))
    with (
        pytest.raises(WorkerError, match=r"has tonelab 9\.9 and not 0\.1"),
        ours.cluster_executor(cluster.scheduler_address),
    ):
        pass


def test_a_cluster_that_is_not_there_is_said_in_one_sentence(folder, tmp_path, capsys, monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr("tonelab.tallies.cluster._PATIENCE", 0.2)
    words = ["measure", str(folder / "chart.mkv"), str(folder / "capture.mov"), "--device", "A"]
    words += ["-o", str(tmp_path / "a.h5")]
    assert main([*words, "--cluster", "tcp://127.0.0.1:9"]) == 2
    assert "No scheduler of a cluster answers at tcp://127.0.0.1:9" in capsys.readouterr().err
    assert main([*words, "--cluster", "tcp://127.0.0.1:9", "--workers", "2"]) == 2
    assert "leave it out with --cluster" in capsys.readouterr().err
    assert not any(tmp_path.iterdir())
