"""The curve file: the immutable HDF5 record of one measured pair."""

from tonelab.curvefile.store import content_hash, load, read_fingerprint, save

__all__ = ["content_hash", "load", "read_fingerprint", "save"]
