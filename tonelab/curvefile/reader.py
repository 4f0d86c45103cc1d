"""HDF5 into a tree, in a process of its own.

The HDF5 library ends the process, or writes where it should not, on some files that were made to
harm; a digest does not help, since whoever alters a file can seal it again. So the library sees
a stranger's bytes only in a child process, which is asked for trees and answers in plain numbers:
what it breaks is its own, and the parent says so in a sentence. A child reads one file after
another until one breaks it; each thread that reads has its own, up to one a core. Neither the
spelling of a path nor file locks reach it: it is given bytes.
"""

from __future__ import annotations

import atexit
import json
import math
import os
import signal
import subprocess
import sys
import threading
from contextlib import suppress
from typing import IO, TYPE_CHECKING, Any

import numpy as np

from tonelab.curvefile.index import DEEPEST, LARGEST
from tonelab.curvefile.schema import SCHEMA_VERSION
from tonelab.curvefile.tree import Leaf, MalformedError, Tree

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

_PATIENCE = 5.0  # seconds of processor time for one file; real ones take a few hundredths
_LONGEST_WAIT = 60.0  # seconds for one file, however busy the machine is
_LARGEST_ANSWER = LARGEST + 2**24
_BROKEN = "its structure breaks the HDF5 library"
_NO_CHILD = "no second Python process could be started to read it"
_READY = b"ready"
_HEAD = 8  # bytes that say how long a message is

# What h5py raises on what it cannot read, depending on where the fault is.
_FAULTS = (
    OSError,
    RuntimeError,
    KeyError,
    ValueError,
    TypeError,
    AttributeError,
    IndexError,
    OverflowError,
    MemoryError,
    RecursionError,
)


def read_tree(image: bytes, *, described: bool = False) -> tuple[int, Tree]:
    """Read schema version and tree of an HDF5 file that is given as bytes.

    Parameters
    ----------
    image
        The whole file.
    described
        Whether units, descriptions and dimension names are wanted; they take half the time.

    Returns
    -------
    int, Tree
        The tree is empty when the schema is newer than this tonelab.

    Raises
    ------
    MalformedError
        When it is no HDF5 that a curve file would hold, or the library failed on it.
    """
    answer = _ask(bytes([described]) + image)
    try:
        return _decode(answer)
    except MalformedError:
        raise
    except (ValueError, TypeError, KeyError, RecursionError):
        raise MalformedError(_BROKEN) from None


# The parent's side

_places = threading.BoundedSemaphore(os.cpu_count() or 1)
_starting = threading.Lock()
_idle: list[_Child] = []


