"""The capture chain and the device's path, compared with the source.

A check is one decorated function from `PathEvidence` to findings; importing its module registers
it. Each finding says one of three things: shown transparent, with the bound; shown not
transparent, with the cause; or that this capture cannot tell, with the one that would.
"""

from importlib import import_module

from tonelab.checks.evidence import PathEvidence
from tonelab.checks.registry import CHECKS
from tonelab.checks.run import check, examine, gather, pre_checks

__all__ = [
    "CHECKS",
    "PathEvidence",
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
