"""Sections of the page and figures that another package adds through its entry points."""

from __future__ import annotations

import re
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest
from make_measurement import make_measurement

from tonelab.errors import UsageError
from tonelab.views.figures import FIGURES
from tonelab.views.page import SECTIONS, Section, render_page
from tonelab.views.page.section import ordered

ROOT = Path(__file__).parents[2]

EXAMPLE = '''
"""An example package that adds two sections and a figure to tonelab."""

from tonelab.views.figures import FIGURES
from tonelab.views.page import SECTIONS


@SECTIONS.register(
    "example-firmware", heading="Firmware & <b>versions</b>", contents="Firmware", order=25,
    template=(
        '{% from "macros.html" import swatch %}\\n<ul>{% for name, text in rows %}'
        "<li>{{ swatch(loop.index0) }}{{ name }}: {{ text | tight }}</li>{% endfor %}</ul>"
    ),
    style="#example-firmware li { color: teal; }",
    script="document.title;",
    missing=lambda page: ["<i>Example</i>: nothing more."],
)
def firmware(page):
    rows = [(name, f"{one.firmware} at -3 cd/m2") for name, one in page.devices]
    return {"rows": rows, "script_data": {"example": len(rows)}}


@SECTIONS.register(
    "example-nothing", heading="Never", contents="Never", order=26, template="never",
)
def nothing(page):
    return None


@FIGURES.register("example-blank", label="an empty figure")
def blank(measurement, *, dark=False):
    from matplotlib.figure import Figure
    return Figure()
'''

ENTRY_POINTS = """
[tonelab.page_sections]
example = example_views
[tonelab.figures]
example = example_views
"""


def use_with_package(folder: Path, use: str) -> str:
    """Lay out an installed package with entry points, and use tonelab with it."""
    (folder / "example_views.py").write_text(EXAMPLE, encoding="utf-8")
    info = folder / "example_views-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: example-views\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(ENTRY_POINTS)
    paths = [str(folder), str(ROOT), str(ROOT / "tests" / "making")]
    lead = f"import sys; sys.path[:0] = {paths!r}\n"
    command = [sys.executable, "-c", lead + textwrap.dedent(use)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, encoding="utf-8")
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_another_package_adds_a_section_in_one_place(tmp_path):
    use = """
    sys.stdout.reconfigure(encoding="utf-8")
    from make_measurement import make_measurement
    from tonelab.views.page import render_page
    print(render_page([make_measurement("A<i>", firmware="<script>1</script>")]))
    """
    page = use_with_package(tmp_path, use)
    contents = re.search(r"<nav.*?</nav>", page, re.DOTALL)[0]
    assert re.findall(r'href="#([\w-]+)"', contents) == [
        "answer", "curves", "example-firmware", "numbers", "findings", "provenance", "absent",
    ]  # fmt: skip
    assert re.findall(r'<section id="([\w-]+)"', page) == re.findall(r'href="#([\w-]+)"', contents)
    section = re.search(r'<section id="example-firmware".*?</section>', page, re.DOTALL)[0]
    assert "Firmware &amp; &lt;b&gt;versions&lt;/b&gt;</h2>" in section
    assert "A&lt;i&gt;: &lt;script&gt;1&lt;/script&gt; at −3\u00a0cd/m²</li>" in section
    assert section.count("<svg") == 1  # the swatch of the device
    assert "&lt;i&gt;Example&lt;/i&gt;: nothing more." in page[page.index('id="absent"') :]
    assert "#example-firmware li { color: teal; }</style>" in page
    assert "document.title;</script>" in page
    assert '"example": 1' in page
    assert "Never" not in page


def test_another_package_adds_a_figure_that_help_and_command_know(tmp_path):
    use = """
    from make_measurement import make_measurement
    from tonelab.cli import main
    from tonelab.curvefile import save
    import pathlib, tempfile
    folder = pathlib.Path(tempfile.mkdtemp(dir=r"FOLDER"))
    save(make_measurement(), folder / "a.h5")
    main(["show", "--help"])
    words = ["show", str(folder / "a.h5"), "--figure", "example-blank", "-o", str(folder / "a.svg")]
    assert main(words) == 0
    assert (folder / "a.svg").read_text().startswith("<?xml")
    assert main([*words[:3], "nonsense", *words[4:]]) == 2
    """
    shown = use_with_package(tmp_path, use.replace("FOLDER", str(tmp_path)))
    assert "residual|example-blank]" in "".join(shown.split())


def test_sections_have_places_of_their_own():
    sections = ordered()
    assert [one.name for one in sections] == [
        "answer", "curves", "numbers", "pictures", "corrections", "findings", "provenance",
        "absent",
    ]  # fmt: skip
    assert len({one.order for one in sections}) == len(sections)
    with pytest.raises(UsageError, match="two page sections named 'answer'"):
        SECTIONS.add("answer", sections[0])


def test_a_template_that_names_what_is_not_there_is_one_sentence(monkeypatch):
    broken = Section("odd", lambda _page: {}, "Odd", "Odd", 35, "{{ no_such_thing }}")
    monkeypatch.setitem(SECTIONS._entries, "odd", broken)
    with pytest.raises(UsageError, match=r"page section 'odd' cannot be rendered .*no_such_thing"):
        render_page([make_measurement()])


def test_the_readme_names_every_figure():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    sentence = re.search(r"Figures of a measurement are (.*?);", text)[1]
    assert re.findall(r"`([\w-]+)`", sentence) == list(FIGURES)
    assert all(one.label for one in FIGURES.values())
