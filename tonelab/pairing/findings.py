"""What a registration shows of the device and the capture chain."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.chart import sample_windows
from tonelab.pairing.cadence import order_findings
from tonelab.pairing.counting import number
from tonelab.results import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tonelab.chart import Geometry, Layout
    from tonelab.media import Clip
    from tonelab.pairing.timing import Timing

_SCALE_TOLERANCE = 0.5  # pixels over the width of the picture
_SHIFT_TOLERANCE = 0.1  # pixels


def relate(source: Geometry, capture: Geometry) -> tuple[tuple[float, float], tuple[float, float]]:
    """Scale and offset with capture pixel = scale * source pixel + offset, as (x, y).

    Positions are continuous: the pixel with index i has its centre at i + 0.5.
    """
    sx, sy = (c / s for c, s in zip(capture.scale, source.scale, strict=True))
    return (sx, sy), (
        capture.offset[0] - sx * source.offset[0],
        capture.offset[1] - sy * source.offset[1],
    )


def time_findings(timing: Timing, source: Clip, capture: Clip, frames: int) -> Iterator[Finding]:
    """Yield findings about frames that were dropped, repeated, mixed or not readable."""
    yield from order_findings(timing.order, source, capture, frames)
    for reason, what in (
        ("blended", "two source frames mixed, left out; set the device to the clip's rate"),
        ("unreadable", "no readable marks, left out, as in menus and black pictures"),
        ("other chart", "another chart than the source's, left out"),
    ):
        count = timing.left_out.get(reason, 0)
        if count:
            yield Finding(
                f"frames-{reason.replace(' ', '-')}",
                "info" if reason == "unreadable" else "warning",
                f"{number(count, 'captured frame')}: {what}.",
                value=float(count),
                unit="frames",
                threshold=0.0,
                count=frames,
            )


def page_findings(timing: Timing, layout: Layout) -> Iterator[Finding]:
    """Yield findings about pages of patches of which no frame can be used."""
    seen = timing.matches[:, 1] // layout.hold
    missing = np.setdiff1d(layout.patches.page, seen)
    if len(missing):
        lost = int(np.isin(layout.patches.page, missing).sum())
        yield Finding(
            "pages-missing",
            "warning",
            f"No usable frame of {len(missing)} of the {len(layout.pages)} chart pages was "
            f"captured (pages {', '.join(map(str, missing))}): {lost} patches are missing.",
            value=float(len(missing)),
            unit="pages",
            threshold=0.0,
            count=len(layout.pages),
            decided_by="a capture of the whole chart, from before its start to after its end",
        )


def place_findings(
    relation: tuple[tuple[float, float], tuple[float, float]],
    sizes: tuple[tuple[int, int], tuple[int, int]],
    residual: float,
    count: int,
) -> Iterator[Finding]:
    """Yield findings about a picture that was scaled or shifted.

    Parameters
    ----------
    relation
        Scale and offset of `relate`.
    sizes
        Of source and capture, (width, height).
    residual
        Pixels by which places depart from the relation.
    count
        Places that it rests on.
    """
    scale, offset = relation
    stretch = max(abs(s - 1) * size for s, size in zip(scale, sizes[0], strict=True))
    centre = [
        s * size / 2 + o - seen / 2 for s, o, size, seen in zip(scale, offset, *sizes, strict=True)
    ]
    scaled = stretch > _SCALE_TOLERANCE
    if scaled:
        yield Finding(
            "picture-scaled",
            "info",
            f"The capture shows the picture scaled by {scale[0]:.4f} x {scale[1]:.4f}; flat parts "
            "keep their values, fine detail does not.",
            value=scale[0],
            bound=residual / sizes[0][0],
            threshold=1.0,
            count=count,
        )
    x, y = centre if scaled else offset
    limit = _SHIFT_TOLERANCE + residual * scaled
    if max(abs(x), abs(y)) > limit:
        which = "centre of the picture" if scaled else "picture"
        yield Finding(
            "picture-shifted",
            "info",
            f"The capture shows the {which} shifted by {x:+.2f} pixels to the right and {y:+.2f} "
            "down.",
            value=max(x, y, key=abs),
            bound=residual,
            unit="pixels",
            threshold=limit,
            count=count,
        )


def space_findings(
    layout: Layout,
    source: Geometry,
    capture: Geometry,
    relation: tuple[tuple[float, float], tuple[float, float]],
) -> Iterator[Finding]:
    """Yield findings about a picture that was scaled, shifted or cut; see `relate`."""
    yield from place_findings(relation, (source.size, capture.size), capture.residual, 4)
    luma, _ = sample_windows(layout, capture, "444")
    cut = int((luma[:, 2] == 0).sum())
    if cut:
        yield Finding(
            "picture-cropped",
            "warning",
            f"The capture cuts the borders off, and {cut} of {len(luma)} patches with them.",
            value=float(cut),
            unit="patches",
            threshold=0.0,
            count=len(luma),
            alternatives=("overscan of the device", "a crop in the capture chain"),
            decided_by="a capture with overscan off and the picture at full screen",
        )
