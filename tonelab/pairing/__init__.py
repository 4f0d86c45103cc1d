"""Registering a capture with its source: which frame, which pixel, what to leave out."""

from tonelab.pairing.pair import pair, pair_captures
from tonelab.pairing.result import Pair

__all__ = ["Pair", "pair", "pair_captures"]