class _Child:
    """A process that reads one file after another, for one thread at a time."""

    def __init__(self) -> None:
        self.owner = os.getpid()  # a fork must not share its pipes
        try:
            self.process = subprocess.Popen(
                [sys.executable, "-c", "from tonelab.curvefile.reader import serve; serve()"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env=os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
                creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
            )
        except OSError as fault:
            raise MalformedError(_NO_CHILD) from fault
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.questions, self.answers = self.process.stdin, self.process.stdout
        try:
            _exactly(self.answers, len(_READY))
        except (OSError, EOFError) as fault:
            self.end()
            raise MalformedError(_NO_CHILD) from fault
        except BaseException:
            self.end()
            raise

    def ask(self, question: bytes) -> bytes:
        """Put a question; whatever goes wrong ends the child, so that no answer is left over."""
        watch = threading.Timer(_LONGEST_WAIT, self.process.kill)
        watch.start()
        try:
            self.questions.write(len(question).to_bytes(_HEAD, "little") + question)
            self.questions.flush()
            return _receive(self.answers, _LARGEST_ANSWER)
        except (OSError, EOFError):
            self.end()
            raise MalformedError(_BROKEN) from None
        except BaseException:
            self.end()
            raise
        finally:
            watch.cancel()

    def end(self) -> None:
        self.process.kill()
        for pipe in (self.questions, self.answers):
            with suppress(OSError):
                pipe.close()
        self.process.wait()


def _ask(question: bytes) -> bytes:
    with _places:
        child = _free_child()
        answer = child.ask(question)
        _idle.append(child)
    return answer


def _free_child() -> _Child:
    with _starting:
        while _idle:
            child = _idle.pop()
            if child.owner == os.getpid():
                if child.process.poll() is None:
                    return child
                child.end()
        return _Child()


def close_readers() -> None:
    """End the children that have nothing to do; the next file starts another."""
    while _idle:
        child = _idle.pop()
        if child.owner == os.getpid():
            child.end()


atexit.register(close_readers)


# The child's side


def serve() -> None:
    """Answer on stdout what is asked on stdin, until that ends."""
    _bound_memory()
    questions, answers = sys.stdin.buffer, sys.stdout.buffer
    sys.stdout = sys.stderr
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent minds interruptions
    answers.write(_READY)
    answers.flush()
    with suppress(EOFError, BrokenPipeError):
        while True:
            question = _receive(questions, LARGEST + 1)
            _allow(_PATIENCE)
            answer = _answer(question[1:], described=bool(question[0]))
            _allow(0.0)
            answers.write(len(answer).to_bytes(_HEAD, "little") + answer)
            answers.flush()


def _bound_memory() -> None:
    try:
        import resource
    except ImportError:  # not on Windows; the budget of bytes holds there too
        return
    with suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_AS, (6 * LARGEST, 6 * LARGEST))


def _allow(seconds: float) -> None:
    """End this process when it has worked for so long; 0 takes the bound away."""
    with suppress(AttributeError):  # not on Windows, where the parent's wait is the bound
        signal.setitimer(signal.ITIMER_PROF, seconds)


def _answer(image: bytes, *, described: bool) -> bytes:
    import h5py

    try:
        with h5py.File(h5py.h5f.open_file_image(image)) as file:
            version = _schema_of(file)
            newer = version > SCHEMA_VERSION
            return _encode(version, {} if newer else _Walk(described).group(file.id, "", 0))
    except MalformedError as fault:
        return _encode_fault(str(fault))
    except _FAULTS as fault:
        return _encode_fault(f"HDF5 says {fault}")


def _schema_of(file: Any) -> int:
    version = file.attrs.get("tonelab_schema")
    if not isinstance(version, np.integer) or version < 1:
        raise MalformedError("it does not state the schema of a curve file")
    return int(version)


