"""The report page in a real browser: offline, by mouse, by keyboard, by voice, on paper."""

from __future__ import annotations

import itertools
import re
import shutil

import colour
import numpy as np
import pytest
from make_page import NAMES, hostile_page, measurements, whole_page

from tonelab.views.page import render

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
needs_browser = pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed")

NAMED = {
    "button", "checkbox", "radio", "slider", "combobox", "link", "image", "table", "region",
    "group", "form", "navigation", "figure", "article", "heading",
}  # fmt: skip
DESKTOP, PHONE = {"width": 1440, "height": 900}, {"width": 390, "height": 844}


@pytest.fixture(scope="module")
def browser():
    with sync_api.sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield launched
        launched.close()


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    folder = tmp_path_factory.mktemp("page 1 é")
    for name, text in (("whole", whole_page()), ("hostile", hostile_page())):
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture
def opened(browser, files):
    """Open a page offline; at the end nothing may have gone wrong in it."""
    contexts, faults = [], []

    def open_page(name="whole", *, clock=False, **options):
        context = browser.new_context(offline=True, **{"viewport": DESKTOP, **options})
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: faults.append(message.text))
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.on("dialog", lambda dialog: (faults.append("a dialog"), dialog.dismiss()))
        page.on("request", lambda request: None if request.url.startswith(("file:", "data:"))
                else faults.append(request.url))  # fmt: skip
        if clock:
            page.clock.install(time=0)
        page.goto((files / f"{name}.html").as_uri())
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert not faults


def reading(page, chart="luminance"):
    """What the cursor of a chart reads: its place, and words by name."""
    box = page.locator(f"#{chart} .reading table")
    rows = [row.split("\t") for row in box.locator("tbody").inner_text().splitlines() if row]
    words = [cell for row in rows for cell in row if cell]
    caption = box.locator("caption").inner_text()
    return caption, dict(zip(words[::2], words[1::2], strict=True))


def number(words):
    return float(re.match(r"[−\d.]+", words)[0].replace("−", "-"))


@needs_browser
def test_the_reading_is_the_curve(opened):
    page = opened()
    caption, words = reading(page)
    assert caption.startswith("At 203 cd/m²")
    for one in measurements():
        curve = one.luminance_curve
        expected = np.interp(203, curve.luminance, curve.smooth)
        assert number(words[one.device]) == pytest.approx(expected, abs=0.2)
        assert words[one.device].endswith("± 0.4")


@needs_browser
def test_the_pointer_moves_the_cursor_and_a_drag_zooms(opened):
    page = opened()
    plot = page.locator("#luminance svg.live")
    plot.scroll_into_view_if_needed()
    box = plot.bounding_box()
    at = [box["x"] + share * box["width"] for share in (0.3, 0.5, 0.7)]
    height = box["y"] + box["height"] / 2
    lights = []
    for x in at:
        page.mouse.move(x, height)
        lights.append(number(reading(page)[0].removeprefix("At ")))
    assert lights == sorted(lights)
    assert lights[0] < lights[2] / 10
    ticks = plot.locator(".tick").all_text_contents()
    page.mouse.move(at[0], height)
    page.mouse.down()
    page.mouse.move(at[1], height)
    page.mouse.up()
    assert plot.locator(".tick").all_text_contents() != ticks
    page.mouse.move(box["x"] + box["width"] - 30, height)
    assert number(reading(page)[0].removeprefix("At ")) < 1.1 * lights[1]
    page.get_by_role("button", name="Show the whole of Luminance transfer").click()
    assert plot.locator(".tick").all_text_contents() == ticks


@needs_browser
def test_everything_works_by_keyboard(opened):
    page = opened()
    slider = page.get_by_role("slider", name="Cursor of Luminance transfer")
    slider.focus()
    before = reading(page)
    for _ in range(5):
        page.keyboard.press("ArrowRight")
    after = reading(page)
    assert number(after[0].removeprefix("At ")) > 203
    assert after != before
    spoken = slider.get_attribute("aria-valuetext")
    assert all(f"{name} {words}" in spoken for name, words in after[1].items())
    page.keyboard.press("+")
    narrow = page.locator("#luminance .tick").all_text_contents()
    page.keyboard.press("0")
    assert page.locator("#luminance .tick").all_text_contents() != narrow
    box = page.get_by_role("checkbox", name="Borin")
    box.focus()
    page.keyboard.press("Space")
    assert set(reading(page)[1]) == {"Alva", "Cetra"}
    assert set(reading(page, "ratio")[1]) == {"Alva", "Cetra"}
    page.get_by_role("radio", name="PQ code").focus()
    page.keyboard.press("ArrowRight")
    assert page.get_by_role("radio", name="logarithmic").is_checked()
    assert "26" in page.locator("#luminance .tick").all_text_contents()
    page.keyboard.press("ArrowRight")
    assert {"200", "400", "600"} <= set(page.locator("#luminance .tick").all_text_contents())


