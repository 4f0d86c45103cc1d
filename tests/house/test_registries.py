"""Every registry of the package: its entries can be named, read and traced."""

from __future__ import annotations

import importlib
import pkgutil
import re
from typing import TYPE_CHECKING

import pytest
from plugged import run_with_package

import tonelab
from tonelab.registry import Registry

if TYPE_CHECKING:
    from pathlib import Path


def registries() -> list[Registry]:
    """Collect every registry that some module of the package makes."""
    names = [m.name for m in pkgutil.walk_packages(tonelab.__path__, "tonelab.")]
    modules = [importlib.import_module(n) for n in names if not n.endswith("__main__")]
    found = (v for module in modules for v in vars(module).values() if isinstance(v, Registry))
    return list({id(registry): registry for registry in found}.values())


REGISTRIES = registries()

# Whatever a plug-in imports at its top, it must find the package whole.
PLUG_IN = """
import tonelab.checks
import tonelab.conversion
import tonelab.identify
import tonelab.media
"""


def test_none_is_missed() -> None:
    kinds = {registry.kind for registry in REGISTRIES}
    assert {"tone curve", "drive", "chroma law", "gamut method", "encoding"} <= kinds
    assert {"set of picture controls", "standard conversion", "check", "reader"} <= kinds
    assert {"pixel table", "page section", "figure"} <= kinds
    assert len(kinds) == len(REGISTRIES)
    groups = {registry.group for registry in REGISTRIES}
    assert len(groups) == len(REGISTRIES)
    assert all(re.fullmatch(r"tonelab\.[a-z_]+", group) for group in groups)


@pytest.mark.parametrize(
    "first", ["tonelab.conversion", "tonelab.checks", "tonelab.media", "tonelab.cli.app"]
)
def test_plug_ins_load_whatever_is_imported_first(tmp_path: Path, first: str) -> None:
    use = f"""
    import {first}
    from tonelab.checks.registry import CHECKS
    from tonelab.conversion.catalogue import REGISTRIES
    from tonelab.media import READERS
    assert "example_part" not in sys.modules
    for registry in (*REGISTRIES, CHECKS, READERS):
        assert len(registry)
    assert "example_part" in sys.modules
    """
    groups = [registry.group.removeprefix("tonelab.") for registry in REGISTRIES]
    result = run_with_package(tmp_path, PLUG_IN, use, groups)
    assert result.returncode == 0, result.stderr


@pytest.mark.parametrize("registry", REGISTRIES, ids=lambda registry: registry.kind)
def test_entries_have_names_for_plans_and_commands(registry: Registry) -> None:
    assert len(registry)
    for name, entry in registry.items():
        assert entry.name == name
        # No quotes are needed for it in a shell, and none to be escaped in TOML or HDF5.
        assert re.fullmatch(r"[a-z0-9]+([-+.][a-z0-9]+)*", name), name
    assert len({re.sub(r"[-+.]", "", name) for name in registry}) == len(registry)


@pytest.mark.parametrize("registry", REGISTRIES, ids=lambda registry: registry.kind)
def test_entries_say_what_they_are_and_where_that_is_published(registry: Registry) -> None:
    # A section of the page is headed by what it is.
    labels = [getattr(entry, "label", "") or entry.heading for entry in registry.values()]
    assert all(label.strip() == label and label for label in labels)
    assert len(set(labels)) == len(labels)
    for name, entry in registry.items():
        # What has no published source is this package's own: its function says what it does.
        assert entry.source if hasattr(entry, "source") else entry.function.__doc__, name
