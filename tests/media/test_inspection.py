"""What inspection says of clips whose codes are known."""

from __future__ import annotations

import json
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tonelab.cli import main
from tonelab.media import StaticMetadata, write_clip
from tonelab.media.inspection import effective_bits, inspect_clip
from tonelab.signal.colorimetry import PRIMARIES, WHITE_D65
from tonelab.signal.description import Signal

PQ = Signal("bt2020", "narrow", "pq", "bt2020")
RNG = np.random.default_rng(5)


def clip(path, luma, chroma=512, signal=PQ, **options):
    planes = (luma, *(np.full((luma.shape[0], luma.shape[1] // 2), chroma, np.uint16),) * 2)
    write_clip(
        path, [planes] * 3, width=luma.shape[1], height=luma.shape[0], rate=Fraction(25),
        subsampling="422", bits=10, codec=options.pop("codec", "ffv1"), signal=signal, **options,
    )  # fmt: skip
    return path


def codes(low, high, step=1):
    return (low + step * RNG.integers(0, (high - low) // step + 1, (64, 96))).astype(np.uint16)


def ids(found):
    return {finding.id for finding in found.findings}


def test_a_sound_clip_is_described_without_findings(tmp_path):
    found = inspect_clip(clip(tmp_path / "a.mkv", codes(64, 940)))
    assert found.duration == pytest.approx(3 / 25)
    assert found.frames == 3
    luma, cb, _ = found.planes
    assert (luma.name, luma.effective_bits) == ("Y", 10)
    assert 64 <= luma.low < 70
    assert 930 < luma.high <= 940
    assert (cb.low, cb.high, cb.distinct, cb.effective_bits) == (512, 512, 1, None)
    assert found.facts.code_range["Y"] == (luma.low, luma.high)
    assert found.facts.signal.origins["transfer"] == "declared"
    assert found.findings == ()


def test_eight_bits_in_ten_are_found(tmp_path):
    found = inspect_clip(clip(tmp_path / "a.mkv", codes(64, 940, 4)))
    assert found.planes[0].effective_bits == 8
    assert "effective-depth" in ids(found)


@given(st.integers(8, 15), st.integers(9, 16), st.booleans(), st.integers(0, 2**32 - 1))
def test_cut_and_repeated_bits_are_counted(depth, bits, repeat, seed):
    if depth >= bits or 2 * depth < bits:
        return
    values = np.unique(np.random.default_rng(seed).integers(0, 2**depth, 4000))
    used = values << bits - depth
    if repeat:
        used |= values >> 2 * depth - bits
    assert effective_bits(used, bits) == depth


def test_codes_that_contradict_the_range_are_a_finding(tmp_path):
    wide = clip(tmp_path / "wide.mkv", codes(4, 1019))
    assert "range-conflict" in ids(inspect_clip(wide))
    assert "range-conflict" not in ids(inspect_clip(wide, stated={"range": "full"}))
    tagged = clip(tmp_path / "tagged.mkv", codes(64, 940), signal=Signal(range="full"))
    assert "range-conflict" in ids(inspect_clip(tagged))


def test_the_users_word_wins_and_the_contradiction_is_named(tmp_path):
    found = inspect_clip(clip(tmp_path / "a.mkv", codes(64, 940)), stated={"transfer": "hlg"})
    assert found.facts.signal.transfer == "hlg"
    assert found.facts.signal.origins["transfer"] == "stated"
    assert ids(found) == {"transfer-contradicted"}


def test_matrix_with_wide_primaries_is_questioned(tmp_path):
    odd = Signal("bt709", "narrow", "pq", "bt2020")
    assert "matrix-implausible" in ids(
        inspect_clip(clip(tmp_path / "a.mkv", codes(64, 940), signal=odd))
    )


def test_static_metadata_and_json(tmp_path, capsys):
    metadata = StaticMetadata(PRIMARIES["bt2020"], WHITE_D65, 1000.0, 0.001, 900, 300)
    path = tmp_path / "a b.mp4"
    luma = np.repeat(codes(64, 940)[:1], 64, axis=0)
    planes = (luma, *(np.full((32, 48), 512, np.uint16),) * 2)
    write_clip(
        path, [planes] * 2, width=96, height=64, rate=Fraction(25), subsampling="420", bits=10,
        codec="hevc", signal=PQ, metadata=metadata,
    )  # fmt: skip
    assert main(["inspect", str(path), "--json"]) == 0
    (document,) = json.loads(capsys.readouterr().out)["clips"]
    assert document["metadata"]["mastering_peak"] == 1000.0
    assert (document["max_cll"], document["frames"], document["frames_seen"]) == (900, 2, 2)
    assert [plane["name"] for plane in document["planes"]] == ["Y", "Cb", "Cr"]
    assert document["signal"]["origins"]["range"] == "declared"
    assert document["dynamic_metadata"] == []
    assert main(["inspect", str(path)]) == 0
    assert "different codes" in capsys.readouterr().out


def test_inspect_fails_on_a_conflict_when_asked(tmp_path, capsys):
    path = clip(tmp_path / "a.mkv", codes(4, 1019))
    assert main(["inspect", str(path), "--fail-on", "warning"]) == 1
    assert main(["inspect", str(path), "--fail-on", "warning", "--signal", "range=full"]) == 1
    assert main(["inspect", str(path), "--signal", "range=wide"]) == 2
