"""A comparison, and the nearest curve files of a folder, as JSON values."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from tonelab.compare.verdicts import between
from tonelab.views.document import plain
from tonelab.views.sentences import pair_sentence, worth_saying
from tonelab.views.words import display_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tonelab.compare import Comparison
    from tonelab.compare.library import Neighbours
    from tonelab.compare.ranking import Ranking
    from tonelab.compare.series import Series
    from tonelab.compare.verdicts import PairVerdict
    from tonelab.results import Measurement, Score


def comparison_document(comparison: Comparison) -> dict[str, Any]:
    """Lay out a comparison as JSON values, with ``schema`` and ``version`` first.

    Codes are 10-bit narrow codes, distances ΔE_ITP, light cd/m2; matrices follow ``devices``.
    """
    devices = comparison.devices
    return {
        "schema": "tonelab.comparison",
        "version": 1,
        "sentences": [pair_sentence(one, devices) for one in worth_saying(comparison)],
        "devices": list(devices),
        "displays": [display_of(signal) for signal in comparison.displays],
        "landmarks": [
            {"device": device, "landmarks": plain(list(marks.values()))}
            for device, marks in zip(devices, comparison.landmarks, strict=True)
        ],
        "luminance_differences": [
            {"reference": devices[0], **plain(difference)} for difference in comparison.differences
        ],
        "chroma_by_hue": [plain(one) for one in comparison.hues],
        "delta_e_itp": _distances(comparison),
        "verdicts": [_verdict(one, devices) for one in comparison.verdicts],
        "rankings": [_ranking(ranking, devices) for ranking in comparison.rankings],
        "series": [_series(one, comparison) for one in comparison.series],
        "nearest_standard": [
            None if score is None else _nearest(score) for score in comparison.best
        ],
    }


def _distances(comparison: Comparison) -> dict[str, Any]:
    return {
        "mean": plain(comparison.distance_mean),
        "p95": plain(comparison.distance_p95),
        "low": plain(comparison.distance_low),
        "high": plain(comparison.distance_high),
        "floor": plain(comparison.distance_floor),
        "colours": comparison.colours,
        "basis": comparison.basis,
    }


def _ranking(ranking: Ranking, devices: Sequence[str]) -> dict[str, Any]:
    return {
        "reference": ranking.reference,
        "label": ranking.label,
        "entries": [{"device": devices[at], **plain(distance)} for at, distance in ranking.entries],
    }


def _series(series: Series, comparison: Comparison) -> dict[str, Any]:
    devices = comparison.devices
    return {
        "device": series.device,
        "order": [devices[at] for at in series.order],
        "steps": [
            {
                "from": devices[step.before],
                "to": devices[step.after],
                "changed": plain(step.changed),
                "metadata": plain(step.metadata),
                "mean": float(comparison.distance_mean[step.before, step.after]),
                "verdict": between(comparison.verdicts, step.before, step.after).text,
            }
            for step in series.steps
        ],
    }


def _nearest(score: Score) -> dict[str, Any]:
    return {
        "standard": score.standard,
        "label": score.label,
        "mean": score.mean,
        "p95": score.p95,
        "floor": score.floor,
    }


def _verdict(verdict: PairVerdict, devices: Sequence[str]) -> dict[str, Any]:
    return {
        "devices": [devices[verdict.first], devices[verdict.second]],
        "kind": verdict.kind,
        "text": verdict.text,
        "margin": verdict.margin,
        "distance": plain(verdict.distance),
        "remaining": plain(verdict.remaining),
        "controls": plain(verdict.controls),
        "luma": plain(verdict.luma),
    }


def neighbours_document(measurement: Measurement, found: Neighbours) -> dict[str, Any]:
    """Lay out the nearest curve files of a folder as JSON values; distances are ΔE_ITP."""
    return {
        "schema": "tonelab.neighbours",
        "version": 1,
        "device": measurement.device,
        "files": found.files,
        "unusable": list(found.unusable),
        "built_on": None if found.built_on is None else str(found.built_on.path),
        "sentence": found.sentence(measurement.device),
        "nearest": [
            {
                "file": str(one.path),
                "firmware": one.firmware,
                **_verdict(one.verdict, (measurement.device, one.device)),
            }
            for one in found.nearest
        ],
    }
