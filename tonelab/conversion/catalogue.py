"""The documentation table of everything that is registered."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from tonelab.conversion.chain import STEPS
from tonelab.conversion.standards import STANDARDS

if TYPE_CHECKING:
    from tonelab.conversion.parameters import Parameter, Part
    from tonelab.registry import Registry

REGISTRIES: tuple[Registry[Any], ...] = (*STEPS.values(), STANDARDS)


class CatalogueRow(NamedTuple):
    """One registered part, in words."""

    kind: str
    name: str
    label: str
    parameters: str
    source: str


def documentation_table() -> list[CatalogueRow]:
    """Return every registered part with its parameters, units, ranges and source."""
    return [
        CatalogueRow(registry.kind, name, entry.label, _parameters(entry), entry.source)
        for registry in REGISTRIES
        for name, entry in registry.items()
    ]


def _parameters(entry: Part[Any]) -> str:
    return "; ".join(map(_parameter, entry.parameters.values()))


def _parameter(parameter: Parameter) -> str:
    unit = "" if parameter.unit in {"", "1"} else f" {parameter.unit}"
    span = f"{parameter.low:g} to {parameter.high:g}{unit}"
    return f"{parameter.name} = {parameter.default:g}{unit} ({span}): {parameter.text}"
