"""The command line: parse, call, print. No arithmetic here, and nothing heavy at import."""

from tonelab.cli.app import main

__all__ = ["main"]
