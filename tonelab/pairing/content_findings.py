"""What a registration by content shows of the device and the capture chain."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.pairing.alignment import ALIKE
from tonelab.pairing.cadence import cadence_findings
from tonelab.pairing.counting import number
from tonelab.pairing.covers import cover_findings
from tonelab.pairing.findings import place_findings
from tonelab.pairing.picture import common_area, usable_blocks
from tonelab.pairing.result import BLOCK
from tonelab.results import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from tonelab.media import Clip
    from tonelab.pairing.alignment import Path
    from tonelab.pairing.covers import Box
    from tonelab.pairing.identity import Identity
    from tonelab.pairing.overview import Overview
    from tonelab.pairing.registration import Relation
    from tonelab.pairing.thumbnails import Area
    from tonelab.signal.arrays import Mask

_CUT_TOLERANCE = 0.005  # of the picture
_DISTINCT = 0.1  # of likeness, by which the right place must stand out
_LEFT_OUT = (
    ("blended", "two source frames mixed{share}, left out; set the device to the clip's rate"),
    ("woven", "rows of two source frames, as interlaced output has them, left out"),
    ("no match", "something else than the source, left out, as menus are"),
    ("settling", "too close after a start or a cut, left out, as devices adapt"),
    ("cut", "next to a cut, left out"),
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
