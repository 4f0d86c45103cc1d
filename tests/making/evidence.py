"""Evidence of a path whose tables and answers are given, in place of pictures to read them from.

All of it are the objects of the package itself, empty or faultless but for what a test fills in.
Pixel tables are built here and nowhere else in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import cache, cached_property

import numpy as np
from charted import capture_signal
from pictured import content_pair

from tonelab.checks.evidence import PathEvidence
from tonelab.checks.explain import Explanation
from tonelab.checks.samples import Samples
from tonelab.pixels.tables import PixelTables

NO_SAMPLES = Samples(*np.zeros((3, 0, 3)), *np.zeros((3, 0), np.int64))


@cache
def _empty_tables():
    return PixelTables.empty(content_pair(list))


def tables(**filled):
    """Tables of a pair of which no frame was read, but for those given."""
    names = {field.name for field in fields(PixelTables)}
    own = {name: value for name, value in filled.items() if name in names}
    sums = {name: value for name, value in filled.items() if name not in names}
    return replace(_empty_tables(), **own).with_tables(**sums)


def explained(**fields):
    """Explanation of colours that arrive as they were sent, but for the fields given."""
    faultless = {
        "linear": np.eye(3), "offset": np.zeros(3), "planes": "", "matrices": None, "again": None,
        "gamut": None, "luma_gain": 1.0, "luma_offset": 0.0, "chroma_offset": (0.0, 0.0),
        "saturation": 1.0, "rotation": 0.0, "left_over": 0.0, "residual": np.zeros(3),
        "used": np.zeros(0, bool), "before": np.zeros((0, 3)), "known": np.eye(3),
        "signal": capture_signal(),
    }  # fmt: skip
    return Explanation(**{**faultless, **fields})


@dataclass(frozen=True)
class ColouredEvidence(PathEvidence):
    """Evidence of colours that stand for patches, without the layout of a chart."""

    def as_captured(self, *_groups):
        return self.colours


def evidence_with(paths=None, *, kind=PathEvidence, bits=10, layout=None, **answers):
    """Evidence from tables, and what of it is taken as known.

    ``answers`` are cached properties of the evidence; all else it works out from them.
    """
    for name in answers:
        assert isinstance(getattr(PathEvidence, name), cached_property), name
    source = capture_signal()
    evidence = kind(source, replace(source, bits=bits), layout=layout, paths=paths)
    vars(evidence).update(answers)
    return evidence
