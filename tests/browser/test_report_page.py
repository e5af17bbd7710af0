"""The report in a real browser: drawn, linked, filtered, printed, read by everybody."""

import json
import os
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from axe_core_python.sync_playwright import Axe
from browser_page import opened, patient, redrawn, see
from playwright.sync_api import Browser, Page
from report_studies import ONE_PATTERN, TWO_PATTERNS, Results, make_results

from pipeline.report.page import write_report
from pipeline.study.points import RunPoint

pytestmark = pytest.mark.browser

CHARTS = ("carry", "peak", "height", "side", "above", "cd", "cl")
A4_WIDTH_PX = 688
"""182 mm between the margins of an A4 sheet, at 96 px an inch."""


def test_every_figure_is_drawn(tab: Page) -> None:
    for name in CHARTS:
        see(tab, name)
        drawn = tab.locator(f"#chart-{name} .main-svg .trace, #chart-{name} .main-svg .scatterlayer path")
        assert drawn.count() > 0, name
        box = tab.locator(f"#chart-{name}").bounding_box()
        assert box["width"] > 300 and box["height"] > 200, name
    see(tab, "ball")
    picture = tab.locator("#chart-ball").screenshot()
    assert len(picture) > 10_000  # a blank one takes 2 kB


def test_ball_is_that_of_the_depth_chosen_and_shows_pressure(tab: Page) -> None:
    """The deepest node lies at the surface depth; Cp of an invented run from -1.25 to 1 (potential flow)."""
    see(tab, "ball")
    deepest = []
    for place in range(4):
        tab.locator("#ball-depth").fill(str(place))
        redrawn(tab)
        deepest.append(tab.evaluate("Math.max(...document.getElementById('chart-ball').data[0].intensity)"))
    assert deepest == pytest.approx([150, 200, 250, 300], rel=0.02)
    options = tab.locator("#ball-shade option").all_inner_texts()
    assert sum(text.startswith("pressure") for text in options) == 2
    tab.locator("#ball-shade").select_option(index=1)
    redrawn(tab)
    cp = np.array(tab.evaluate("document.getElementById('chart-ball').data[0].intensity"))
    assert cp.min() == pytest.approx(-1.25, abs=0.05) and cp.max() == pytest.approx(1.0, abs=0.1)
    z = np.array(tab.evaluate("document.getElementById('chart-ball').data[0].y"))
    assert z.min() == pytest.approx(-z.max())  # the half that was computed, mirrored


def test_arrow_keys_turn_the_ball(tab: Page) -> None:
    see(tab, "ball")
    eye = "document.getElementById('chart-ball').layout.scene.camera.eye.x"
    before = tab.evaluate(eye)
    tab.locator("#chart-ball").focus()
    tab.keyboard.press("ArrowRight")
    assert tab.evaluate(eye) != before


def test_a_depth_is_marked_in_every_figure(tab: Page) -> None:
    for name in ("carry", "peak", "height", "cd"):
        see(tab, name)
    tab.locator("#mark").fill("2")
    depth = tab.evaluate("window.page.Page.marked()")
    for name in ("carry", "peak"):
        marks = tab.evaluate(
            f"document.getElementById('chart-{name}').layout.shapes.filter(s => s.name === 'mark')"
        )
        assert [mark["x0"] for mark in marks] == [pytest.approx(1e3 * depth)]
    assert tab.evaluate("document.getElementById('chart-height').layout.annotations.length") > 0
    opacity = tab.evaluate("document.getElementById('chart-cd').data.map(trace => trace.opacity)")
    assert min(opacity) < 1 and max(opacity) == 1
    tab.locator("#mark").fill("1")
    assert tab.locator("table.runs tr.marked").count() == 4
    tab.locator("#mark").fill("0")
    assert tab.locator("table.runs tr.marked").count() == 0
    assert tab.locator("#mark-value").inner_text() == "none"


