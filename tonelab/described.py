"""A field of a result is declared once: its text, unit and dimensions stand with the field.

The HDF5 and JSON layouts and the documentation are derived from these declarations;
`tonelab.results.fields` reads them together with the types.
"""

from __future__ import annotations

from dataclasses import MISSING, Field, dataclass, field, fields
from inspect import cleandoc
from typing import TYPE_CHECKING, Any, TypedDict, TypeVar, dataclass_transform, overload

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Unpack

T = TypeVar("T")

SEE_UNIT = "see column unit"  # of a value whose unit another field of the same row holds

_KEY = "described"


@dataclass(frozen=True, slots=True)
class Description:
    """What a field holds.

    Attributes
    ----------
    text
        What it is, for people; without a full stop at its end.
    unit
        Unit of its numbers: ``"1"`` for plain numbers, empty for numbers that measure nothing,
        `SEE_UNIT` where the field ``unit`` of the same row names it; None for what is no number.
    dims
        A name for each dimension of an array; of a table or mapping, the name of its rows and then
        of what a row holds.
    absent
        When the value is absent, such as ``"when not stated"``.
    note
        What else to know, in full sentences.
    low, high
        Least and greatest possible value of each number.
    finite
        Whether each number is finite, so that a document never holds null in its place.
    least
        Number of items that it holds at least.
    """

    text: str
    unit: str | None = None
    dims: tuple[str, ...] = ()
    absent: str = ""
    note: str = ""
    low: float | None = None
    high: float | None = None
    finite: bool = False
    least: int = 0

    @property
    def unit_words(self) -> str:
        """The unit in words for a sentence; empty for what has none."""
        if self.unit == SEE_UNIT:
            return "in the unit that `unit` names"
        return {None: "", "": "", "1": "a plain number"}.get(self.unit, f"in {self.unit}")

    def sentence(self, absent: str) -> str:
        """Text and note; ``absent`` is the word for a value that is absent, such as ``"None"``."""
        when = f"; {absent} {self.absent}" if self.absent else ""
        return f"{self.text}{when}. {self.note}".rstrip()


class Facts(TypedDict, total=False):
    """What `described` passes on to `Description`."""

    dims: tuple[str, ...]
    absent: str
    note: str
    low: float
    high: float
    finite: bool
    least: int


@overload
def described(text: str, unit: str | None = ..., *, default: T, **facts: Unpack[Facts]) -> T: ...


@overload
def described(
    text: str, unit: str | None = ..., *, default_factory: Callable[[], T], **facts: Unpack[Facts]
) -> T: ...


@overload
def described(text: str, unit: str | None = ..., **facts: Unpack[Facts]) -> Any: ...


def described(
    text: str,
    unit: str | None = None,
    *,
    default: Any = MISSING,
    default_factory: Any = MISSING,
    **facts: Unpack[Facts],
) -> Any:
    """Declare a field of a `result` class.

    Parameters
    ----------
    text, unit, **facts
        As the attributes of `Description`.
    default, default_factory
        As of `dataclasses.field`.
    """
    metadata = {_KEY: Description(text, unit, **facts)}
    make: Any = field
    return make(default=default, default_factory=default_factory, metadata=metadata)


@overload
def result(cls: type[T], /) -> type[T]: ...


@overload
def result(*, eq: bool = True) -> Callable[[type[T]], type[T]]: ...


@dataclass_transform(frozen_default=True, field_specifiers=(described,))
def result(cls: type[T] | None = None, /, *, eq: bool = True) -> Any:
    """Make a frozen dataclass with slots whose docstring lists its `described` fields.

    Parameters
    ----------
    cls
        The class; its docstring says what no single field says.
    eq
        Whether two instances with equal fields are equal.
    """

    def make(cls: type[T]) -> type[T]:
        made: Any = dataclass(frozen=True, slots=True, eq=eq)(cls)
        lines = "\n".join(_documented(one) for one in fields(made))
        made.__doc__ = f"{cleandoc(made.__doc__ or '')}\n\nAttributes\n----------\n{lines}"
        return made  # type: ignore[no-any-return]

    return make if cls is None else make(cls)


def description_of(declared: Field[Any]) -> Description:
    """Return what a field of a dataclass was declared to hold.

    Raises
    ------
    TypeError
        When it was not declared by `described`.
    """
    found = declared.metadata.get(_KEY)
    if not isinstance(found, Description):
        raise TypeError(f"The field {declared.name!r} needs a description: declare it so.")
    return found


def _documented(declared: Field[Any]) -> str:
    """Entry of a field in the section Attributes, with type, dimensions and unit."""
    description = description_of(declared)
    kind = declared.type if isinstance(declared.type, str) else declared.type.__name__
    shape = f"by {', '.join(description.dims)}" if description.dims else ""
    head = ", ".join(filter(None, (kind, shape, description.unit_words)))
    text = description.sentence("None").replace("\n", "\n    ")
    return f"{declared.name} : {head}\n    {text}"
