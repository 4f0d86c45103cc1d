"""A tree into the bytes of an HDF5 file, followed by its index."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import h5py
import numpy as np

from tonelab.curvefile.index import make_index
from tonelab.curvefile.schema import SCHEMA_VERSION
from tonelab.curvefile.tree import Leaf, Tree

if TYPE_CHECKING:
    from tonelab.signal.arrays import FloatArray

_UNSEALED = b"tonelab sha256 " + b"0" * 64
_LIBVER = ("v110", "v110")
_INTEGRITY = Leaf(
    np.array(_UNSEALED),
    description="SHA-256 of this file with zeros in place of its 64 digits",
    run_only=True,
)


def serialise(tree: Tree, summary: FloatArray) -> bytes:
    """Return the bytes of a curve file, not yet sealed.

    Parameters
    ----------
    tree
        Groups and datasets. Arrays are written as one chunk with a checksum (fletcher32), bulky
        ones also shuffled and compressed (gzip 1).
    summary
        The fingerprint, shape (`fingerprint.SIZE`,).

    Returns
    -------
    bytes
        HDF5 in the 1.10 format followed by the index, and zeros in place of the seal's digits.
    """
    image = io.BytesIO()
    with h5py.File(image, "w", libver=_LIBVER, track_order=False) as file:
        _set_text(file, "description", "Curve file: one measured pair of HDR source and capture")
        file.attrs.create("tonelab_schema", SCHEMA_VERSION, dtype=np.int64)
        written = {
            "integrity": _write_leaf(file, "integrity", _INTEGRITY),
            "fingerprint": _write_leaf(file, "fingerprint", _fingerprint_leaf(summary)),
            **_write_group(file, tree),
        }
        file.flush()
        index = make_index(written)
    return image.getvalue() + index


def _fingerprint_leaf(summary: FloatArray) -> Leaf:
    """Text, so that it is found in the file's bytes without the HDF5 library."""
    return Leaf(
        np.array(b"tonelab print " + summary.astype("<f4").tobytes().hex().encode()),
        description="Luminance curve and chroma gain at fixed points, little-endian float32",
        run_only=True,
    )


def _write_group(group: Any, tree: Tree) -> dict[str, Any]:
    """Write what is in a tree; return the open datasets, by name, as they are nested."""
    return {
        name: _write_leaf(group, name, node)
        if isinstance(node, Leaf)
        else _write_group(group.create_group(name), node)
        for name, node in sorted(tree.items())
    }


def _write_leaf(group: Any, name: str, leaf: Leaf) -> h5py.Dataset:
    values = leaf.values
    options: dict[str, Any] = {}
    if values.ndim and values.size:
        options = {"chunks": values.shape, "fletcher32": True}
        if leaf.bulky:
            options |= {"compression": "gzip", "compression_opts": 1, "shuffle": True}
    if values.dtype.kind == "S":
        values = values.astype(h5py.string_dtype("utf-8", values.itemsize))
    dataset = group.create_dataset(name, data=values, **options)
    _set_text(dataset, "unit", leaf.unit)
    _set_text(dataset, "description", leaf.description)
    if leaf.coding:
        _set_text(dataset, "coding", leaf.coding)
    if leaf.run_only:
        dataset.attrs.create("run_only", 1, dtype=np.int64)
    for axis, label in enumerate(leaf.dims):
        dataset.dims[axis].label = label
    return dataset


def _set_text(node: Any, name: str, text: str) -> None:
    encoded = text.encode()
    dtype = h5py.string_dtype("utf-8", max(len(encoded), 1))
    node.attrs.create(name, np.array(encoded, dtype=dtype), dtype=dtype)
