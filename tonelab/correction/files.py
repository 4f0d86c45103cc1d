"""Correction files: Common LUT Format and the plain-text 3D cube.

A file takes its place only after independent readers have applied it and agreed with our own
evaluation: OpenColorIO for both formats, FFmpeg's ``lut3d`` for the cube (it does not read CLF).
"""

from __future__ import annotations

import re
import tempfile
import uuid
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from tonelab.correction.table import READERS, LookTable
from tonelab.errors import SignalError, UsageError
from tonelab.outputs import check_output, whole_file
from tonelab.signal.description import Signal, parse_signal

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tonelab.correction.table import Interpolation
    from tonelab.signal.arrays import FloatArray

SUFFIXES = (".clf", ".cube")
TOLERANCE = 1e-4  # of full scale
_CLF = "Academy/ASC Common LUT Format"
_PROBES = 4096
_HEAD_LINES = 64  # of a cube, among which its descriptors stand
_LARGEST = 2**28  # bytes of a file; the largest table that is read, of 129 nodes, takes a quarter
_SECOND = Fraction(1, 1)
_NAMESPACE = uuid.UUID("5a0b1e5c-5f0e-5d0f-9c53-70c1ab3e0000")


def check_suffix(path: Path) -> None:
    """Refuse a name whose ending is no format of corrections.

    Raises
    ------
    UsageError
        When it ends in neither ``.clf`` nor ``.cube``.
    """
    if path.suffix.lower() not in SUFFIXES:
        raise UsageError(f"{path} is no correction by its name, which must end in .clf or .cube.")


def write_correction(
    path: Path,
    table: LookTable,
    descriptors: Mapping[str, str],
    lines: tuple[str, ...],
    *,
    overwrite: bool = False,
) -> float:
    """Write a correction, have it read back, and give it its name.

    Parameters
    ----------
    path
        Ending in ``.clf`` or ``.cube``; a cube spans the numbers 0..1.
    table
        What to write.
    descriptors
        ``InputDescriptor`` and ``OutputDescriptor``, as `describe_coding` makes them.
    lines
        The description.
    overwrite
        Whether an existing file may be replaced.

    Returns
    -------
    float
        The largest difference between the independent readers and our own evaluation.

    Raises
    ------
    UsageError
        When the file cannot be written, or a reader disagrees by more than 1e-4.
    """
    check_suffix(path)
    check_output(path, overwrite=overwrite)
    suffix = path.suffix.lower()
    text = (_as_clf if suffix == ".clf" else _as_cube)(table, descriptors, lines)
    try:
        with tempfile.TemporaryDirectory(prefix="tonelab-") as folder:
            trial = Path(folder) / f"trial{suffix}"
            trial.write_text(text, encoding="utf-8", newline="\n")
            worst = _disagreement(trial, table)
    except OSError as fault:
        reason = fault.strerror or str(fault)
        raise UsageError(
            f"{path} cannot be written: its trial in the folder for temporary files failed "
            f"({reason}); check free space there."
        ) from fault
    if not worst <= TOLERANCE:
        raise UsageError(
            f"An independent reader of {path.name} differs by {worst:.2g} of full scale, so it was "
            "not written: report this as a defect."
        )
    with whole_file(path, overwrite=overwrite) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="\n")
    return worst


def describe_coding(signal: Signal) -> str:
    """Return how the R'G'B' numbers of a file are coded, to be read by people and `parse_signal`.

    A number is a code over the largest code of the bit depth.
    """
    fields = f"matrix=rgb,range={signal.range},transfer={signal.transfer}"
    fields += f",primaries={signal.primaries},bits={signal.bits}"
    if signal.transfer != "pq":
        fields += f",peak={signal.peak:g},black={signal.black:g}"
    return f"{fields} (R'G'B'; {signal.describe()})"


