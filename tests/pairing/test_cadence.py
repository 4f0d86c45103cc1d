"""Cadences and clocks, from paths of frames that are known."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from charted import MemoryClip

from tonelab.pairing.alignment import Path
from tonelab.pairing.cadence import cadence_findings
from tonelab.signal.description import Signal

PICTURE = tuple(np.zeros(size, np.uint16) for size in ((4, 4), (2, 2), (2, 2)))
FILM, TV = Fraction(24000, 1001), Fraction(60000, 1001)


def found(places, source_rate, capture_rate):
    places = np.asarray(places)
    path = Path(places, *np.zeros((3, len(places))))
    reason = np.full(len(path.places), "", object)
    clips = (
        MemoryClip("clip.mkv", lambda _: PICTURE, len(places), Signal(), "420", rate=rate)
        for rate in (source_rate, capture_rate)
    )
    return {f.id: f for f in cadence_findings(*clips, path, reason)}


def shown(seconds, source_rate, capture_rate):
    """Source frame of each captured frame, of a clip that runs at ``source_rate`` in truth."""
    frames = np.arange(int(seconds * capture_rate))
    return [int(n * source_rate / capture_rate) for n in frames]


@pytest.mark.parametrize("capture_rate", [FILM, TV])
def test_film_at_24_for_23976_slips_a_frame_every_41_7_seconds(capture_rate):
    slip = found(shown(150, Fraction(24), capture_rate), FILM, capture_rate)["rate-slip"]
    assert slip.value == pytest.approx(0.1, abs=slip.bound)
    assert slip.bound < 0.05
    assert "every 41." in slip.text or "every 42." in slip.text or "every 40." in slip.text


def test_a_slow_clock_repeats_a_frame():
    found_ = found(shown(150, FILM, Fraction(24)), Fraction(24), Fraction(24))
    assert "shown once more" in found_["rate-slip"].text
    assert found_["rate-slip"].value == pytest.approx(-0.1, abs=found_["rate-slip"].bound)


@pytest.mark.parametrize("rates", [(FILM, FILM), (FILM, TV), (Fraction(24), Fraction(25))])
def test_clocks_that_agree_do_not_slip(rates):
    findings = found(shown(150, *rates), *rates)
    assert "rate-slip" not in findings
    assert not [f for f in findings.values() if f.severity == "warning"]


def test_scattered_drops_are_no_slip():
    places = np.delete(np.arange(3600), [400, 401, 402, 403, 700])
    findings = found(places, FILM, FILM)
    assert "rate-slip" not in findings
    assert findings["frames-dropped"].value == 5
    assert findings["frames-dropped"].severity == "warning"


def test_a_single_repeat_asks_for_a_longer_capture():
    findings = found(np.r_[0:500, 499:1000], FILM, FILM)
    assert "two minutes" in findings["frames-repeated"].decided_by


@pytest.mark.parametrize(
    ("source_rate", "capture_rate", "word"),
    [(FILM, TV, "3:2"), (TV / 2, TV, "twice"), (Fraction(25), Fraction(100), "four times")],
)
def test_pulldown_is_named(source_rate, capture_rate, word):
    assert (
        word
        in found(shown(20, source_rate, capture_rate), source_rate, capture_rate)["cadence"].text
    )


@pytest.mark.parametrize(
    "rates",
    [
        (FILM, TV),
        (FILM, Fraction(30)),
        (FILM, Fraction(30000, 1001)),
        (Fraction(24), Fraction(30)),
        (Fraction(25), Fraction(50)),
        (Fraction(24), Fraction(25)),
        (TV, Fraction(30000, 1001)),
    ],
    ids=lambda rates: f"{float(rates[0]):.3f} at {float(rates[1]):.3f}",
)
def test_a_cadence_that_the_rates_ask_for_is_no_fault(rates):
    findings = found(shown(12, *rates), *rates)
    assert all(f.severity == "info" for f in findings.values())
    asked = [f for id_, f in findings.items() if id_.startswith("frames-")]
    assert asked
    assert all(f.verdict == "transparent" for f in asked)


def test_rates_named_by_whole_numbers_are_read_as_meant():
    """The output runs at 59.94 and the recorder calls it 60."""
    findings = found(shown(30, FILM, TV), FILM, Fraction(60))
    assert all(f.severity == "info" for f in findings.values())


@pytest.mark.parametrize("capture_rate", [TV, Fraction(30), FILM])
def test_departures_from_a_cadence_are_found_and_counted(capture_rate):
    places = np.array(shown(12, FILM, capture_rate))
    # Two source frames are missing, and at another place a captured frame is held.
    places[len(places) // 3 :] += 2
    held = np.insert(places, 2 * len(places) // 3, places[2 * len(places) // 3])
    findings = found(held, FILM, capture_rate)
    assert findings["frames-dropped"].value == 2
    assert findings["frames-repeated"].value == 1
    assert findings["frames-dropped"].severity == findings["frames-repeated"].severity == "warning"


def test_uneven_holds_are_departures_though_their_mean_is_right():
    """Frames shown 2, 2, 2 and 4 times: 60 captured frames for 24, in another rhythm than 3:2."""
    places = np.tile(np.repeat(np.arange(4), (2, 2, 2, 4)), 30) + np.repeat(np.arange(30) * 4, 10)
    findings = found(places, FILM, TV)
    assert findings["frames-dropped"].value + findings["frames-repeated"].value > 20