class _Walk:
    """Reads groups into a tree, each object once and within a budget of bytes.

    Through h5py's low level, which takes a third of the time of its objects.
    """

    def __init__(self, described: bool) -> None:
        self.described = described
        self.seen: set[int] = set()
        self.budget = LARGEST

    def group(self, group: Any, path: str, depth: int) -> Tree:
        if depth > DEEPEST:
            raise MalformedError(f"its groups are nested deeper than {DEEPEST} levels")
        links: list[tuple[bytes, int]] = []
        group.links.iterate(lambda name, link: links.append((name, link.type)), info=True)
        return {
            name.decode(): self._member(group, name, kind, f"{path}/{name.decode()}", depth)
            for name, kind in links
        }

    def _member(self, group: Any, name: bytes, kind: int, path: str, depth: int) -> Leaf | Tree:
        from h5py import h5d, h5g, h5l, h5o

        if kind != h5l.TYPE_HARD:
            raise MalformedError(f"{path} is a soft or external link, which no curve file holds")
        node = h5o.open(group, name)
        address = h5o.get_info(node).addr
        if address in self.seen:
            raise MalformedError(f"{path} is a second name for another object")
        self.seen.add(address)
        if isinstance(node, h5g.GroupID):
            return self.group(node, path, depth + 1)
        if isinstance(node, h5d.DatasetID):
            return self._leaf(node, path)
        raise MalformedError(f"{path} is neither group nor dataset")

    def _leaf(self, dataset: Any, path: str) -> Leaf:
        from h5py import h5d, h5s, h5z

        usual = {h5z.FILTER_DEFLATE, h5z.FILTER_SHUFFLE, h5z.FILTER_FLETCHER32}
        plist = dataset.get_create_plist()
        filters = {plist.get_filter(index)[0] for index in range(plist.get_nfilters())}
        elsewhere = plist.get_layout() == h5d.VIRTUAL or plist.get_external_count()
        if elsewhere or not filters <= usual:
            raise MalformedError(f"{path} is stored in a way no curve file uses")
        dtype = dataset.dtype
        space = dataset.get_space()
        if space.get_simple_extent_type() == h5s.NULL or dtype.kind not in "bifuS":
            raise MalformedError(f"{path} holds a kind of value no curve file uses")
        shape = space.get_simple_extent_dims()
        size = math.prod(shape) * dtype.itemsize
        self.budget -= size
        if self.budget < 0:
            raise MalformedError(f"{path} claims {size} bytes, far too many")
        values = np.empty(shape, dtype)
        dataset.read(h5s.ALL, h5s.ALL, values)
        return self._described(dataset, values.astype(dtype.str, copy=False))

    def _described(self, dataset: Any, values: NDArray[Any]) -> Leaf:
        import h5py

        if not self.described:
            coded = values.dtype.kind == "S" and h5py.h5a.exists(dataset, b"coding")
            return Leaf(values, coding=_text(h5py.Dataset(dataset), "coding") if coded else "")
        node = h5py.Dataset(dataset)
        return Leaf(
            values,
            unit=_text(node, "unit"),
            description=_text(node, "description"),
            dims=tuple(filter(None, (dim.label for dim in node.dims))),
            coding=_text(node, "coding"),
            run_only="run_only" in node.attrs,
        )


def _text(node: Any, name: str) -> str:
    value = node.attrs.get(name, b"")
    return value.decode() if isinstance(value, bytes) else str(value)


# Messages: a length, then JSON on one line, then the bytes of all arrays


def _receive(pipe: IO[bytes], largest: int) -> bytes:
    length = int.from_bytes(_exactly(pipe, _HEAD), "little")
    if length > largest:
        raise EOFError
    return _exactly(pipe, length)


def _exactly(pipe: IO[bytes], length: int) -> bytes:
    data = pipe.read(length)
    if len(data) != length:
        raise EOFError
    return data


def _encode_fault(text: str) -> bytes:
    return json.dumps({"fault": text}).encode() + b"\n"


def _encode(version: int, tree: Tree) -> bytes:
    arrays: list[bytes] = []
    head = {"version": version, "tree": _describe(tree, arrays)}
    return b"".join([json.dumps(head).encode(), b"\n", *arrays])


def _describe(node: Leaf | Tree, arrays: list[bytes]) -> Any:
    if not isinstance(node, Leaf):
        return {name: _describe(member, arrays) for name, member in node.items()}
    arrays.append(np.ascontiguousarray(node.values).tobytes())
    text = (node.unit, node.description, node.dims, node.coding, node.run_only)
    return [node.values.dtype.str, node.values.shape, *text]


def _decode(answer: bytes) -> tuple[int, Tree]:
    line, _, data = answer.partition(b"\n")
    head = json.loads(line)
    if "fault" in head:
        raise MalformedError(str(head["fault"]))
    return int(head["version"]), dict(_members(head["tree"], memoryview(data), [0]))


def _members(
    nodes: dict[str, Any], data: memoryview, place: list[int]
) -> Iterator[tuple[str, Leaf | Tree]]:
    for name, node in nodes.items():
        if isinstance(node, dict):
            yield name, dict(_members(node, data, place))
            continue
        dtype, shape, unit, description, dims, coding, run_only = node
        kind = np.dtype(str(dtype))
        size = kind.itemsize * int(np.prod(shape, dtype=np.int64))
        values = np.frombuffer(data[place[0] : place[0] + size], kind).reshape(shape).copy()
        place[0] += size
        yield name, Leaf(values, unit, description, tuple(dims), coding, bool(run_only))
