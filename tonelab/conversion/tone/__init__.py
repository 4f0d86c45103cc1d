"""Tone curves: absolute light in cd/m2 to relative light, 1 = SDR nominal white."""

from tonelab.conversion.tone import itu, rational, simple
from tonelab.conversion.tone.free import FreeCurve
from tonelab.conversion.tone.registry import TONE_CURVES, Curve, Tone, ToneCurve

__all__ = ["TONE_CURVES", "Curve", "FreeCurve", "Tone", "ToneCurve", "itu", "rational", "simple"]
