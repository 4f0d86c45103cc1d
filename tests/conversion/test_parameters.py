"""Parts declared once: parameters from signatures, look-ups, plug-ins, the documentation table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import numpy as np
import pytest
from plugged import run_with_package

from tonelab.conversion import TONE_CURVES, documentation_table
from tonelab.conversion.catalogue import REGISTRIES
from tonelab.conversion.parameters import Param, Part, Tried, parameters_of, parts, tried_parts
from tonelab.errors import UsageError

if TYPE_CHECKING:
    from pathlib import Path


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
from tonelab.conversion import (
    GAMUT_METHODS, TONE_CURVES, ChainPart, Conversion, documentation_table
)

assert "example_part" not in __import__("sys").modules  # loaded at the first look-up only
chain = Conversion(ChainPart("example-root", {"peak": 4000}), gamut=ChainPart("example-grey"))
signal = chain.rgb_signal(np.array([[1000.0, 1000, 1000]]))
np.testing.assert_allclose(signal, 0.5 ** (1 / 2.4), rtol=1e-6)
curve = TONE_CURVES["example-root"]
assert abs(curve.inverse(np.array([0.5]), peak=4000) - 1000) < 1e-6
assert abs(curve.derivative(np.array([1000.0]), peak=4000) - 0.00025) < 1e-9
assert {"example-root", "example-grey"} <= {row.name for row in documentation_table()}
"""


GROUPS = ("tone_curves", "gamut_methods")


def test_a_third_party_adds_parts_through_entry_points(tmp_path: Path) -> None:
    result = run_with_package(tmp_path, EXAMPLE, USE, GROUPS)
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
    result = run_with_package(tmp_path, "import no_such_module_at_all", use, GROUPS)
    assert "The plug-in 'example_part' for tone curves does not load" in result.stdout
    assert "uninstall" in result.stdout


MEAN = """
import numpy as np

from tonelab.conversion import DRIVES
from tonelab.conversion.parameters import Tried


def mean(light, *, primaries):
    return light.mean(axis=1, keepdims=True)


@DRIVES.register("example-mean", label="the mean", source="an example", arguments=mean{tried})
def by_mean(light, tone, *, primaries="bt2020", white=100.0):
    level = np.maximum(mean(light, primaries=primaries), 1e-9)
    return light * tone(level) / level
"""

IDENTIFY = """
import numpy as np
import simulated
from tonelab.chart import Group, Layout
from tonelab.identify import gather_evidence, identify
from tonelab.identify.structures import rank_plain
from tonelab.readings.colours import gather
from tonelab.readings.curves import luminance_curve
from tonelab.readings.signals import read_capture
from tonelab.signal.description import Signal


def driven(light, curve, luminance, white):
    level = np.maximum(light.mean(-1, keepdims=True), simulated.TRACE)
    return light * curve(level) / level


simulated.DRIVES["mean"] = driven
source = Signal(matrix="bt2020", transfer="pq", primaries="bt2020")
layout = Layout.create("quick", width=960, height=540, hold=4)
device = simulated.SimulatedDevice(drive="mean", tone="reinhard")
tallies = simulated.simulated_tallies(layout, device, samples=64, frames=2)
neutrals = gather(tallies, layout, Group.NEUTRAL)
target, _ = read_capture(Signal(), neutrals, source)
neutrals = neutrals[np.argsort(neutrals.source[:, 0], kind="stable")]
curve = luminance_curve(neutrals, source, code_step=1.0)
colours = gather(tallies, layout, Group.LATTICE, Group.NEUTRAL_NEAR)
evidence = gather_evidence(colours, neutrals, curve, source, target).thinned(400, neutrals=150)
best = rank_plain(evidence)[0]
print(best.conversion.drive.name, best.rms / evidence.floor, sep=";")
if {declared}:
    found = identify(evidence).conversion
    print(found.drive, found.residual_codes_rms / found.floor_codes_rms, sep=";")
"""


@pytest.mark.long
@pytest.mark.parametrize("declared", [True, False])
def test_identification_tries_what_a_third_party_declares_as_tried(
    tmp_path: Path, declared: bool
) -> None:
    module = MEAN.replace("{tried}", ", tried=Tried()" if declared else "")
    use = IDENTIFY.replace("{declared}", str(declared))
    result = run_with_package(tmp_path, module, use, ("drives",))
    assert result.returncode == 0, result.stderr
    lines = result.stdout.split()
    assert len(lines) == 1 + declared  # the best plain chain, and what identification makes of it
    for line in lines:
        drive, floors = line.split(";")
        assert (drive == "example-mean") == declared
        assert (float(floors) < 1.2) == declared


def test_what_says_nothing_is_not_tried() -> None:
    registry = parts("drive", "tonelab.none", Part)
    registry.register("silent", label="a", source="b")(lambda L: L)
    registry.register("declared", label="a", source="b", tried=Tried())(lambda L: L)
    assert list(tried_parts(registry)) == ["declared"]


def test_a_start_names_parameters_that_there_are() -> None:
    registry = parts("drive", "tonelab.none", Part)
    add = registry.register("d", label="D", source="b", tried=Tried(starts=({"keen": 1.0},)))
    with pytest.raises(UsageError, match="D has no parameter 'keen'"):
        add(lambda L: L)


@pytest.mark.parametrize("registry", REGISTRIES, ids=lambda registry: registry.kind)
def test_starts_lie_within_the_bounds_of_a_fit(registry) -> None:
    for entry, tried in tried_parts(registry).values():
        for name, value in (item for start in tried.starts for item in start.items()):
            parameter = entry.parameters[name]
            assert parameter.low <= value <= parameter.high, f"{entry.name}.{name}"


def test_numpy_floats_are_fine_as_parameters() -> None:
    curve = TONE_CURVES["linear"].bind({"white": np.float64(203)})
    assert curve(np.array([203.0]))[0] == 1.0