def read_descriptors(path: Path) -> tuple[Signal | None, Signal | None]:
    """Return how input and output of a correction are coded, None where the file does not say.

    Raises
    ------
    UsageError
        When it cannot be read, or says what makes no sense.
    """
    if path.suffix.lower() == ".cube":
        with path.open(encoding="utf-8", errors="replace") as file:
            head = [line for _, line in zip(range(_HEAD_LINES), file, strict=False)]
        pairs = [line.lstrip("# ").partition(": ")[::2] for line in head if line.startswith("#")]
    else:
        metadata = _processor(path, "tetrahedral").createGroupTransform().getFormatMetadata()
        children = metadata.getChildElements()
        pairs = [(child.getElementName(), child.getElementValue()) for child in children]
    said = {name: value.strip() for name, value in pairs}
    try:
        return _coding(said.get("InputDescriptor")), _coding(said.get("OutputDescriptor"))
    except SignalError as fault:
        raise UsageError(f"A descriptor in {path} makes no sense: {fault}") from None


def _coding(text: str | None) -> Signal | None:
    statement = (text or "").partition(" (")[0]
    return Signal().with_fields("stated", **parse_signal(statement)) if "=" in statement else None


def lattice_of(path: Path) -> tuple[float, float, int] | None:
    """Numbers of the first and the last node of a file that is one 3D table, and its nodes.

    None where it holds anything else, so that no lattice stands for it exactly.

    Raises
    ------
    UsageError
        As `open_reader`.
    """
    import PyOpenColorIO as OCIO  # noqa: N814

    low, high, size = 0.0, 1.0, 0
    for step in _processor(path, "tetrahedral").createGroupTransform():
        if isinstance(step, OCIO.RangeTransform) and not size and step.hasMinInValue():
            low, high = step.getMinInValue(), step.getMaxInValue()
            if (step.getMinOutValue(), step.getMaxOutValue()) != (0.0, 1.0):
                return None
        elif isinstance(step, OCIO.Lut3DTransform) and not size:
            size = step.getGridSize()
        else:
            return None
    return (low, high, size) if size else None


def open_reader(path: Path, reader: Interpolation = "tetrahedral") -> Any:
    """Return a function of numbers (N, 3) that applies the file through OpenColorIO.

    Raises
    ------
    UsageError
        When the file is missing, is cut short or damaged, or holds what OpenColorIO does not know.
    """
    processor = _processor(path, reader).getDefaultCPUProcessor()

    def apply(numbers: FloatArray) -> FloatArray:
        block = np.ascontiguousarray(numbers, np.float32)
        processor.applyRGB(block)
        return block.astype(np.float64)

    return apply


def _processor(path: Path, reader: Interpolation) -> Any:
    import PyOpenColorIO as OCIO  # noqa: N814

    check_suffix(path)
    if not path.is_file():
        raise UsageError(f"There is no file {path}.")
    if path.stat().st_size > _LARGEST:
        raise UsageError(f"{path} is far larger than any correction: name another file.")
    how = {"tetrahedral": OCIO.INTERP_TETRAHEDRAL, "trilinear": OCIO.INTERP_LINEAR}[reader]
    OCIO.ClearAllCaches()  # it would give the file that once stood under this name
    left_out: list[str] = []
    OCIO.SetLoggingFunction(left_out.append)  # it warns of what it does not know and goes on
    try:
        transform = OCIO.FileTransform(str(path.resolve()), interpolation=how)
        processor = OCIO.Config.CreateRaw().getProcessor(transform)
        reason = "".join(left_out)
    except (OCIO.Exception, ValueError) as fault:
        processor, reason = None, str(fault)
    finally:
        OCIO.ResetToDefaultLoggingFunction()
    if reason or processor is None:
        line = re.search(r"(?:line |\.clf)\((\d+)\)", reason)
        place = f" in line {line[1]}" if line else ""
        raise UsageError(
            f"{path} cannot be read as a correction: it is damaged{place} or holds what no reader "
            "knows; restore it or bake it again."
        )
    tables = (
        step.getData() for step in processor.createGroupTransform() if hasattr(step, "getData")
    )
    if not all(np.isfinite(table).all() for table in tables):
        raise UsageError(f"{path} holds values that are no numbers: bake it again.")
    return processor


