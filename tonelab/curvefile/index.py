"""Where in a curve file each dataset lies, so that it is read without the HDF5 library.

Opening two hundred small datasets takes the library longer than all that is done with them, and
a stranger's file must be opened in another process. The index follows the end of the HDF5 data,
where the library does not look: JSON on one line, then a footer that says how long it is. It
holds no values, so there is one copy of each number only.
"""

from __future__ import annotations

import json
import math
import re
import zlib
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from tonelab.curvefile.schema import SCHEMA_VERSION
from tonelab.curvefile.tree import Leaf, MalformedError, Tree

if TYPE_CHECKING:
    from numpy.typing import NDArray

DEEPEST = 12  # nested groups
LARGEST = 2**28  # bytes of a file, and of all its datasets once unpacked; real ones hold a few MB

_FOOTER = re.compile(rb"\ntonelab index ([0-9]{8})\Z")
_FOOTER_SIZE = 23
_LONGEST = 2**20  # bytes of an index; real ones take a twentieth
_DTYPE = re.compile(r"[<>|][bifuS][0-9]{1,9}")
_CHUNKED = 2  # numbers of the HDF5 file format: a layout, and filters
_DEFLATE, _SHUFFLE, _FLETCHER32 = 1, 2, 3
_FILTERS = 3  # of one dataset, at most
_CHECKSUM = 4  # bytes
# Filters under which values lie there as they are.
_AS_IT_IS: tuple[list[int], ...] = ([], [_FLETCHER32])
_WRONG = "its index does not fit it"
_FAULTS = (
    ValueError,
    TypeError,
    AttributeError,
    KeyError,
    OverflowError,
    RecursionError,
    zlib.error,
)


def make_index(written: dict[str, Any]) -> bytes:
    """Return the index of an HDF5 file that was just written, to be appended to it.

    Parameters
    ----------
    written
        By name, open `h5py.Dataset` of at most one chunk each, and dicts of the same for groups;
        the file is flushed.

    Returns
    -------
    bytes
        JSON with the schema version and, for each dataset, type, shape, place and size in bytes,
        filters and coding; then the footer.
    """
    head = {"version": SCHEMA_VERSION, "tree": _entries(written)}
    line = json.dumps(head, separators=(",", ":")).encode()
    return b"%b\ntonelab index %08d" % (line, len(line))


def _entries(node: Any) -> Any:
    """Names with entries: type, shape, place, stored bytes, filters in writing order, coding."""
    if isinstance(node, dict):
        return {name: _entries(node[name]) for name in sorted(node)}
    kind, shape, pipeline = node.id.dtype, node.id.shape, node.id.get_create_plist()
    place, size = node.id.get_offset() or 0, math.prod(shape) * kind.itemsize
    filters: list[int] = []
    if pipeline.get_layout() == _CHUNKED:
        (chunk,) = (node.id.get_chunk_info(at) for at in range(node.id.get_num_chunks()))
        place, size = chunk.byte_offset, chunk.size
        filters = [
            pipeline.get_filter(at)[0]
            for at in range(pipeline.get_nfilters())
            if not chunk.filter_mask >> at & 1
        ]
    coding = node.attrs.get("coding", b"").decode()
    return [kind.str, shape, place, size, filters, coding]


def has_index(image: bytes) -> bool:
    """Whether the bytes of a curve file end with an index."""
    return _footer(image) is not None


def _footer(image: bytes) -> re.Match[bytes] | None:
    return _FOOTER.search(image, len(image) - _FOOTER_SIZE)


def read_index(image: bytes) -> tuple[int, Tree]:
    """Read schema version and tree of a curve file from its bytes.

    Parameters
    ----------
    image
        The whole file.

    Returns
    -------
    int, Tree
        The tree is empty when the schema is newer than this tonelab. Units, descriptions and names
        of dimensions are left out; arrays may be read-only.

    Raises
    ------
    MalformedError
        When there is no index, or it does not fit the file.
    """
    footer = _footer(image)
    if footer is None:
        raise MalformedError("it has no index")
    start = footer.start() - int(footer[1])
    if start < 0 or int(footer[1]) > _LONGEST:
        raise MalformedError(_WRONG)
    try:
        head = json.loads(image[start : footer.start()])
        version = int(head["version"])
        if version > SCHEMA_VERSION:
            return version, {}
        return version, _Reader(memoryview(image)[:start]).group(head["tree"], 0)
    except _FAULTS:
        raise MalformedError(_WRONG) from None


class _Reader:
    """Turns entries into leaves within a budget of bytes; trusts nothing that an entry says."""

    def __init__(self, data: memoryview) -> None:
        self.data = data
        self.budget = LARGEST

    def group(self, entries: dict[str, Any], depth: int) -> Tree:
        if depth > DEEPEST:
            raise MalformedError(_WRONG)
        return {
            name: self.group(entry, depth + 1) if isinstance(entry, dict) else self._leaf(*entry)
            for name, entry in entries.items()
        }

    def _leaf(
        self, kind: str, shape: list[int], place: int, size: int, filters: list[int], coding: str
    ) -> Leaf:
        if min(shape, default=0) < 0:
            raise MalformedError(_WRONG)
        dtype = _dtype(kind)
        count = math.prod(shape)
        wanted = count * dtype.itemsize
        self.budget -= wanted
        outside = place < 0 or size < 0 or place + size > len(self.data)
        if outside or self.budget < 0 or len(filters) > _FILTERS:
            raise MalformedError(_WRONG)
        values: NDArray[Any]
        if not wanted:
            values = np.empty(0, dtype)
        elif filters in _AS_IT_IS:
            if size - _CHECKSUM * len(filters) != wanted:
                raise MalformedError(_WRONG)
            values = np.frombuffer(self.data, dtype, count, place)
        else:
            stored = bytes(self.data[place : place + size])
            values = np.frombuffer(_unpacked(stored, tuple(filters), wanted, dtype.itemsize), dtype)
        if dtype.kind == "b":
            values = values.view(np.uint8) != 0
        return Leaf(values.reshape(shape), coding=str(coding))


@lru_cache(maxsize=256)
def _dtype(kind: str) -> np.dtype[Any]:
    if not _DTYPE.fullmatch(kind):
        raise MalformedError(_WRONG)
    return np.dtype(kind)


@lru_cache(maxsize=32)  # measurements of one chart share most of their tables
def _unpacked(stored: bytes, filters: tuple[int, ...], wanted: int, item: int) -> memoryview:
    """Undo the filters of a dataset, the last one first."""
    data = memoryview(stored)
    for number in reversed(filters):
        data = _undone(number, data, wanted, item)
    if len(data) != wanted:
        raise MalformedError(_WRONG)
    return data.toreadonly()


def _undone(number: int, stored: memoryview, wanted: int, item: int) -> memoryview:
    """Undo one filter of the HDF5 library."""
    if number == _FLETCHER32:  # the seal of the file holds more than this sum does
        return stored[:-_CHECKSUM]
    if number == _DEFLATE:
        return memoryview(zlib.decompressobj().decompress(stored, max(wanted, 1)))
    if number == _SHUFFLE and len(stored) == wanted:
        planes = np.frombuffer(stored, np.uint8).reshape(item, -1)
        values = np.zeros(planes.shape[::-1], np.uint8)
        for at, plane in enumerate(planes):
            if plane.any():  # whole numbers seldom fill their upper bytes
                values[:, at] = plane
        return values.data.cast("B")
    raise MalformedError(_WRONG)
