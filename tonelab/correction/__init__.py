"""Corrections: a measured conversion baked into a file, and proved on a capture not fitted."""

from tonelab.correction.bake import Correction, correct
from tonelab.correction.verify import Verification, verify

__all__ = ["Correction", "Verification", "correct", "verify"]
