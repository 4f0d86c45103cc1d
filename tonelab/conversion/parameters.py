"""Parts of a conversion declared once: a function, its parameters and where it is published.

The keyword arguments of a part's function are its parameters; their annotations carry bounds,
unit and meaning. Fits, commands, curve files, the documentation table and the tests read them
from here. How identification tries a part is stated with it too, by `Tried`.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from functools import partial
from types import MappingProxyType
from typing import Any, Generic, Literal, TypeAlias, TypeVar, cast, get_args

from tonelab.errors import UsageError
from tonelab.registry import Registry

F = TypeVar("F", bound=Callable[..., Any])
P = TypeVar("P", bound="Part[Any]")

Order: TypeAlias = Literal["tone-first", "matrix-first"]
ORDERS: tuple[Order, ...] = get_args(Order)


@dataclass(frozen=True, slots=True)
class Param:
    """What the annotation of a parameter says: ``Annotated[float, Param(low, high, unit, text)]``.

    Attributes
    ----------
    low, high
        Bounds within which a fit may search.
    unit
        ``"cd/m2"``, ``"1"`` (relative light or signal), ``"deg"`` or ``""`` (a plain number).
    text
        What it is, for people.
    log
        Whether its size matters by ratio, so that a fit should search its logarithm.
    published
        Whether the default is the published value, which a fit leaves alone unless it must not.
    """

    low: float
    high: float
    unit: str
    text: str
    log: bool = False
    published: bool = False


@dataclass(frozen=True, slots=True)
class Parameter:
    """A parameter of a registered part; see `Param` for the fields."""

    name: str
    default: float
    low: float
    high: float
    unit: str
    text: str
    log: bool
    published: bool


def parameters_of(function: Callable[..., Any]) -> Mapping[str, Parameter]:
    """Derive the parameters from a function's signature, in the order they are written.

    Raises
    ------
    TypeError
        When a parameter has no default.
    """
    found: dict[str, Parameter] = {}
    for name, argument in inspect.signature(function, eval_str=True).parameters.items():
        for note in getattr(argument.annotation, "__metadata__", ()):
            if isinstance(note, Param):
                if argument.default is argument.empty:
                    raise TypeError(f"Parameter {name!r} of {function} needs a default.")
                found[name] = Parameter(name=name, default=argument.default, **asdict(note))
    return MappingProxyType(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """How identification tries a part as a step of a chain.

    Attributes
    ----------
    orders
        Orders of a chain in which a drive or gamut method can stand.
    starts
        Values of its parameters at which it is tried. An empty mapping stands for the defaults,
        which are held. A part whose starts set parameters can imitate others: it is tried only
        where no chain without such parts explains the capture, and what was set is then fitted.
        Encodings alone are held at each start, for the free curve makes up for them on greys.
    note
        A sentence for people wherever the part is identified.
    """

    orders: tuple[Order, ...] = ORDERS
    starts: tuple[Mapping[str, float], ...] = (MappingProxyType({}),)
    note: str = ""

    @property
    def fitted(self) -> bool:
        """Whether a start sets parameters, which are then fitted."""
        return any(self.starts)


WITH_DEFAULTS = Tried()


@dataclass(frozen=True, slots=True, kw_only=True)
class Part(Generic[F]):
    """A registered part.

    Attributes
    ----------
    name, label
        As written in curve files, and as read by people.
    source
        The published document or article that defines it.
    function
        What it does.
    parameters
        By name, in the order of the signature.
    tried
        How identification tries it. None, which is the default but for tone curves and gamut
        methods, means never.

    Raises
    ------
    UsageError
        When ``tried`` starts from a parameter that the part does not have.
    """

    name: str
    label: str
    source: str
    function: F
    parameters: Mapping[str, Parameter]
    tried: Tried | None = None
    _defaults: dict[str, float] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        defaults = {name: parameter.default for name, parameter in self.parameters.items()}
        object.__setattr__(self, "_defaults", defaults)
        for start in self.tried.starts if self.tried else ():
            self.complete(start)

    def complete(self, given: Mapping[str, float]) -> dict[str, float]:
        """Fill in defaults.

        Raises
        ------
        UsageError
            When a parameter is unknown; the sentence lists those that exist.
        """
        filled = {**self._defaults, **given}
        if len(filled) > len(self._defaults):
            unknown = next(name for name in given if name not in self._defaults)
            known = ", ".join(self._defaults) or "none"
            raise UsageError(f"{self.label} has no parameter {unknown!r}: it has {known}.")
        return filled

    def bind(self, given: Mapping[str, float] | None = None) -> F:
        """Return the function with these parameters, defaults filled in, fixed."""
        return cast("F", partial(self.function, **self.complete(given or {})))


def parts(kind: str, group: str, part: Callable[..., P]) -> Registry[P]:
    """Make a registry of parts.

    Parameters
    ----------
    kind, group
        See `Registry`.
    part
        `Part`, a class derived from it, or a function that makes one. It is called with the name,
        the decorated function, its parameters, and what else is stated where a part registers.
    """

    def make(name: str, function: Callable[..., Any], **facts: Any) -> P:
        return part(name=name, function=function, parameters=parameters_of(function), **facts)

    return Registry(kind, group, make)


def tried_parts(registry: Mapping[str, P]) -> dict[str, tuple[P, Tried]]:
    """Return the parts that identification tries and how, by name, in the order registered."""
    return {name: (part, part.tried) for name, part in registry.items() if part.tried}
