"""The objects that a measurement or a check consists of; what comes after reads these alone."""

from tonelab.results.checks import CheckReport, CheckResult
from tonelab.results.clips import ClipFacts, PairingFacts
from tonelab.results.conversion import (
    Correlation,
    GammaPoint,
    IdentifiedConversion,
    ParameterEstimate,
    RunnerUp,
)
from tonelab.results.curves import ChromaTransfer, Landmark, LuminanceCurve
from tonelab.results.findings import Finding, Severity, Verdict
from tonelab.results.measurement import Measurement, Score
from tonelab.results.tallies import Tallies
from tonelab.results.viewable import Viewable

__all__ = [
    "CheckReport",
    "CheckResult",
    "ChromaTransfer",
    "ClipFacts",
    "Correlation",
    "Finding",
    "GammaPoint",
    "IdentifiedConversion",
    "Landmark",
    "LuminanceCurve",
    "Measurement",
    "PairingFacts",
    "ParameterEstimate",
    "RunnerUp",
    "Score",
    "Severity",
    "Tallies",
    "Verdict",
    "Viewable",
]
