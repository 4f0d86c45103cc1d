"""HDR-to-SDR conversions: their parts, the chain of them, and the published ones."""

from tonelab.conversion.catalogue import documentation_table
from tonelab.conversion.chain import ChainPart, Conversion
from tonelab.conversion.chroma import CHROMA_LAWS
from tonelab.conversion.controls import CONTROLS
from tonelab.conversion.drives import DRIVES
from tonelab.conversion.encoding import ENCODINGS
from tonelab.conversion.gamut import GAMUT_METHODS
from tonelab.conversion.standards import STANDARDS
from tonelab.conversion.tone import TONE_CURVES, FreeCurve

__all__ = [
    "CHROMA_LAWS",
    "CONTROLS",
    "DRIVES",
    "ENCODINGS",
    "GAMUT_METHODS",
    "STANDARDS",
    "TONE_CURVES",
    "ChainPart",
    "Conversion",
    "FreeCurve",
    "documentation_table",
]
