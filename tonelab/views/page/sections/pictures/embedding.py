"""Pictures as the page carries them."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image

from tonelab.views.flashing import FlashMeasure, measure_flash

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from tonelab.views.pictures import PictureSet


@dataclass(frozen=True, slots=True)
class PictureView:
    """A picture ready for the page.

    Attributes
    ----------
    name
        Of the device, or of the rendered source.
    uri, difference
        The picture and its difference map as data; the map is empty for the source.
    text
        Description for a reader who does not see it.
    words
        The same figures as a caption.
    """

    name: str
    uri: str
    difference: str
    text: str
    words: str


@dataclass(frozen=True, slots=True)
class SetView:
    """A set of pictures ready for the page."""

    id: str
    pictures: PictureSet
    width: int
    height: int
    views: Sequence[PictureView]
    flash: FlashMeasure


def picture_views(sets: Sequence[PictureSet], names: Sequence[str]) -> list[SetView]:
    """Encode pictures, and measure how much changing between them could flash."""
    return [_view(f"place{number}", one, names) for number, one in enumerate(sets, start=1)]


def _view(key: str, shown: PictureSet, names: Sequence[str]) -> SetView:
    height, width = shown.source.shape[:2]
    views = [
        PictureView(
            name="Source, rendered",
            uri=_embedded(shown.source),
            difference="",
            text=f"The source at {shown.label}, rendered by {shown.rendering}.",
            words=f"by {shown.rendering}",
        )
    ]
    pictures = [shown.source]
    for name, one in zip(names, shown.shown, strict=True):
        if one is None:
            continue
        figures = f"ΔE_ITP from the rendered source: mean {one.mean:.1f}, p95 {one.p95:.1f}"
        scale = "" if np.allclose(one.scale, 1, atol=5e-4) else (
            f"; {one.scale[0]:.3g} × {one.scale[1]:.3g} samples for each of the source"
        )  # fmt: skip
        views.append(
            PictureView(
                name=name,
                uri=_embedded(one.rgb),
                difference=_embedded(one.difference),
                text=f"{name} at {shown.label}. {figures}.",
                words=f"{figures}; captured frame {one.frame}{scale}",
            )
        )
        pictures.append(_same_size(one.rgb, height, width))
    return SetView(key, shown, width, height, views, measure_flash(pictures))


def _same_size(picture: NDArray[np.uint8], height: int, width: int) -> NDArray[np.uint8]:
    """Bring a picture to a size by its nearest samples, as the page shows it."""
    rows = np.arange(height) * picture.shape[0] // height
    columns = np.arange(width) * picture.shape[1] // width
    return picture[np.ix_(rows, columns)]


def _embedded(picture: NDArray[np.uint8]) -> str:
    """Encode a picture without loss, in about two thirds of what PNG takes."""
    file = io.BytesIO()
    Image.fromarray(picture).save(file, "webp", lossless=True)
    return "data:image/webp;base64," + base64.b64encode(file.getvalue()).decode()
