"""A headless Chromium of the system, and the page of invented results opened in it."""

import shutil
from collections.abc import Iterator

import pytest
from browser_page import opened
from playwright.sync_api import Browser, Page, sync_playwright
from report_studies import TWO_PATTERNS, Results, make_results, with_faults

from pipeline.report.page import write_report

NAMES = ("chromium", "chromium-browser", "google-chrome")
# Tests run as root in a container, and without a graphics card: WebGL is drawn by the processor.
ARGUMENTS = ["--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader"]


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    path = next((found for name in NAMES if (found := shutil.which(name))), None)
    if path is None:
        pytest.fail(
            "the tests of pages need the browser Chromium; on Debian or Ubuntu: apt-get install chromium"
        )
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def reported(tmp_path_factory: pytest.TempPathFactory) -> Results:
    """Two golfers, two patterns, runs that diverged, are noisy and are missing; surfaces of two runs kept."""
    from surfaces import write_invented_surface

    results = make_results(tmp_path_factory.mktemp("browser"), TWO_PATTERNS, with_faults)
    for run in ("runs/ico32/d0.200mm/re180000/s0.200", "runs/oct14/e8.00deg/re180000/s0.200"):
        write_invented_surface(results.folder / run / "surface.vtk")
    write_report(*results)
    return results


@pytest.fixture(scope="session")
def shared(browser: Browser, reported: Results) -> tuple[Page, list[str]]:
    """One tab for all tests that leave the page as it was: opening it takes most of their time."""
    return opened(browser, reported)


@pytest.fixture
def tab(shared: tuple[Page, list[str]]) -> Iterator[Page]:
    """The report, everything set back to how it opens; a complaint of the browser fails the test."""
    tab, said = shared
    yield tab
    tab.mouse.move(1, 1)
    tab.evaluate(
        """() => {
        for (const id of ["coefficient-pattern", "coefficient-against", "ball-shade", "shot-golfer",
            "shot-pattern"]) {
            const select = document.getElementById(id);
            select.selectedIndex = 0;
            select.dispatchEvent(new Event("change"));
        }
        document.querySelectorAll("#run-filter input, #show-model, #show-runs").forEach(box => {
            if (!box.checked) box.click();
        });
        const published = document.getElementById("show-published");
        if (published.checked) published.click();
        document.getElementById("shot-reset").click();
        window.page.Page.mark(null);
        scrollTo(0, 0);
        }"""
    )
    assert said == []
