"""Standard conversions, one module for each document.

Those that end in BT.2020 are finished by the matrix and clip of BT.2407 section 2.
"""

from tonelab.conversion.standards import (
    aces_gamut,
    bt2390,
    bt2407,
    bt2408,
    bt2446,
    clip,
    css_color,
    hlg,
)
from tonelab.conversion.standards.registry import STANDARDS, Standard

__all__ = [
    "STANDARDS",
    "Standard",
    "aces_gamut",
    "bt2390",
    "bt2407",
    "bt2408",
    "bt2446",
    "clip",
    "css_color",
    "hlg",
]
