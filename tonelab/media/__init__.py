"""Clips on disk: open, look, read native planes, write."""

from tonelab.media.clip import Clip, ClipFormat, Frame, StaticMetadata
from tonelab.media.opening import decoder_is_deterministic, open_clip, parse_statement
from tonelab.media.readers import READERS
from tonelab.media.writing import write_clip

__all__ = [
    "READERS",
    "Clip",
    "ClipFormat",
    "Frame",
    "StaticMetadata",
    "decoder_is_deterministic",
    "open_clip",
    "parse_statement",
    "write_clip",
]
