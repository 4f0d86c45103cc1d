"""Exact integer counts and sums of a pair; everything after works from these alone."""

from tonelab.results.tallies import Tallies

__all__ = ["Tallies"]
