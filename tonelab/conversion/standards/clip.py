"""Plain conversions: scale, BT.2407 matrix, clip. What happens without tone mapping."""

from tonelab.conversion.chain import ChainPart, Conversion
from tonelab.conversion.standards.registry import STANDARDS
from tonelab.signal.arrays import FloatArray


def _register(white: float, meaning: str) -> None:
    @STANDARDS.register(
        f"clip-{white:g}",
        label=f"plain matrix and clip, white {white:g} cd/m2",
        source=f"ITU-R BT.2407-0 section 2; white: {meaning}",
    )
    def plain_clip(light: FloatArray, *, source_peak: float) -> FloatArray:
        del source_peak
        return Conversion(ChainPart("linear", {"white": white}), ceiling=False).rgb_signal(light)


_register(100.0, "ITU-R BT.2035-0 reference display")
_register(203.0, "ITU-R BT.2408-8 table 1")
