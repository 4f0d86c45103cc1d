"""What a path did as a whole."""

from __future__ import annotations

from tonelab.described import SEE_UNIT, described, result


@result
class Unexplained:
    """What the steps of a path leave of its capture, beyond rounding."""

    value: float = described("RMS by which codes are off beyond rounding", "codes", low=0)
    bound: float = described("Its standard error over bursts of frames", "codes", low=0)
    unit: str = described("Unit of value and bound")
    plane: str = described("The plane in which it is largest")
    where: str = described("Where it is largest, in words")
    count: int = described("Samples of that plane", "1", low=0)


@result
class PathParameter:
    """A fitted parameter of a step of a path, with its 95 % interval."""

    step: int = described("Which of the steps, the first is 0", "1", low=0)
    name: str = described("Its name")
    value: float = described("Fitted value", SEE_UNIT)
    bound: float | None = described(
        "Half of its 95 % interval",
        SEE_UNIT,
        absent="when this capture cannot tell the parameter",
        note="From the scatter of the fit from burst to burst.",
    )
    unit: str = described("Unit of value and bound")


@result
class PathAccount:
    """The chain of steps that explains a capture best."""

    steps: tuple[str, ...] = described(
        "Steps in the order in which the path takes them",
        dims=("step",),
        note="None for a path that changes nothing.",
    )
    kinds: tuple[str, ...] = described(
        "Names of the steps, each followed by itself with every fitted parameter", dims=("kind",)
    )
    causes: tuple[str, ...] = described(
        "What usually does each of the steps",
        dims=("step",),
        note="Empty for what a faithful path may do.",
    )
    parameters: tuple[PathParameter, ...] = described(
        "Fitted parameters of the steps", dims=("parameter",)
    )
    moves: float = described(
        "By how much the steps move the plane that they move most, RMS", unit="codes"
    )
    rivals: tuple[str, ...] = described(
        "Other chains that do the same to this pair", dims=("chain",)
    )
    predicted: float = described(
        "Share of captured codes that the steps predict to the code", "1", low=0
    )
    count: int = described("Codes behind that share", "1", low=0)

    def describe(self) -> str:
        """Return the steps in words."""
        return ", then ".join(self.steps) or "nothing"
