"""A test that users run on their own machine, to know that its results can be trusted.

The suite of the repository proves the arithmetic; this proves the installation: its decoders,
its compiled kernels, the whole chain from clip to curve file, and what it was made of.
"""

from __future__ import annotations

import hashlib
import platform
from dataclasses import dataclass
from fractions import Fraction
from importlib import import_module, metadata
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import numpy as np

from tonelab.chart import Layout, write_chart
from tonelab.correction.files import describe_coding, open_reader, write_correction
from tonelab.correction.table import LookTable
from tonelab.curvefile import content_hash, load, save
from tonelab.measure import measure
from tonelab.media import open_clip, write_clip
from tonelab.media.opening import decoder_is_deterministic
from tonelab.media.v210 import stride_of, unpack, words_of
from tonelab.signal.description import Signal

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tonelab.media.writing import Codec
    from tonelab.results.progress import StageProgress

PACKAGES = ("tonelab", "numpy", "scipy", "numba", "h5py", "av", "opencolorio")
_SIZE = (192, 96)
_FRAMES = 3
_FURTHEST = 1.0  # percent that a built-in parameter may be missed by, as published results may
_ABOVE_FLOOR = 1.2
_BENT = 0.01  # of full scale, by which a lattice may cut across a curve


@dataclass(frozen=True, slots=True)
class Trial:
    """One part of the self test.

    Attributes
    ----------
    name
        What was tried, in a few words.
    passed
        Whether it did what it must.
    text
        One sentence with what was seen.
    """

    name: str
    passed: bool
    text: str


@dataclass(frozen=True, slots=True)
class SelfTest:
    """What the self test saw; ``line`` is made to be pasted into a report."""

    parts: tuple[Trial, ...]

    @property
    def passed(self) -> bool:
        """Whether every part passed."""
        return all(part.passed for part in self.parts)

    @property
    def line(self) -> str:
        """One line: outcome, versions, and a digest of both."""
        failed = [part.name for part in self.parts if not part.passed]
        outcome = f"FAILED: {', '.join(failed)}" if failed else f"{len(self.parts)} parts passed"
        text = f"tonelab self test: {outcome}; {versions()}"
        return f"{text}; {hashlib.sha256(text.encode()).hexdigest()[:12]}"


def versions() -> str:
    """Say what this installation consists of, in one line."""
    system = f"Python {platform.python_version()} on {platform.system()} {platform.machine()}"
    return ", ".join([system, *(f"{name} {metadata.version(name)}" for name in PACKAGES)])


def run_selftest(progress: StageProgress | None = None) -> SelfTest:
    """Try decoders, kernels and the whole chain on clips made for it in a temporary folder.

    Parameters
    ----------
    progress
        Called with "trying", parts done, and their number.

    Returns
    -------
    SelfTest
        A part that raises counts as failed, with what it raised.
    """
    trials = (
        ("v210 kernel", _v210_kernel),
        ("decoders", _decoders),
        ("corrections", _corrections),
        ("measurement", _measurement),
    )
    parts = []
    with TemporaryDirectory(prefix="tonelab-", ignore_cleanup_errors=True) as name:
        for done, (title, trial) in enumerate(trials):
            if progress:
                progress("trying", done, len(trials))
            try:
                passed, text = trial(Path(name))
            except Exception as fault:  # noqa: BLE001 - whatever it is, the installation is at fault
                passed, text = False, f"{type(fault).__name__}: {fault}"
            parts.append(Trial(title, passed, text))
        if progress:
            progress("trying", len(trials), len(trials))
    return SelfTest(tuple(parts))


