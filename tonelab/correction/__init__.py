"""Corrections: a measured conversion baked into a file, proved, and applied to any clip."""

from tonelab.correction.applying import apply_array
from tonelab.correction.bake import Correction, correct
from tonelab.correction.rendering import Applying, apply
from tonelab.correction.verify import Verification, verify

__all__ = [
    "Applying",
    "Correction",
    "Verification",
    "apply",
    "apply_array",
    "correct",
    "verify",
]