@needs_browser
def test_standards_and_views_can_be_chosen(opened):
    page = opened()
    page.get_by_text("Standard conversions", exact=True).first.click()
    page.get_by_role("checkbox", name="BT.2446 method A").check()
    assert "BT.2446 method A" in reading(page)[1]
    view = page.get_by_label("Vertical axis")
    view.select_option(label="light on the display, cd/m²")
    caption, words = reading(page)
    assert "light on the display" in caption
    curve = measurements()[0].luminance_curve
    code = np.interp(203, curve.luminance, curve.smooth)
    # ITU-R BT.1886, annex 1, with a black of 0.
    assert number(words["Alva"]) == pytest.approx(100 * ((code - 64) / 876) ** 2.4, rel=0.01)
    page.get_by_label("Compared with").select_option(label="Borin")
    assert set(reading(page, "difference")[1]) == {"Alva", "Cetra"}


@needs_browser
def test_every_control_and_picture_has_a_name(opened):
    page = opened()
    tree = page.context.new_cdp_session(page).send("Accessibility.getFullAXTree")["nodes"]
    seen = {}
    for node in tree:
        role = node.get("role", {}).get("value", "").lower()
        if role in NAMED and not node["ignored"]:
            name = node.get("name", {}).get("value", "")
            assert name.strip() or role in {"group", "figure", "article"}, node
            seen.setdefault(role, []).append(name)
    assert {"button", "checkbox", "radio", "slider", "combobox", "link", "image"} <= set(seen)
    for role in ("slider", "button"):
        assert len(set(seen[role])) == len(seen[role]), role
    assert all(any(name.startswith(one) for one in seen["checkbox"]) for name in NAMES)


@needs_browser
def test_pictures_change_by_radio_key_and_swipe(opened):
    page = opened(clock=True)
    viewer = page.locator(".viewer")
    assert viewer.get_by_role("radio").count() == 3  # the source and two devices

    def shown():
        page.clock.run_for(600)
        return viewer.locator("img.on").get_attribute("data-name")

    assert shown() == "Source, rendered"
    viewer.get_by_role("radio", name="Borin").check()
    assert shown() == "Borin"
    stage = viewer.locator(".stage")
    stage.focus()
    page.keyboard.press("2")
    assert shown() == "Alva"
    page.keyboard.press("ArrowLeft")
    assert shown() == "Source, rendered"
    box = stage.bounding_box()
    page.mouse.move(box["x"] + 100, box["y"] + 10)
    page.mouse.down()
    page.mouse.move(box["x"] + 20, box["y"] + 12)
    page.mouse.up()
    assert shown() == "Alva"
    viewer.get_by_role("checkbox", name="Difference map").check()
    assert shown() == "Alva"
    assert "difference" in viewer.locator("img.on").get_attribute("class")
    viewer.get_by_role("combobox").select_option("4×")
    assert viewer.locator("img.on").bounding_box()["width"] == 4 * 32
    assert (
        viewer.locator("img.on").evaluate("e => getComputedStyle(e).imageRendering") == "pixelated"
    )


COUNT = """() => { window.changes = []; const images = [...document.querySelectorAll('.sheet img')];
new MutationObserver((list) => { if (list.some((one) => one.target.classList.contains('on')))
window.changes.push(performance.now()); }).observe(document.querySelector('.sheet'),
{subtree: true, attributeFilter: ['class']}); }"""


@pytest.mark.outside("WCAG 2.2, 2.3.1: at most three flashes in one second", "published")
@needs_browser
def test_pictures_never_change_fast(opened):
    """By itself at most once a second, and never more than three pairs of changes in one."""
    page = opened(clock=True)
    page.evaluate(COUNT)
    fade = page.get_by_role("button", name="Slow cross-fade")
    page.clock.run_for(10_000)
    assert page.evaluate("changes.length") == 0
    fade.click()
    page.clock.run_for(60_000)
    times = page.evaluate("changes.splice(0)")
    assert len(times) >= 15
    assert min(np.diff(times)) >= 1000
    assert "slow" in page.locator(".viewer").get_attribute("class")
    fade.click()
    page.clock.run_for(5_000)
    assert page.evaluate("changes.length") == 0
    page.locator(".stage").focus()
    for press in range(40):
        page.keyboard.press(str(1 + press % 3))
        page.clock.run_for(50)
    times = np.array(page.evaluate("changes"))
    assert max(np.searchsorted(times, times + 1000) - np.arange(len(times))) <= 3


