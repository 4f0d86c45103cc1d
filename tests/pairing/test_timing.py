"""From frame numbers to matches."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tonelab.pairing.timing import FrameReading, match_frames, settle_frames


def readings(numbers):
    """Frame numbers, or a reason in their place."""
    return [FrameReading(n) if isinstance(n, int) else FrameReading(reason=n) for n in numbers]


def matched(numbers, *, hold=10, source_frames=100, settle=2):
    return match_frames(
        readings(numbers),
        hold=hold,
        source_frames=source_frames,
        settle=settle,
    )


@pytest.mark.parametrize(
    ("hold", "rate", "frames"), [(24, 24, 6), (4, 24, 1), (8, 60, 2), (480, 60, 120), (400, 24, 48)]
)
def test_settling_is_a_quarter_page_and_at_most_two_seconds(hold, rate, frames):
    assert settle_frames(hold, rate) == frames


def test_a_clean_capture_loses_only_page_changes_and_settling():
    timing = matched(range(100))
    assert timing.left_out == {"page change": 20, "settling": 10}
    assert timing.matches.tolist() == [[n, n] for n in range(100) if 2 <= n % 10 <= 8]
    assert (timing.dropped, timing.repeated) == (0, 0)


def test_drops_and_repeats_are_counted_and_shift_the_match():
    timing = matched([*range(5), 8, 8, 8, *range(9, 20)])
    assert (timing.dropped, timing.repeated) == (3, 2)
    assert [4, 4] in timing.matches.tolist()
    assert [7, 8] in timing.matches.tolist()


def test_unreadable_and_blended_frames_are_no_drops():
    timing = matched([0, 1, 2, "blended", 4, "unreadable", "unreadable", 7, 8, 9])
    assert timing.dropped == 0
    assert timing.left_out["blended"] == 1
    assert timing.left_out["unreadable"] == 2
    assert timing.matches[:, 1].tolist() == [2, 4, 7, 8]


def test_a_looping_clip_starts_its_page_anew():
    timing = matched([*range(3, 10), *range(3, 10)])
    assert timing.left_out == {"page change": 4}
    assert timing.matches[:, 1].tolist() == [*range(4, 9)] * 2


def test_frames_that_the_source_lacks_are_left_out():
    timing = matched(range(40), source_frames=20)
    assert timing.left_out["beyond source"] == 20
    assert timing.matches.tolist() == [[n, n] for n in range(20) if 2 <= n % 10 <= 8]


def test_nothing_readable_matches_nothing():
    timing = matched(["unreadable"] * 5)
    assert timing.matches.shape == (0, 2)
    assert timing.left_out == {"unreadable": 5}


@given(st.lists(st.integers(0, 120) | st.sampled_from(["blended", "unreadable"]), max_size=200))
def test_every_captured_frame_is_used_or_left_out_for_one_reason(numbers):
    timing = matched(numbers, source_frames=90)
    assert len(timing.matches) + sum(timing.left_out.values()) == len(numbers)
    assert (np.diff(timing.matches[:, 0]) > 0).all()
    for captured, source in timing.matches.tolist():
        assert numbers[captured] == source
        assert source % 10 >= 2