def _as_clf(table: LookTable, descriptors: Mapping[str, str], lines: tuple[str, ...]) -> str:
    import PyOpenColorIO as OCIO  # noqa: N814

    group = OCIO.GroupTransform()
    group.appendTransform(
        OCIO.RangeTransform(
            minInValue=table.low, maxInValue=table.high, minOutValue=0.0, maxOutValue=1.0
        )
    )
    lut = OCIO.Lut3DTransform(gridSize=table.size)
    lut.setData(np.ascontiguousarray(table.values, np.float32).ravel())
    lut.setInterpolation(OCIO.INTERP_TETRAHEDRAL)
    group.appendTransform(lut)
    metadata = group.getFormatMetadata()
    digest = uuid.uuid5(_NAMESPACE, "\n".join(lines) + table.values.tobytes().hex()[:4096])
    metadata.setID(f"urn:uuid:{digest}")
    for line in lines:
        metadata.addChildElement("Description", line)
    for name, text in descriptors.items():
        metadata.addChildElement(name, text)
    return str(group.write(_CLF, OCIO.Config.CreateRaw()))


def _as_cube(table: LookTable, descriptors: Mapping[str, str], lines: tuple[str, ...]) -> str:
    assert (table.low, table.high) == (0.0, 1.0)
    head = [f'TITLE "{lines[0].replace(chr(34), chr(39))}"']
    head += [f"# {line}" for line in lines]
    head += [f"# {name}: {text}" for name, text in descriptors.items()]
    head += [f"LUT_3D_SIZE {table.size}", "DOMAIN_MIN 0.0 0.0 0.0", "DOMAIN_MAX 1.0 1.0 1.0"]
    rows = table.values.transpose(2, 1, 0, 3).reshape(-1, 3)  # red fastest
    body = ("%.7f %.7f %.7f\n" * len(rows)) % tuple(rows.ravel().tolist())
    return "\n".join(head) + "\n" + body


def _disagreement(path: Path, table: LookTable) -> float:
    """Largest difference of any independent reader from our own evaluation."""
    random = np.random.default_rng(2136)
    numbers = random.uniform(0, 1, (_PROBES, 3)).astype(np.float32).astype(np.float64)
    cube = path.suffix == ".cube"
    worst = 0.0
    for reader in READERS if cube else READERS[:1]:
        ours = table.read(numbers, reader)
        theirs = [open_reader(path, reader)(numbers)]
        if cube:
            theirs.append(apply_lut3d(path, numbers, reader))
        worst = max(worst, *(float(np.abs(other - ours).max()) for other in theirs))
    return worst


def apply_lut3d(path: Path, numbers: FloatArray, reader: Interpolation) -> FloatArray:
    """Apply a cube through FFmpeg's ``lut3d`` in PyAV, numbers (N, 3) in and out."""
    import av
    from av.filter import Graph

    width = 64
    height = -(-len(numbers) // width)
    padded = np.zeros((width * height, 3), np.float32)
    padded[: len(numbers)] = numbers
    frame = av.VideoFrame(width, height, "gbrpf32le")
    for plane, channel in zip(frame.planes, (1, 2, 0), strict=True):
        rows = np.frombuffer(plane, "<f4").reshape(height, -1)  # type: ignore[call-overload]
        rows[:, :width] = padded[:, channel].reshape(height, width)
    graph = Graph()
    source = graph.add_buffer(
        width=width,
        height=height,
        format=av.VideoFormat("gbrpf32le", width, height),
        time_base=_SECOND,
    )
    lut = graph.add("lut3d", file=str(path), interp=reader)
    sink = graph.add("buffersink")
    source.link_to(lut)
    lut.link_to(sink)
    graph.configure()
    frame.time_base, frame.pts = _SECOND, 0
    graph.push(frame)
    shown = graph.pull()
    assert isinstance(shown, av.VideoFrame)
    assert shown.format.name == "gbrpf32le"
    planes = [
        np.frombuffer(plane, "<f4").reshape(height, -1)[:, :width].ravel()  # type: ignore[call-overload]
        for plane in shown.planes
    ]
    return np.stack([planes[2], planes[0], planes[1]], axis=-1)[: len(numbers)].astype(np.float64)
