"""Playing a clip on a simulated device and recording its output."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from .devices import Device

Plane: TypeAlias = NDArray[np.uint16]
Planes: TypeAlias = tuple[Plane, Plane, Plane]


def play(frames: Iterable[Planes], device: Device) -> Iterator[Planes]:
    """Give the 10-bit 4:2:2 planes that a recorder behind the device sees.

    Parameters
    ----------
    frames
        Decoded source frames, 10-bit 4:2:0 planes Y', Cb, Cr.
    device
        What plays them.
    """
    convert = Converter(device)
    for number, planes in enumerate(frames):
        if number < device.late or number in device.dropped:
            continue
        shown = convert(planes)
        yield from [shown] * (2 if number in device.repeated else 1)


class Converter:
    """Frame after frame through a device; only what has changed is converted anew."""

    def __init__(self, device: Device) -> None:
        self.device = device
        self.seen: NDArray[np.int32] | None = None
        self.shown: Plane | None = None

    def __call__(self, planes: Planes) -> Planes:
        """Convert one frame."""
        # As cheap players do, each chroma sample serves four pixels.
        luma, blue, red = (p.astype(np.int32) for p in planes)
        blue, red = (p.repeat(2, axis=0).repeat(2, axis=1) for p in (blue, red))
        packed = luma << 20 | blue << 10 | red
        if self.seen is None or self.shown is None:
            changed = np.ones(packed.shape, bool)
            shown = np.empty((*packed.shape, 3), np.uint16)
        else:
            changed, shown = packed != self.seen, self.shown
        colours, where = np.unique(packed[changed], return_inverse=True)
        codes = self.device.codes(
            np.stack([colours >> 20, colours >> 10 & 1023, colours & 1023], axis=1)
        )
        shown[changed] = codes[where]
        self.seen, self.shown = packed, shown
        return shown[..., 0].copy(), shown[:, ::2, 1].copy(), shown[:, ::2, 2].copy()
