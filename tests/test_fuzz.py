"""A few of the broken files of `studies/fuzz.py`, in every run."""

from __future__ import annotations

import numpy as np
import pytest
from studies.fuzz import READERS, broken

from tonelab.errors import TonelabError

INPUTS = 60


@pytest.mark.parametrize("name", READERS)
def test_broken_files_are_refused_in_one_sentence_or_read(name, tmp_path):
    make, read = READERS[name]
    sound = make(tmp_path)
    refused = 0
    for number in range(INPUTS):
        source = sound[number % len(sound)]
        path = tmp_path / f"broken{source.suffix}"
        path.write_bytes(broken(source.read_bytes(), np.random.default_rng(number)))
        try:
            read(path)
        except TonelabError as error:
            refused += 1
            assert str(error).endswith(".")
            assert "\n" not in str(error)
    assert refused > INPUTS / 10