def test_pointing_at_a_depth_marks_it(tab: Page) -> None:
    see(tab, "carry")
    point = tab.locator("#chart-carry .scatterlayer .points path").first.bounding_box()
    tab.mouse.move(point["x"] + point["width"] / 2 - 30, point["y"] + point["height"] / 2)
    tab.mouse.move(point["x"] + point["width"] / 2, point["y"] + point["height"] / 2, steps=8)
    tab.wait_for_function("window.page.Page.marked() !== null")
    assert tab.evaluate("window.page.Page.marked()") == pytest.approx(0.15e-3, abs=0.2e-3)


def test_runs_are_filtered_by_verdict_and_sorted(tab: Page) -> None:
    visible = tab.locator("table.runs tbody tr:visible")
    assert visible.count() == 24
    for box in tab.locator("#run-filter input").all():
        if box.get_attribute("value") != "settled":
            box.uncheck()
    assert visible.count() == 21
    assert tab.locator("#run-count").inner_text() == "21 of 24 runs shown"
    tab.locator("table.runs th button", has_text="SE of Cd").click()
    tab.locator("table.runs th button", has_text="Re").first.click()
    column = [
        text.replace("\u202f", "")
        for text in tab.locator("table.runs tbody td:nth-child(3)").all_inner_texts()
    ]
    assert column == sorted(column, key=float)
    assert tab.locator("table.runs th[aria-sort]").count() == 1


def test_long_tables_are_folded_until_they_are_asked_for(tab: Page) -> None:
    button = tab.locator("#flights .fold button").first
    table = tab.locator("#flights .fold table").first
    assert not table.is_visible()
    button.focus()
    tab.keyboard.press("Enter")
    assert table.is_visible() and button.get_attribute("aria-expanded") == "true"
    tab.keyboard.press("Enter")
    assert not table.is_visible()


def test_published_balls_are_switched_on(tab: Page) -> None:
    see(tab, "cd")
    names = "document.getElementById('chart-cd').data.map(trace => trace.name)"
    assert not any("1976" in (name or "") or "1994" in (name or "") for name in tab.evaluate(names))
    tab.locator("#show-published").check()
    tab.wait_for_function(f"{names}.some(name => (name || '').match(/19[79]/))")


def test_curves_in_the_page_are_those_of_the_files(tab: Page, reported: Results) -> None:
    """flights.csv and coefficients.csv, number by number."""
    flights = pd.read_csv(reported.folder / "flights.csv", keep_default_na=False)
    data = json.loads(tab.locator("#data").text_content())
    for golfer in data["golfers"]:
        for line in golfer["lines"]:
            own = flights[(flights["golfer"] == golfer["name"]) & (flights["pattern"] == line["pattern"])]
            own = own.sort_values("depth_m")
            for key, column in (("studied_m", "depth_m"), ("studied_carry_m", "carry_m"),
                                ("studied_peak_m", "peak_height_m"), ("runs_carry_m", "carry_runs_m"),
            ):  # fmt: skip
                assert [value for value in line[key] if value is not None] == [
                    float(value) for value in own[column] if value != ""
                ]
    runs = pd.read_csv(reported.folder / "coefficients.csv")
    runs = runs[runs["verdict"].isin(["settled", "noisy"])]
    given = [run for of in data["coefficients"] for run in of["runs"]]
    assert sorted(run["cd"] for run in given) == sorted(runs["cd"])
    assert sorted(run["cl"] for run in given) == sorted(runs["cl"])


