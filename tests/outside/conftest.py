"""Charts and their captures through the outside converters, each made once a session."""

from __future__ import annotations

import warnings
from fractions import Fraction
from typing import TYPE_CHECKING

import pytest
from converters import convert_clip

from tonelab.chart import Layout, render_planes
from tonelab.media import write_clip
from tonelab.signal.description import Signal

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path
    from types import ModuleType

    from converters import Converter

CHART_SIGNAL = Signal(matrix="bt2020", transfer="pq", primaries="bt2020", siting="topleft")


@pytest.fixture(scope="session")
def colour() -> ModuleType:
    # It warns about optional packages while it is imported.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour

        colour.set_domain_range_scale("Reference")
    return colour


@pytest.fixture(scope="session")
def quick_layout() -> Layout:
    return Layout.create("quick", width=960, height=540, hold=4)


@pytest.fixture(scope="session")
def quick_chart(quick_layout: Layout, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The quick chart as a lossless clip."""
    path = tmp_path_factory.mktemp("chart") / "quick chart.mkv"
    write_clip(
        path,
        (render_planes(quick_layout, frame) for frame in range(quick_layout.frame_count)),
        width=quick_layout.width,
        height=quick_layout.height,
        rate=Fraction(24),
        subsampling="420",
        bits=10,
        codec="ffv1",
        signal=CHART_SIGNAL,
    )
    return path


@pytest.fixture(scope="session")
def captured(
    quick_chart: Path, tmp_path_factory: pytest.TempPathFactory
) -> Callable[[Converter], Path]:
    """Untagged v210 capture of the quick chart through a converter."""
    folder = tmp_path_factory.mktemp("captures")

    def capture(converter: Converter) -> Path:
        path = folder / f"{converter.name}.mov"
        if not path.exists():
            convert_clip(quick_chart, path, converter)
        return path

    return capture
