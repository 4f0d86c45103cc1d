"""Counts in sentences."""

from __future__ import annotations


def number(count: int, thing: str) -> str:
    """Write a count with its noun in the singular or plural."""
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"