@needs_browser
def test_whoever_asks_for_less_motion_gets_none(opened):
    page = opened(reduced_motion="reduce")
    assert page.get_by_role("button", name=re.compile("Slow cross-fade")).is_disabled()
    duration = page.locator(".sheet img").first.evaluate(
        "e => getComputedStyle(e).transitionDuration"
    )
    assert duration == "0s"
    assert "Photosensitivity" in page.locator(".caution").inner_text()


@needs_browser
def test_names_run_nothing(opened):
    page = opened("hostile")
    page.wait_for_timeout(50)
    assert page.locator("img[src=x]").count() == 0
    assert "onerror" in page.locator("h1").inner_text()
    assert any("onerror" in name for name in reading(page)[1])


@needs_browser
def test_without_script_all_is_there(opened):
    page = opened(java_script_enabled=False)
    assert page.locator("svg.drawn").count() == 5
    assert page.locator("svg.drawn .line").count() >= 12
    assert page.locator(".strip img").first.is_visible()
    assert page.locator(".legend").is_visible()
    assert page.locator("[data-live]:visible").count() == 0
    table = page.locator("#luminance details")
    table.locator("summary").click()
    assert table.locator("td").first.is_visible()


@needs_browser
@pytest.mark.parametrize(("name", "scheme"), [("whole", "light"), ("hostile", "dark")])
def test_a_phone_shows_it_without_sideways_scrolling(opened, name, scheme):
    page = opened(name, viewport=PHONE, color_scheme=scheme, has_touch=True)
    for element in page.locator("details").all():
        element.evaluate("e => e.open = true")
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert (ground == "rgb(255, 255, 255)") == (scheme == "light")


@needs_browser
def test_paper_has_the_tables_and_no_controls(opened):
    page = opened(color_scheme="dark")
    page.emulate_media(media="print")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert page.locator(".controls, .viewer, button, .cursor").filter(visible=True).count() == 0
    assert page.locator("#luminance details td").first.is_visible()
    assert page.locator(".strip img").first.is_visible()
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    page.wait_for_function("document.querySelector('.coverage img').naturalWidth == 40")


@needs_browser
@pytest.mark.parametrize(("scheme", "width"), [("light", 40), ("dark", 50)])
def test_corrections_are_drawn_on_the_ground_of_the_page(opened, scheme, width):
    page = opened(color_scheme=scheme)
    assert page.locator(".coverage img").evaluate("one => one.naturalWidth") == width
    assert page.get_by_role("img", name="Planes of equal blue through the table").is_visible()


def colours(dark):
    """The page's colours by name, from its style sheet."""
    style = str(render._asset("page.css"))
    blocks = re.findall(r":root \{(.*?)\}", style, re.DOTALL)
    found = dict(re.findall(r"--([\w]+): (#[0-9a-f]{3,6});", blocks[0]))
    return found | dict(re.findall(r"--([\w]+): (#[0-9a-f]{3,6});", blocks[1])) if dark else found


def rgb(text):
    digits = text[1:] if len(text) == 7 else "".join(2 * digit for digit in text[1:])
    return np.array([int(digits[n : n + 2], 16) for n in (0, 2, 4)]) / 255


@pytest.mark.outside("WCAG 2.2, 1.4.3 and 1.4.11", "published")
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_contrast_is_that_of_wcag_aa(dark):
    palette = {name: colour.sRGB_to_XYZ(rgb(text))[1] for name, text in colours(dark).items()}
    for ground in ("ground", "panel"):
        for ink, least in (
            *((name, 4.5) for name in ("ink", "soft", "link", "warn", "stop")),
            *((name, 3.0) for name in ("edge", "focus", *(f"c{n}" for n in range(6)))),
        ):
            low, high = sorted((palette[ground], palette[ink]))
            assert (high + 0.05) / (low + 0.05) >= least, (ink, ground)


@pytest.mark.outside("Machado 2009, in colour-science", "library")
@pytest.mark.filterwarnings("ignore:.*tritanomaly")
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("deficiency", ["Protanomaly", "Deuteranomaly", "Tritanomaly"])
def test_lines_stay_apart_for_any_colour_vision(dark, deficiency):
    """At full severity; every line carries a mark of its own besides."""
    matrix = colour.blindness.matrix_cvd_Machado2009(deficiency, 1.0)
    palette = colours(dark)
    linear = colour.models.eotf_sRGB(np.array([rgb(palette[f"c{n}"]) for n in range(6)]))
    seen = colour.models.eotf_inverse_sRGB(np.clip(linear @ matrix.T, 0, 1))
    lab = colour.XYZ_to_Lab(colour.sRGB_to_XYZ(seen))
    distances = {
        (a, b): np.linalg.norm(lab[a] - lab[b]) for a, b in itertools.combinations(range(6), 2)
    }
    assert min(distances.values()) > 20, distances
    assert len(set(render.MARKS)) == 6
