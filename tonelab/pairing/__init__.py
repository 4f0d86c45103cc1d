"""Registering a capture with its source: which frame, which pixel, what to leave out."""

from tonelab.pairing.pair import Pair, pair

__all__ = ["Pair", "pair"]
