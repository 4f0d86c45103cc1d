"""The objects that a measurement or a check consists of; what comes after reads these alone."""

from tonelab.results.checks import CheckReport, CheckResult
from tonelab.results.clips import ClipFacts, PairingFacts
from tonelab.results.conversion import (
    Correlation,
    GammaPoint,
    GreyCurve,
    IdentifiedConversion,
    ParameterEstimate,
    RunnerUp,
)
from tonelab.results.curves import ChromaTransfer, Landmark, LuminanceCurve
from tonelab.results.differences import (
    CaptureDifference,
    DifferenceKind,
    DifferenceValue,
    Nearness,
    PlaneDifference,
)
from tonelab.results.findings import Finding, Severity, Verdict
from tonelab.results.measurement import FurtherChart, Measurement, Score
from tonelab.results.path import PathAccount, PathParameter, Unexplained
from tonelab.results.tallies import Tallies
from tonelab.results.viewable import Viewable

__all__ = [
    "CaptureDifference",
    "CheckReport",
    "CheckResult",
    "ChromaTransfer",
    "ClipFacts",
    "Correlation",
    "DifferenceKind",
    "DifferenceValue",
    "Finding",
    "FurtherChart",
    "GammaPoint",
    "GreyCurve",
    "IdentifiedConversion",
    "Landmark",
    "LuminanceCurve",
    "Measurement",
    "Nearness",
    "PairingFacts",
    "ParameterEstimate",
    "PathAccount",
    "PathParameter",
    "PlaneDifference",
    "RunnerUp",
    "Score",
    "Severity",
    "Tallies",
    "Unexplained",
    "Verdict",
    "Viewable",
]
