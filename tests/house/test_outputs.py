"""Outputs appear whole or not at all, whoever else writes and whatever ends the process."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from tonelab.errors import ClipError, UsageError
from tonelab.outputs import check_output, whole_file


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def test_the_name_changes_only_when_the_content_is_there(tmp_path):
    path = tmp_path / "é [a] b*.bin" if os.name != "nt" else tmp_path / "é [a] b.bin"
    path.write_bytes(b"old")
    with whole_file(path) as temporary:
        temporary.write_bytes(b"new")
        assert path.read_bytes() == b"old"
    assert path.read_bytes() == b"new"
    assert names(tmp_path) == [path.name]


@pytest.mark.parametrize("failure", [KeyboardInterrupt, ClipError, RuntimeError])
def test_any_failure_keeps_the_old_and_leaves_nothing(tmp_path, failure):
    path = tmp_path / "a.bin"
    path.write_bytes(b"old")

    def work(temporary):
        temporary.write_bytes(b"half")
        raise failure

    with pytest.raises(failure), whole_file(path) as temporary:
        work(temporary)
    assert path.read_bytes() == b"old"
    assert names(tmp_path) == ["a.bin"]


def test_of_two_writers_of_one_new_name_the_second_is_refused(tmp_path):
    path = tmp_path / "a.bin"
    both = threading.Barrier(2)
    told = []

    def write(content):
        check_output(path, overwrite=False)
        try:
            with whole_file(path, overwrite=False) as temporary:
                temporary.write_bytes(content)
                both.wait(10)
        except UsageError as error:
            told.append((content, str(error)))

    writers = [threading.Thread(target=write, args=(name,)) for name in (b"one", b"two")]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    ((loser, sentence),) = told
    assert "exists already" in sentence
    assert path.read_bytes() == ({b"one", b"two"} - {loser}).pop()
    assert names(tmp_path) == ["a.bin"]


def test_without_hard_links_a_taken_name_is_still_refused(tmp_path, monkeypatch):
    path = tmp_path / "a.bin"

    def none(*_):
        raise OSError(1, "Operation not permitted")

    monkeypatch.setattr("pathlib.Path.hardlink_to", none)
    with whole_file(path, overwrite=False) as temporary:
        temporary.write_bytes(b"first")
    assert path.read_bytes() == b"first"
    with pytest.raises(UsageError, match="exists already"):  # noqa: SIM117 - what the block does
        with whole_file(path, overwrite=False) as temporary:
            temporary.write_bytes(b"second")
    assert path.read_bytes() == b"first"
    assert names(tmp_path) == ["a.bin"]


@pytest.mark.skipif(os.name == "nt", reason="folders are not made read-only by mode there")
@pytest.mark.skipif(hasattr(os, "geteuid") and os.geteuid() == 0, reason="this user writes all")
def test_a_folder_that_takes_nothing_is_one_sentence(tmp_path):
    tmp_path.chmod(0o500)
    try:
        with (
            pytest.raises(UsageError, match="cannot be written: Permission denied"),
            whole_file(tmp_path / "a.bin") as temporary,
        ):
            temporary.write_bytes(b"")
    finally:
        tmp_path.chmod(0o700)


KILLED = """
import sys, time
from pathlib import Path
from tonelab.outputs import whole_file
with whole_file(Path(sys.argv[1])) as temporary:
    temporary.write_bytes(b"half")
    print("writing", flush=True)
    time.sleep(60)
"""


def test_what_a_killed_process_left_is_removed_by_the_next(tmp_path):
    path = tmp_path / "out file.bin"
    path.write_bytes(b"old")
    process = subprocess.Popen([sys.executable, "-c", KILLED, path], stdout=subprocess.PIPE)
    assert process.stdout.readline() == b"writing\n"
    process.kill()
    process.communicate()
    assert path.read_bytes() == b"old"
    (left,) = (name for name in names(tmp_path) if name != path.name)
    assert left.startswith(".")

    with whole_file(path) as temporary:  # another writer may be at work: not yet
        temporary.write_bytes(b"new")
    assert left in names(tmp_path)
    long_ago = time.time() - 3600
    os.utime(tmp_path / left, (long_ago, long_ago))
    with whole_file(path) as temporary:
        temporary.write_bytes(b"newer")
    assert names(tmp_path) == [path.name]
    assert path.read_bytes() == b"newer"


# Every writer, on a disk that takes no more

FULL = """
import contextlib, io, json, resource, signal, sys
from pathlib import Path
sys.path[:0] = sys.argv[1:3]
from make_measurement import make_measurement
from tonelab.cli import main
from tonelab.curvefile import save
folder = Path(sys.argv[3])
file = str(folder / "box.h5")
standard = str(Path(sys.argv[2]) / "curves" / "standards" / "bt2446a-1000.h5")
save(make_measurement(), file)
for name in ("clips", "full"):
    (folder / name).mkdir()
(folder / "clips" / "a.mov").write_bytes(b"x")
commands = {
    "clip-100-1000.h5": ["standards", "clip-100", "--peak", "1000"],
    "figure.svg": ["show", file],
    "page.html": ["report", file],
    "look.cube": ["correct", standard, "--size", "17"],
    "plan.toml": ["run", "--sketch", str(folder / "clips")],
}
for name in commands:
    (folder / "full" / name).write_bytes(b"old")
# Compiled kernels are kept beside the package, which has room.
with contextlib.redirect_stdout(io.StringIO()):
    main(["correct", standard, "--size", "17", "-q", "-o", str(folder / "look.cube")])
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (100, 100))
told = {}
for name, words in commands.items():
    output = folder / "full" if words[0] == "standards" else folder / "full" / name
    said = io.StringIO()
    with contextlib.redirect_stderr(said), contextlib.redirect_stdout(io.StringIO()):
        status = main([*words, "--force", "-o", str(output)])
    told[name] = status, said.getvalue()
print(json.dumps(told))
"""


@pytest.mark.long
@pytest.mark.skipif(os.name == "nt", reason="limits of file size are a Unix facility")
def test_no_writer_leaves_a_part_on_a_full_disk(tmp_path):
    tests = Path(__file__).parents[1]
    done = subprocess.run(
        [sys.executable, "-c", FULL, str(tests / "making"), str(tests.parent), str(tmp_path)],
        stdout=subprocess.PIPE, check=True,
    )  # fmt: skip
    full = json.loads(done.stdout)
    assert sorted(full) == names(tmp_path / "full")
    for name, (status, said) in full.items():
        assert status == 2, (name, said)
        assert said.startswith("tonelab: ")
        assert "cannot be written" in said
        assert said.count("\n") == 1, (name, said)
        assert (tmp_path / "full" / name).read_bytes() == b"old"
