"""The curve file: the immutable HDF5 record of one measured pair."""

from tonelab.curvefile.store import (
    content_hash,
    in_threads,
    load,
    load_all,
    read_fingerprint,
    save,
)

__all__ = ["content_hash", "in_threads", "load", "load_all", "read_fingerprint", "save"]
