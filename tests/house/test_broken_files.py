"""Broken inputs of every kind are refused with the sentence that `broken/messages.toml` states."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from studies.fuzz import read_bench, read_correction, read_still

from tonelab.cli import main
from tonelab.curvefile import load
from tonelab.errors import TonelabError

BROKEN = Path(__file__).parents[1] / "broken"
MESSAGES = tomllib.loads((BROKEN / "messages.toml").read_text(encoding="utf-8"))
READERS = {
    "curve-file": load,
    "clip": read_still,
    "still": read_still,
    "correction": read_correction,
    "plan": read_bench,
}
COMMANDS = {
    "curve-file-cut.h5": ["show"],
    "clip-cut-in-its-head.mkv": ["inspect"],
    "still-cut.png": ["inspect"],
    "correction-cut.clf": ["verify", "a.mov", "b.mov"],
    "plan-climbing-folder.toml": ["run"],
}


def test_each_is_named_by_its_fault_and_has_its_sentence():
    names = {path.name for path in BROKEN.iterdir() if path.is_file()}
    assert names == {*MESSAGES, "make.py", "messages.toml"}


@pytest.mark.parametrize("name", MESSAGES)
def test_a_broken_input_is_refused_with_its_sentence(name):
    path = BROKEN / name
    read = next(reader for kind, reader in READERS.items() if name.startswith(f"{kind}-"))
    with pytest.raises(TonelabError) as caught:
        read(path)
    said = str(caught.value)
    assert path.name in said
    assert MESSAGES[name] in said
    assert said.isprintable() or name.startswith("plan-")


@pytest.mark.parametrize("name", COMMANDS)
def test_commands_end_with_that_sentence(name, capsys):
    command, *words = COMMANDS[name]
    assert main([command, str(BROKEN / name), *words]) == 2
    said = capsys.readouterr()
    assert not said.out
    assert said.err.startswith("tonelab: ")
    assert MESSAGES[name] in said.err
    assert "Traceback" not in said.err
