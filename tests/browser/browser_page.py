"""A report opened in a tab, and what the browser complains of."""

from playwright.sync_api import Browser, Page
from report_studies import Results

PATIENCE_MS = 180_000
"""A machine that others use may take this long; no test measures time."""


def patient(tab: Page) -> Page:
    """A tab that waits as long as a busy machine needs."""
    tab.set_default_timeout(PATIENCE_MS)
    return tab


def opened(
    browser: Browser, results: Results, width: int = 1200, **context: object
) -> tuple[Page, list[str]]:
    """Open the report; return the tab and what it has complained of, which goes on growing."""
    tab = patient(browser.new_page(viewport={"width": width, "height": 900}, **context))
    said: list[str] = []
    tab.on("console", lambda message: said.append(message.text) if message.type == "error" else None)
    tab.on("pageerror", lambda error: said.append(str(error)))
    tab.on("requestfailed", lambda request: said.append(f"request failed: {request.url[:80]}"))
    tab.goto((results.folder / "report.html").as_uri())
    tab.wait_for_selector("html[data-ready]")
    return tab, said


def see(tab: Page, chart: str) -> None:
    """Scroll to a chart, which is drawn when it comes near, and wait until it is there."""
    tab.locator(f"#chart-{chart}").scroll_into_view_if_needed()
    tab.wait_for_function("name => document.getElementById(name).layout !== undefined", arg=f"chart-{chart}")


def redrawn(tab: Page) -> None:
    """Wait until what was changed is drawn, which the page does with the next picture of the screen."""
    tab.evaluate(
        "() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => done(true))))"
    )
