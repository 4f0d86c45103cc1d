"""A correction and its proof, as JSON values."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from tonelab.correction import Applying, Correction, Verification


def correction_document(correction: Correction, disagreement: float) -> dict[str, Any]:
    """Lay out a correction as JSON values, all regions included.

    Errors are ΔE_ITP; ``readers_differ_by`` is in numbers of the file, 0..1, as `Correction.save`
    returns it.
    """
    return {
        "kind": correction.kind,
        "name": correction.name,
        "input": correction.input.describe(),
        "output": correction.output.describe(),
        "size": correction.table.size,
        "predicted_errors": [
            {
                key: None if isinstance(value, float) and math.isnan(value) else value
                for key, value in asdict(error).items()
            }
            for error in correction.errors
        ],
        "nodes": {name: int(mask.sum()) for name, mask in correction.masks.items()},
        "regions": [asdict(doubt) for doubt in correction.doubts],
        "notes": list(correction.notes),
        "readers_differ_by": disagreement,
    }


def verification_document(found: Verification) -> dict[str, Any]:
    """Lay out a proof as JSON values; errors are ΔE_ITP, ``codes_rms`` codes of the capture."""
    return asdict(found)


def applying_document(found: Applying) -> dict[str, Any]:
    """Lay out a rendering as JSON values; ``table_mean`` and ``table_p99`` are codes."""
    return asdict(found)
