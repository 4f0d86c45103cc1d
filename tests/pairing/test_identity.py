"""Two clips whose samples are all the same, and what then needs no search."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from charted import MemoryClip, clean, layout_of, source_clip
from moving import PQ, moving_planes

from tonelab.checks import check, examine
from tonelab.checks.run import gather
from tonelab.media.writing import write_clip
from tonelab.pairing import pair
from tonelab.pairing.identity import find_identity

DECLARED = PQ.with_fields("declared", matrix="bt2020", range="narrow", primaries="bt2020")
SIZE = (320, 180)
FRAMES = 40


def dark_at_the_right(n):
    """Pictures with a dark strip of 30 columns of their own at the right."""
    planes = [plane.copy() for plane in moving_planes(n, shot=20, size=SIZE)]
    planes[0][:, -30:] = 70
    for plane in planes[1:]:
        plane[:, -15:] = 512
    return tuple(planes)


def clip(picture=dark_at_the_right, name="film.mkv", frames=FRAMES):
    return MemoryClip(name, picture, frames, DECLARED, "420")


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    path = tmp_path_factory.mktemp("film") / "film.mkv"
    write_clip(
        path, (dark_at_the_right(n) for n in range(FRAMES)), width=SIZE[0], height=SIZE[1],
        rate=Fraction(24), subsampling="420", bits=10, codec="ffv1", signal=DECLARED,
    )  # fmt: skip
    return path


def test_a_file_against_itself_is_transparent_in_all_that_samples_answer(film):
    report = check(film, film)
    verdicts = {f.id: f.verdict for result in report.results for f in result.findings}
    assert "not transparent" not in verdicts.values()
    # Codes that do not occur, and metadata that the file does not hold, remain open.
    assert {id_ for id_, verdict in verdicts.items() if verdict == "cannot tell"} == {
        "clipping", "metadata",
    }  # fmt: skip
    assert report.pairing.used == FRAMES
    assert report.pass_through


def test_one_sample_of_one_frame_is_no_identity():
    def changed(n):
        luma, *chroma = dark_at_the_right(n)
        luma = luma.copy()
        luma[5, 7] ^= n == FRAMES - 1
        return luma, *chroma

    assert find_identity(clip(), clip()).samples == FRAMES * 320 * 180 * 3 // 2
    assert find_identity(clip(), clip(changed)) is None
    assert find_identity(clip(), clip(frames=FRAMES - 1)) is None


def test_codes_of_other_bits_are_not_compared():
    other = MemoryClip("c.mkv", dark_at_the_right, FRAMES, DECLARED, "420", bits=12)
    assert find_identity(clip(), other) is None


def test_a_chart_against_itself_needs_no_marks():
    layout = layout_of()
    source, capture = source_clip(layout), source_clip(layout)
    paired = pair(source, capture)
    assert paired.identity.frames == layout.frame_count
    assert paired.findings == ()
    assert (paired.matches[:, 0] == paired.matches[:, 1]).all()


def test_dark_parts_of_both_are_no_bars_of_the_device():
    """The device interpolates chroma and dithers, so that nothing is identical."""

    def device(n):
        luma, *chroma = clean(dark_at_the_right(n))
        noise = np.random.default_rng(n).integers(-1, 2, luma.shape)
        return (luma + noise).astype(np.uint16), *chroma

    capture = MemoryClip("capture.mov", device, FRAMES, DECLARED, "422")
    paired = pair(clip(), capture)
    found = {f.id for f in paired.findings}
    assert not found & {"picture-bars", "picture-cropped", "picture-scaled", "picture-shifted"}
    assert paired.facts.scale == (1.0, 1.0)


def test_bars_of_the_device_are_told_beside_those_of_the_source():
    def device(n):
        luma, *chroma = clean(dark_at_the_right(n))
        luma, chroma = luma.copy(), [plane.copy() for plane in chroma]
        luma[:, :20] = luma[:, -40:] = 64
        for plane in chroma:
            plane[:, :10] = plane[:, -20:] = 512
        return luma, *chroma

    paired = pair(clip(), MemoryClip("capture.mov", device, FRAMES, DECLARED, "422"))
    (bars,) = [f for f in paired.findings if f.id == "picture-bars"]
    assert "20 and 10 pixels at its sides and 0 and 0" in bars.text


def test_a_still_with_coding_noise_mixes_no_frames_and_leaves_time_open():
    still = moving_planes(3, size=SIZE)

    def noisy(n):
        step = np.random.default_rng(n).normal(0, 2, (9, 16)).repeat(20, axis=0).repeat(20, axis=1)
        return np.rint(still[0] + 0.25 * step).clip(4, 1019).astype(np.uint16), *still[1:]

    source = clip(noisy, frames=60)
    evidence = gather(source, MemoryClip("c.mov", lambda n: clean(noisy(n)), 60, DECLARED, "422"))
    results = {result.name: result.findings for result in examine(evidence)[0]}
    assert [f.verdict for f in results["frames"]] == ["cannot tell"]
    assert "chart" in results["frames"][0].decided_by
    assert results["identity"][0].verdict == "transparent"
    assert results["overlay"][0].verdict == "cannot tell"
    assert len(evidence.pair.matches) == 60