def test_only_what_is_near_the_window_is_drawn(browser: Browser, reported: Results) -> None:
    """A page opens without its charts, and without the chart library; all are there for who reads on."""
    tab = patient(browser.new_page(viewport={"width": 400, "height": 60}))
    tab.goto((reported.folder / "report.html").as_uri())
    tab.wait_for_selector("html[data-ready]")
    redrawn(tab)
    assert tab.evaluate("[typeof Plotly, window.page.Page.data.golfers.length]") == ["undefined", 2]
    assert shown_charts(tab) == []
    see(tab, "carry")
    assert "carry" in shown_charts(tab) and "cl" not in shown_charts(tab)
    tab.evaluate("window.page.Page.mark(window.page.Page.data.colours[1][0])")
    see(tab, "peak")
    shapes = tab.evaluate("document.getElementById('chart-peak').layout.shapes.map(shape => shape.name)")
    assert "mark" in shapes  # marked before it was drawn
    for name in (*CHARTS, "ball"):
        see(tab, name)
    assert shown_charts(tab) == sorted((*CHARTS, "ball"))
    tab.close()


def shown_charts(tab: Page) -> list[str]:
    """Charts that are drawn."""
    return sorted(
        tab.evaluate(
            "[...document.querySelectorAll('.chart')].filter(at => at.layout).map(at => at.id.slice(6))"
        )
    )


def test_study_file_is_shown_as_it_was_written_and_copied(browser: Browser, reported: Results) -> None:
    context = browser.new_context(permissions=["clipboard-read", "clipboard-write"])
    tab = patient(context.new_page())
    tab.goto((reported.folder / "report.html").as_uri())
    tab.locator("#study-file summary").click()
    assert tab.locator("#study-text").text_content() == TWO_PATTERNS.removeprefix("\n")
    tab.locator("#study-file button").click()
    tab.wait_for_function("document.querySelector('#study-file output').textContent !== ''")
    said = tab.locator("#study-file output").inner_text()
    assert said == "copied" or tab.evaluate("getSelection().toString()").startswith("name: invented")
    context.close()


def test_charts_of_runs_that_lie_anywhere(browser: Browser, tmp_path: Path) -> None:
    """A study that chose its runs: each stands in one chart, that of the condition nearest to it."""
    rng = np.random.default_rng(5)
    points = [
        RunPoint.rounded("ico32", depth, np.exp(rng.uniform(np.log(9e4), np.log(1.8e5))), spin)
        for depth, spin in rng.uniform((0.15e-3, 0.08), (0.25e-3, 0.2), (24, 2))
    ]
    results = make_results(tmp_path, ONE_PATTERN, lambda run, found: found, points)
    write_report(*results)
    tab, said = opened(browser, results)
    see(tab, "cd")
    for against in ("reynolds", "spin_ratio"):
        tab.locator("#coefficient-against").select_option(against)
        seen = []
        choices = tab.locator("#coefficient-at option").count()
        assert 1 < choices <= 8
        for place in range(choices):
            tab.locator("#coefficient-at").select_option(index=place)
            redrawn(tab)
            seen += tab.evaluate(
                "document.getElementById('chart-cd').data.filter(of => of.error_y).flatMap(of => [...of.y])"
            )
        runs = pd.read_csv(results.folder / "coefficients.csv")
        assert sorted(seen) == pytest.approx(sorted(runs["cd"]))
    assert tab.locator("table.runs tbody tr").count() == 24
    _keep_pictures(tab, "anywhere")
    tab.close()
    assert said == []


@pytest.mark.parametrize("width", [1200, 400])
def test_nothing_is_wider_than_the_window(browser: Browser, reported: Results, width: int) -> None:
    tab, said = opened(browser, reported, width)
    assert tab.evaluate("document.documentElement.scrollWidth") <= width
    for name in CHARTS:
        see(tab, name)
        box = tab.locator(f"#chart-{name}").bounding_box()
        assert box["x"] >= 0 and box["x"] + box["width"] <= width, name
    _keep_pictures(tab, f"report-{width}")
    tab.close()
    assert said == []


