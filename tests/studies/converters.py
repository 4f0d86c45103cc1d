"""Which converters that nobody here wrote are named, over every combination of their settings.

    python tests/studies/converters.py [SUBSTRING OF NAMES]

The tests take the ends of these ranges (`outside/test_converters_identified.py`); here are all
curves at all peaks, with and without desaturation, and the conversions without a published form,
by the same tallies and the same assertions. Prints a line for each and counts the misses.
"""

from __future__ import annotations

import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent / name) for name in ("outside", "making")]

from converters import CURVES, ffmpeg_tonemap, ocio_aces, swscale_intent  # noqa: E402
from test_converters_identified import assert_honest, assert_named, reduced  # noqa: E402

PEAKS = (4.0, 10.0, 40.0)
INTENTS = ("perceptual", "relative", "saturation", "absolute")


def main() -> None:
    wanted = sys.argv[1] if len(sys.argv) > 1 else ""
    published = [
        ffmpeg_tonemap(curve, peak=peak, desaturation=desaturation)
        for desaturation in (0.0, 2.0)
        for curve in CURVES
        for peak in ((10.0,) if curve == "clip" else PEAKS)
    ]
    others = [*map(swscale_intent, INTENTS), ocio_aces("1.0"), ocio_aces("2.0")]
    missed = 0
    for converter in [*published, *others]:
        if wanted not in converter.name:
            continue
        found = reduced(converter)
        try:
            if converter in others:
                assert_honest(found)
            else:
                assert_named(found.conversion, converter.truth)
        except AssertionError as error:
            missed += 1
            print(f"{converter.name}: missed, {error}")
        else:
            print(f"{converter.name}: {found.conversion.family or 'left unnamed'}")
    print(f"{missed} missed")


if __name__ == "__main__":
    main()
