"""Write the curve files of general-purpose open converters that stand beside this script.

    python curves/known/make.py [NAME]... [--force]

Each converter is run on the colours of the quick chart, mastered at 1000 cd/m2, and is measured
like a capture, so that `tonelab compare box.h5 --library curves` says which of them a box is built
on. The converters come from registry packages (`pip install -e ".[test]"`): FFmpeg's filters from
imageio-ffmpeg, with the settings that people write most, and OpenColorIO's built-in output
transforms. How they are run stands in tests/outside/converters.py. Device and firmware of a file
name the library and its version, the settings how it was called.

FFmpeg's libplacebo filter is left out: it asks for a graphics processor, and what it gives is not
the same on each. colour-science has transfer functions and no operators that make SDR of HDR.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import imageio_ffmpeg
import numpy as np
import PyOpenColorIO

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parents[1] / "tests" / "outside"))

from converters import convert_patches, ffmpeg_tonemap, ocio_aces, swscale_intent  # noqa: E402

from tonelab.bench.standard_files import computed_measurement  # noqa: E402
from tonelab.curvefile import save  # noqa: E402

if TYPE_CHECKING:
    from converters import Converter

    from tonelab.results import Measurement

PEAK = 1000  # cd/m2, of the chart; FFmpeg's curves are told 10 times their white of 100
_FFMPEG = imageio_ffmpeg.get_ffmpeg_version().partition("-")[0].removeprefix("n")


@dataclass(frozen=True)
class Known:
    """A converter with the words under which its file is found."""

    device: str
    library: str
    converter: Converter
    settings: dict[str, str] = field(default_factory=dict)


def _tonemap(curve: str) -> Known:
    made = ffmpeg_tonemap(curve, exact=False)  # type: ignore[arg-type]
    settings = {"filter": f"zscale=t=linear:npl=100, tonemap={curve}:desat=0", "peak": "10"}
    return Known(f"FFmpeg zscale and tonemap {curve}", f"FFmpeg {_FFMPEG}", made, settings)


def _intent(intent: str) -> Known:
    made = swscale_intent(intent)  # type: ignore[arg-type]
    settings = {"filter": f"scale, intent {intent}"}
    return Known(f"FFmpeg scale, {intent} intent", f"FFmpeg {_FFMPEG}", made, settings)


def _aces(version: str) -> Known:
    made = ocio_aces(version)  # type: ignore[arg-type]
    library = f"OpenColorIO {PyOpenColorIO.__version__}"
    settings = {"transform": made.transform, "1.0": f"{made.white:g} cd/m2"}
    return Known(f"OpenColorIO ACES {version} SDR video", library, made, settings)


KNOWN = {
    **{
        f"ffmpeg-tonemap-{curve}": _tonemap(curve)
        for curve in ("clip", "gamma", "hable", "linear", "mobius", "reinhard")
    },
    **{
        f"ffmpeg-scale-{intent}": _intent(intent)
        for intent in ("perceptual", "relative", "saturation")
    },
    **{f"ocio-aces-{version}": _aces(version) for version in ("1.0", "2.0")},
}


def known_measurement(name: str) -> Measurement:
    """Run a converter on the chart and measure what it gives."""
    known = KNOWN[name]

    def convert(codes: np.ndarray) -> np.ndarray:
        return convert_patches(codes, known.converter, "444").astype(np.int64)

    return computed_measurement(
        convert,
        PEAK,
        device=known.device,
        firmware=known.library,
        settings=known.settings,
        notes="Computed, not captured: patches of the chart through the library itself.",
    )


def main() -> None:
    """Write the files that were asked for, or all."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("names", nargs="*", metavar="NAME")
    parser.add_argument("--force", action="store_true", help="overwrite files that are there")
    asked = parser.parse_args()
    unknown = sorted(set(asked.names) - set(KNOWN))
    if unknown:
        parser.error(f"{', '.join(unknown)}: choose from {', '.join(KNOWN)}.")
    for name in asked.names or KNOWN:
        path = HERE / f"{name}.h5"
        save(known_measurement(name), path, overwrite=asked.force)
        sys.stdout.write(f"{path.name}\n")


if __name__ == "__main__":
    main()
