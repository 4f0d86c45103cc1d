"""BT.2390 EETF to 100 cd/m2 on each of its five drives (now also BT.2408 annex 5)."""

from typing import Annotated

from tonelab.conversion.chain import ChainPart, Conversion
from tonelab.conversion.parameters import Param
from tonelab.conversion.standards.registry import STANDARDS
from tonelab.signal.arrays import FloatArray

SDR_PEAK = 100.0

_BLACK = Param(0, 1, "cd/m2", "black of the mastering display")
_LIFT = Param(0, 1, "cd/m2", "black the result is lifted to")


def _register(drive: str, label: str) -> None:
    @STANDARDS.register(
        f"bt2390-{drive}",
        label=f"BT.2390 EETF on {label}",
        source="ITU-R BT.2390-11 5.4.1; ITU-R BT.2407-0 section 2",
    )
    def eetf(
        light: FloatArray,
        *,
        source_peak: float,
        source_black: Annotated[float, _BLACK] = 0.0,
        target_black: Annotated[float, _LIFT] = 0.0,
    ) -> FloatArray:
        tone = {
            "source_peak": source_peak,
            "source_black": source_black,
            "target_peak": SDR_PEAK,
            "target_black": target_black,
        }
        return Conversion(ChainPart("bt2390", tone), ChainPart(drive), white=SDR_PEAK).rgb_signal(
            light
        )


_register("per-channel", "R'G'B'")
_register("max-rgb", "max(R, G, B)")
_register("luminance", "luminance")
_register("luma", "luma Y'")
_register("ictcp", "ICtCp intensity")
