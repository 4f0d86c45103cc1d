"""What a registration shows of the device and the capture chain."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.chart import sample_windows
from tonelab.pairing.alignment import ALIKE
from tonelab.pairing.cadence import cadence_findings, order_findings
from tonelab.pairing.covers import cover_findings
from tonelab.pairing.picture import common_area, usable_blocks
from tonelab.pairing.result import BLOCK
from tonelab.results import Finding
from tonelab.results.findings import number

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from tonelab.chart import Geometry, Layout
    from tonelab.media import Clip
    from tonelab.pairing.alignment import Overview, Path
    from tonelab.pairing.covers import Box
    from tonelab.pairing.identity import Identity
    from tonelab.pairing.registration import Relation
    from tonelab.pairing.thumbnails import Area
    from tonelab.pairing.timing import Timing
    from tonelab.signal.arrays import Mask

_SCALE_TOLERANCE = 0.5  # pixels over the width of the picture
_SHIFT_TOLERANCE = 0.1  # pixels
_CUT_TOLERANCE = 0.005  # of the picture
_DISTINCT = 0.1  # of likeness, by which the right place must stand out
_LEFT_OUT = (
    ("blended", "two source frames mixed{share}, left out; set the device to the clip's rate"),
    ("woven", "rows of two source frames, as interlaced output has them, left out"),
    ("no match", "something else than the source, left out, as menus are"),
    ("settling", "too close after a start or a cut, left out, as devices adapt"),
    ("cut", "next to a cut, left out"),
)


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


def content_findings(
    source: Clip,
    capture: Clip,
    *,
    overview: Overview,
    path: Path,
    reason: NDArray[np.object_],
    relation: Relation,
    usable: Mask,
    area: Area,
    bars: tuple[int, int, int, int],
    covers: Sequence[Box],
    moving: Sequence[Box],
) -> Iterator[Finding]:
    """Yield how sure the registration is, and what happened to frames and picture.

    Parameters
    ----------
    source, capture
        Both clips.
    overview, path
        Found by thumbnails: what both clips show, and the source frame of each captured one.
    reason
        Shape (frames,), by captured frame: why it was left out, empty if it was not.
    relation
        Where the source's pixels lie in the capture.
    usable
        Shape (rows, columns): blocks of 16 x 16 pixels of the source that may be used.
    area
        The captured picture between the bars that came on the way.
    bars
        Pixels of these at left, top, right, bottom.
    covers, moving
        What stands still over the capture, and where something moves over it.
    """
    yield from _confidence(overview)
    if not overview.still:
        yield from cadence_findings(source, capture, path, reason)
    for name, what in _LEFT_OUT:
        count = int((reason == name).sum())
        if count:
            yield Finding(
                f"frames-{name.replace(' ', '-')}",
                "warning" if name in {"blended", "woven"} else "info",
                f"{number(count, 'captured frame')}: {what.format(share=_share(path, reason))}.",
                value=float(count),
                unit="frames",
                threshold=0.0,
                count=len(reason),
            )
    yield from _space(source, capture, overview, relation, area, bars)
    yield from _pixels(overview, relation, usable)
    yield from cover_findings(covers, moving, capture.width * capture.height)
    if capture.interlaced:
        yield Finding(
            "flag-interlaced",
            "info",
            "The capture is flagged as interlaced, but its pictures are progressive: read so.",
        )


def _share(path: Path, reason: NDArray[np.object_]) -> str:
    """Put into words how much the lesser of two mixed frames has in the mixture."""
    mixed = path.blend[reason == "blended"]
    if not len(mixed):
        return ""
    low, high = np.percentile(np.minimum(mixed, 1 - mixed).clip(0), [10, 90])
    return f" (the lesser with a share of {low:.2f} to {high:.2f})"


def _pixels(overview: Overview, relation: Relation, usable: Mask) -> Iterator[Finding]:
    """Count the pixels of the source that were left out, by reason."""
    shared, _ = common_area(*overview.areas, relation)
    size = usable.shape[0] * BLOCK, usable.shape[1] * BLOCK
    clear = usable_blocks(shared, relation, np.zeros((1, 1), bool), size)
    outside, covered = int((~clear).sum()), int((clear & ~usable).sum())
    if not outside + covered:
        return
    share = 100 * (outside + covered) / usable.size
    yield Finding(
        "pixels-left-out",
        "info",
        f"{share:.1f} % of the source picture were left out: {100 * outside / usable.size:.1f} % "
        f"at or beyond the edges of what the capture shows, {100 * covered / usable.size:.1f} % "
        "under what stands still.",
        value=share,
        unit="%",
        threshold=0.0,
        count=int(usable.size) * BLOCK**2,
    )


def _confidence(overview: Overview) -> Iterator[Finding]:
    coarse = overview.coarse
    sure = coarse.likeness >= ALIKE
    likeness = float(np.median(coarse.likeness[sure]))
    yield Finding(
        "pairing-confidence",
        "info",
        f"Source and capture show the same with a correlation of {likeness:.2f} over time and "
        f"{overview.registration.peak:.2f} over {overview.registration.windows} parts of the "
        "picture.",
        value=likeness,
        unit="correlation",
        threshold=ALIKE,
        count=int(sure.sum()),
    )
    margin = float(np.median((coarse.likeness - coarse.elsewhere)[sure]))
    if not overview.still and margin >= _DISTINCT:
        return
    if overview.still:
        yield _still(int(sure.sum()))
        return
    yield Finding(
        "time-ambiguous",
        "warning",
        "The source repeats itself or hardly moves, so frames may be matched with others that "
        "look the same.",
        value=margin,
        unit="correlation",
        threshold=_DISTINCT,
        count=int(sure.sum()),
        decided_by="a clip with motion and without repetition",
    )


def identity_findings(identity: Identity) -> Iterator[Finding]:
    """Yield what stays open though all samples of two clips are the same."""
    if identity.still:
        yield _still(identity.frames)


def _still(count: int) -> Finding:
    """Say that time cannot be told."""
    return Finding(
        "time-ambiguous",
        "info",
        "Nothing moves in the source, so any of its frames stands for any other: dropped, "
        "repeated and mixed frames cannot be told.",
        count=count,
        decided_by="a capture of the chart, or of a clip that moves",
        verdict="cannot tell",
    )


def _space(
    source: Clip,
    capture: Clip,
    overview: Overview,
    relation: Relation,
    there: Area,
    bars: tuple[int, int, int, int],
) -> Iterator[Finding]:
    area = overview.areas[0]
    if any(bars):
        left, top, right, bottom = bars
        yield Finding(
            "picture-bars",
            "info",
            f"The captured picture has bars of {left} and {right} pixels at its sides and {top} "
            f"and {bottom} above and below that the source has not; they were left out.",
            value=float(max(bars)),
            unit="pixels",
            threshold=0.0,
            count=capture.width * capture.height,
        )
    shared, _ = common_area(area, there, relation)
    cut = 1 - shared.width * shared.height / (area.width * area.height)
    if cut > _CUT_TOLERANCE:
        yield Finding(
            "picture-cropped",
            "warning",
            f"The capture cuts off {100 * cut:.1f} % of the picture.",
            value=100 * cut,
            unit="%",
            threshold=100 * _CUT_TOLERANCE,
            count=overview.registration.windows,
            alternatives=("overscan of the device", "a crop in the capture chain"),
            decided_by="a capture with overscan off and the picture at full screen",
        )
    sizes = (source.width, source.height), (capture.width, capture.height)
    registered = overview.registration
    how = relation.scale, relation.offset
    yield from place_findings(how, sizes, registered.residual, registered.windows)
