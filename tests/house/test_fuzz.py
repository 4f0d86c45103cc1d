"""A few of the broken files of `studies/fuzz.py`, in every run."""

from __future__ import annotations

import numpy as np
import pytest
from studies.fuzz import READERS, is_plain

from tonelab.errors import TonelabError

INPUTS = 60


@pytest.mark.parametrize(
    "name",
    [pytest.param(n, marks=[pytest.mark.long] if n == "contents" else []) for n in READERS],
)
def test_broken_files_are_refused_in_one_sentence_or_read(name, tmp_path):
    make, read, alter = READERS[name]
    sound = make(tmp_path)
    sentences = [
        sentence
        for number in range(INPUTS)
        if (sentence := refusal(read, alter, sound[number % len(sound)], number))
    ]
    assert len(sentences) > INPUTS / 10
    assert all(is_plain(text, name) for text in sentences)


def refusal(read, alter, sound, number):
    path = sound.with_stem("broken")
    path.write_bytes(alter(sound.read_bytes(), np.random.default_rng(number)))
    try:
        read(path)
    except TonelabError as error:
        return str(error)
    return ""
