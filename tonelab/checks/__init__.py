"""The capture chain and the device's path, held against the source.

A check is one decorated function from `Evidence` to findings; importing its module registers it.
Each finding says one of three things: shown transparent, with the bound; shown not transparent,
with the cause; or that this capture cannot tell, with the one that would.
"""

from importlib import import_module

from tonelab.checks.evidence import Evidence
from tonelab.checks.registry import REGISTER
from tonelab.checks.run import CheckReport, CheckResult, check, examine, gather, pre_checks

__all__ = [
    "REGISTER",
    "CheckReport",
    "CheckResult",
    "Evidence",
    "check",
    "examine",
    "gather",
    "pre_checks",
]

# A module registers its checks when it is imported; a report follows this order.
for _module in (
    "files", "frames", "scenes", "levels", "colour", "clipping", "depth", "dither", "codes",
    "filters", "chroma",
):  # fmt: skip
    import_module(f"{__name__}.{_module}")
