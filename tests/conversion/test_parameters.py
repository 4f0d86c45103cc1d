"""Parts declared once: parameters from signatures, look-ups, plug-ins, the documentation table."""

from __future__ import annotations

import subprocess
import sys
import textwrap
from pathlib import Path
from typing import Annotated

import numpy as np
import pytest

from tonelab.conversion import TONE_CURVES, documentation_table
from tonelab.conversion.catalogue import REGISTRIES
from tonelab.conversion.parameters import Param, Part, parameters_of, parts
from tonelab.errors import UsageError


def test_parameters_come_from_the_signature() -> None:
    def curve(L, *, knee: Annotated[float, Param(1, 9, "cd/m2", "bend", log=True)] = 3.0):
        return L / knee

    (knee,) = parameters_of(curve).values()
    assert (knee.name, knee.default, knee.low, knee.high, knee.unit, knee.text, knee.log) == (
        "knee",
        3.0,
        1,
        9,
        "cd/m2",
        "bend",
        True,
    )


def test_a_parameter_needs_a_default() -> None:
    def curve(L, *, knee: Annotated[float, Param(1, 9, "", "bend")]):
        return L / knee

    with pytest.raises(TypeError, match="default"):
        parameters_of(curve)


@pytest.mark.parametrize("registry", REGISTRIES, ids=lambda registry: registry.kind)
def test_every_declaration_is_usable_by_a_fit(registry) -> None:
    for entry in registry.values():
        for parameter in entry.parameters.values():
            where = f"{entry.name}.{parameter.name}"
            assert parameter.low < parameter.high, where
            assert parameter.low <= parameter.default <= parameter.high, where
            assert not parameter.log or parameter.low > 0, where
            assert parameter.unit in {"", "1", "cd/m2", "deg"}, where
            assert parameter.text, where


@pytest.mark.parametrize("registry", REGISTRIES, ids=lambda registry: registry.kind)
def test_unknown_names_are_answered_with_the_known_ones(registry) -> None:
    known = next(iter(registry))
    with pytest.raises(UsageError, match=rf"no {registry.kind} 'nonsense': choose from .*{known}"):
        registry["nonsense"]
    with pytest.raises(UsageError, match="has no parameter 'nonsense'"):
        registry[known].bind({"nonsense": 1.0})
    assert "nonsense" not in registry


def test_the_sentence_about_a_parameter_lists_those_that_exist() -> None:
    with pytest.raises(UsageError, match="white, knee, peak"):
        TONE_CURVES["mobius"].bind({"keen": 3.0})


def test_a_name_is_given_once() -> None:
    registry = parts("tone curve", "tonelab.none", Part)
    registry.register("twice", label="a", source="b")(lambda L: L)
    with pytest.raises(UsageError, match="two tone curves named 'twice'"):
        registry.register("twice", label="a", source="b")(lambda L: L)


def test_documentation_table_has_a_row_for_every_part() -> None:
    table = documentation_table()
    assert len(table) == sum(map(len, REGISTRIES))
    (mobius,) = (row for row in table if row.name == "mobius")
    assert mobius.kind == "tone curve"
    assert "knee = 30 cd/m2 (0.5 to 1000 cd/m2)" in mobius.parameters


EXAMPLE = '''
"""An example package that adds a tone curve and a gamut method to tonelab."""

from typing import Annotated

import numpy as np

from tonelab.conversion import GAMUT_METHODS, TONE_CURVES
from tonelab.conversion.parameters import Param


@TONE_CURVES.register("example-root", label="square root", source="an example")
def square_root(
    L, *, peak: Annotated[float, Param(100, 10000, "cd/m2", "light sent to white", log=True)] = 1000
):
    return np.sqrt(L / peak)


@GAMUT_METHODS.register("example-grey", label="grey", source="an example")
def grey(light):
    return np.repeat(light.mean(axis=1, keepdims=True), 3, axis=1)
'''

USE = """
import numpy as np
from tonelab.conversion import GAMUT_METHODS, TONE_CURVES, Conversion, Step, documentation_table

assert "example_tone" not in __import__("sys").modules  # loaded at the first look-up only
chain = Conversion(Step("example-root", {"peak": 4000}), gamut=Step("example-grey"))
signal = chain.rgb_signal(np.array([[1000.0, 1000, 1000]]))
np.testing.assert_allclose(signal, 0.5 ** (1 / 2.4), rtol=1e-6)
curve = TONE_CURVES["example-root"]
assert abs(curve.inverse(np.array([0.5]), peak=4000) - 1000) < 1e-6
assert abs(curve.derivative(np.array([1000.0]), peak=4000) - 0.00025) < 1e-9
assert {"example-root", "example-grey"} <= {row.name for row in documentation_table()}
"""


def run_with_package(folder: Path, module: str, use: str) -> subprocess.CompletedProcess[str]:
    """Lay out an installed package with entry points and use tonelab beside it."""
    (folder / "example_tone.py").write_text(module, encoding="utf-8")
    info = folder / "example_tone-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: example-tone\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(
        "[tonelab.tone_curves]\nexample = example_tone\n"
        "[tonelab.gamut_methods]\nexample = example_tone\n"
    )
    root = Path(__file__).parents[2]
    lead = f"import sys; sys.path[:0] = [{str(folder)!r}, {str(root)!r}]\n"
    command = [sys.executable, "-W", "error", "-c", lead + textwrap.dedent(use)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_a_third_party_adds_parts_through_entry_points(tmp_path: Path) -> None:
    result = run_with_package(tmp_path, EXAMPLE, USE)
    assert result.returncode == 0, result.stderr


def test_a_broken_plug_in_is_named_in_one_sentence(tmp_path: Path) -> None:
    use = """
    from tonelab.conversion import TONE_CURVES
    from tonelab.errors import UsageError
    try:
        TONE_CURVES["hable"]
    except UsageError as error:
        print(error)
    """
    result = run_with_package(tmp_path, "import no_such_module_at_all", use)
    assert "The plug-in 'example_tone' for tone curves does not load" in result.stdout
    assert "uninstall" in result.stdout


def test_numpy_floats_are_fine_as_parameters() -> None:
    curve = TONE_CURVES["linear"].bind({"white": np.float64(203)})
    assert curve(np.array([203.0]))[0] == 1.0