def _keep_pictures(tab: Page, name: str) -> None:
    """Keep pictures of the sections where SCREENSHOTS names a folder."""
    if folder := os.environ.get("SCREENSHOTS"):
        for section in tab.locator("section").all():
            section.scroll_into_view_if_needed()
            tab.wait_for_timeout(300)
            section.screenshot(path=Path(folder) / f"{name}-{section.get_attribute('id')}.png")


@pytest.mark.parametrize("width", [1200, 400])
def test_pictures_of_the_demonstration_are_kept(browser: Browser, width: int) -> None:
    """Where SCREENSHOTS names a folder and the demonstration has been computed; artefacts of `./run test`."""
    demo = Path(__file__).parents[2] / "results/demo/report.html"
    if not os.environ.get("SCREENSHOTS") or not demo.is_file():
        pytest.skip("SCREENSHOTS is not set, or results/demo/report.html is not there")
    tab = patient(browser.new_page(viewport={"width": width, "height": 900}))
    tab.goto(demo.as_uri())
    tab.wait_for_load_state()
    _keep_pictures(tab, f"demo-{width}")
    assert list(Path(os.environ["SCREENSHOTS"]).glob(f"demo-{width}-*.png"))
    tab.close()


def test_nothing_moves_while_the_page_starts(browser: Browser, reported: Results) -> None:
    """Cumulative layout shift below 0.1, what web.dev calls good [memory]."""
    tab = patient(browser.new_page(viewport={"width": 1200, "height": 900}))
    tab.add_init_script(
        "window.shift = 0; new PerformanceObserver("
        "list => list.getEntries().forEach(entry => { window.shift += entry.value; }))"
        ".observe({type: 'layout-shift', buffered: true});"
    )
    tab.goto((reported.folder / "report.html").as_uri())
    tab.wait_for_selector("html[data-ready]")
    for name in (*CHARTS, "ball"):
        see(tab, name)
    assert tab.evaluate("window.shift") < 0.1
    tab.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_serious_fault_of_accessibility(browser: Browser, reported: Results, scheme: str) -> None:
    tab, _ = opened(browser, reported, color_scheme=scheme)
    for name in (*CHARTS, "ball"):
        see(tab, name)
    tab.locator("#study-file summary").click()
    found = Axe().run(tab)["violations"]
    serious = [
        (fault["id"], fault["help"], [node["html"][:120] for node in fault["nodes"][:3]])
        for fault in found
        if fault["impact"] in ("serious", "critical")
    ]
    tab.close()
    assert serious == []


def test_print_has_all_figures_and_cuts_none(browser: Browser, reported: Results) -> None:
    """On A4 the pictures stand in the place of the charts, and nothing reaches beyond the margins."""
    tab, _ = opened(browser, reported, A4_WIDTH_PX)
    tab.emulate_media(media="print")
    wide = tab.evaluate(
        """limit => [...document.querySelectorAll("figure svg, figure img, p, dl, .advice")]
        .filter(at => at.getBoundingClientRect().right > limit + 1 || at.scrollWidth > limit + 1)
        .map(at => at.outerHTML.slice(0, 90))""",
        A4_WIDTH_PX,
    )
    assert wide == []
    assert tab.locator("figure svg:visible, figure img:visible").count() == 10 + 10
    assert tab.locator(".chart:visible").count() == 0
    folded = tab.locator(".fold table").count()
    assert folded > 0 and tab.locator(".fold table:visible").count() == folded
    pdf = tab.pdf(format="A4", prefer_css_page_size=True)
    assert pdf.startswith(b"%PDF") and len(pdf) > 50_000
    tab.close()


def test_pictures_stand_in_where_no_program_runs(browser: Browser, reported: Results) -> None:
    context = browser.new_context(java_script_enabled=False)
    tab = patient(context.new_page())
    tab.goto((reported.folder / "report.html").as_uri())
    assert tab.locator("figure svg:visible").count() == 10
    assert tab.locator(".live:visible").count() == 0
    assert tab.locator(".fold table:visible").count() == tab.locator(".fold table").count() > 0
    context.close()