def _v210_kernel(_: Path) -> tuple[bool, str]:
    """Compare the compiled kernel with the definition of the format."""
    width, height = _SIZE
    rng = np.random.default_rng(210)
    data = rng.integers(0, 256, stride_of(width) * height, np.uint8)
    data[3::4] &= 0x3F
    words = words_of(data, height, stride_of(width))
    luma = np.empty((height, width), np.uint16)
    cb, cr = (np.empty((height, width // 2), np.uint16) for _ in range(2))
    unpack(words, luma, cb, cr)
    samples = np.stack([words >> shift & 1023 for shift in (0, 10, 20)], axis=-1)
    samples = samples.reshape(height, -1)[:, : 2 * width]
    same = all(
        np.array_equal(plane, samples[:, first::step])
        for plane, first, step in ((luma, 1, 2), (cb, 0, 4), (cr, 2, 4))
    )
    return same, f"{luma.size + 2 * cb.size} samples against the definition of the format"


def _decoders(folder: Path) -> tuple[bool, str]:
    """Write lossless clips, and read each twice."""
    width, height = _SIZE
    rng = np.random.default_rng(2020)

    def noise(columns: int) -> NDArray[np.uint16]:
        return rng.integers(64, 940, (height, columns)).astype(np.uint16)

    frames = [(noise(width), noise(width // 2), noise(width // 2)) for _ in range(_FRAMES)]
    clips: tuple[tuple[str, Codec], ...] = (("a.mov", "v210"), ("b.mkv", "ffv1"), ("c.mp4", "hevc"))
    failed = []
    for name, codec in clips:
        write_clip(
            folder / name, frames, width=width, height=height, rate=Fraction(24),
            subsampling="422", bits=10, codec=codec, signal=Signal(), lossless=codec == "hevc",
        )  # fmt: skip
        with open_clip(folder / name) as clip:
            exact = all(
                np.array_equal(plane, written)
                for frame, planes in zip(clip.frames(), frames, strict=True)
                for plane, written in zip(frame.planes, planes, strict=True)
            )
            if not (exact and decoder_is_deterministic(clip, _FRAMES)):
                failed.append(codec)
    if failed:
        return False, f"{' and '.join(failed)} did not give back the samples that were written"
    return True, f"v210, FFV1 and HEVC gave back all samples of {_FRAMES} frames, twice"


def _corrections(folder: Path) -> tuple[bool, str]:
    """Write a bent table as CLF and as cube, and hold what independent readers make of it."""
    axis = np.linspace(0.0, 1.0, 17)
    red, green, blue = np.meshgrid(axis, axis, axis, indexing="ij")
    # Channels mixed unevenly, so that exchanged axes or channels cannot hide.
    bent = np.stack([red**2.2, 0.7 * green + 0.3 * blue**2, 0.2 * red + 0.8 * np.sqrt(blue)], -1)
    table = LookTable(0.0, 1.0, bent)
    names = dict.fromkeys(("InputDescriptor", "OutputDescriptor"), describe_coding(Signal()))
    differ = max(
        write_correction(folder / f"table.{suffix}", table, names, ("Self test",))
        for suffix in ("clf", "cube")
    )
    numbers = np.random.default_rng(17).random((4096, 3))
    read = open_reader(folder / "table.clf")(numbers.astype(np.float32).astype(np.float64))
    # Tetrahedra of 17 nodes follow these curves to a few thousandths.
    wanted = np.stack(
        [
            numbers[:, 0] ** 2.2,
            0.7 * numbers[:, 1] + 0.3 * numbers[:, 2] ** 2,
            0.2 * numbers[:, 0] + 0.8 * np.sqrt(numbers[:, 2]),
        ],
        axis=-1,
    )
    off = float(np.percentile(np.abs(read - wanted), 95))
    return off < _BENT, (
        f"CLF and cube read back within {differ:.1e} of full scale by OpenColorIO and FFmpeg, "
        f"95 % within {off:.1e} of the curves they stand for"
    )


def _measurement(folder: Path) -> tuple[bool, str]:
    """Measure a simulated device that shares no code with what measures it."""
    playback = import_module("tonelab.demo.playback")
    device = import_module("tonelab.demo.devices").BRELLUNO
    layout = Layout.create("quick", 960, 540, "pq", 1000, hold=4)
    chart, capture, file = (folder / name for name in ("chart.mkv", "capture.mov", "device.h5"))
    write_chart(chart, layout, rate=Fraction(24))
    with open_clip(chart) as clip:
        shown = playback.play((frame.planes for frame in clip.frames()), device)
        write_clip(
            capture, shown, width=960, height=540, rate=Fraction(24),
            subsampling="422", bits=10, codec="v210", signal=Signal(),
        )  # fmt: skip
    save(measure(chart, capture, device=device.name), file)
    found = load(file).conversion
    furthest = max(
        abs(found.parameters[name].value / truth - 1) * 100 if name in found.parameters else np.inf
        for name, truth in device.parameters.items()
    )
    named = (found.family, found.drive) == (device.family, device.drive)
    near = found.held_out_codes_rms <= _ABOVE_FLOOR * found.floor_codes_rms
    return named and near and furthest < _FURTHEST, (
        f"{found.family_label} on {found.drive}, parameters {furthest:.2f} % off at most, "
        f"{found.held_out_codes_rms:.2f} codes on pages not fitted (floor "
        f"{found.floor_codes_rms:.2f}, {found.held_out_count} colours), "
        f"content {content_hash(file)[:12]}"
    )
