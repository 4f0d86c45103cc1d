"""Two captures held against each other, in words of difference: neither of them is the truth."""

from tonelab.differences.run import difference

__all__ = ["difference"]
