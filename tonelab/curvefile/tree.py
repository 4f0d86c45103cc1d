"""The content of a curve file as a plain tree of named arrays, and its digest."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, eq=False)
class Leaf:
    """One dataset.

    Attributes
    ----------
    values
        Numbers, truth values, or UTF-8 text as fixed-length bytes; any shape.
    unit, description
        What the numbers are, for whoever opens the file in a viewer.
    dims
        A name for each dimension.
    coding
        ``json`` when the text holds a JSON value, otherwise empty.
    run_only
        Whether it belongs to this run and not to what was measured (time, host, ...).
    bulky
        Whether it is worth compressing.
    """

    values: NDArray[Any]
    unit: str = ""
    description: str = ""
    dims: tuple[str, ...] = ()
    coding: str = ""
    run_only: bool = False
    bulky: bool = False


Tree: TypeAlias = "Mapping[str, Leaf | Tree]"


class MalformedError(ValueError):
    """A file does not hold what its schema asks for; the message is the fault, for a sentence."""


def leaves(tree: Tree, prefix: str = "") -> Iterator[tuple[str, Leaf]]:
    """All datasets with their paths, in the order of their names.

    Yields
    ------
    str, Leaf
        Path, such as ``"curves/luminance/code"`` under the ``prefix``, and dataset.
    """
    for name in sorted(tree):
        node = tree[name]
        if isinstance(node, Leaf):
            yield prefix + name, node
        else:
            yield from leaves(node, f"{prefix}{name}/")


def digest(tree: Tree) -> str:
    """SHA-256 over names, attributes, types, shapes and values of all datasets.

    What belongs to the run only does not count.

    Returns
    -------
    str
        64 hexadecimal digits, the same on every platform.
    """
    total = hashlib.sha256()
    for path, leaf in leaves(tree):
        if leaf.run_only:
            continue
        values = np.ascontiguousarray(leaf.values)
        little = values.astype(values.dtype.newbyteorder("<"), copy=False)
        head = (path, leaf.unit, leaf.description, leaf.dims, leaf.coding)
        total.update(repr((*head, leaf.values.shape, little.dtype.str)).encode())
        total.update(little.tobytes())
    return total.hexdigest()


def same_values(one: Tree, other: Tree) -> bool:
    """Whether two trees hold the same datasets, whatever is said about them.

    Paths, types, shapes, codings and bytes of values count; units, descriptions and dimension
    names do not.
    """

    def plain(tree: Tree) -> list[tuple[object, ...]]:
        return [
            (path, leaf.coding, leaf.values.dtype, leaf.values.shape, leaf.values.tobytes())
            for path, leaf in leaves(tree)
        ]

    return plain(one) == plain(other)
