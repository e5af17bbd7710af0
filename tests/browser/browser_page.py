"""A report opened in a tab, and what the browser complains of."""

from playwright.sync_api import Browser, Page
from report_studies import Results


def opened(
    browser: Browser, results: Results, width: int = 1200, **context: object
) -> tuple[Page, list[str]]:
    """Open the report; return the tab and what it has complained of, which goes on growing."""
    tab = browser.new_page(viewport={"width": width, "height": 900}, **context)
    said: list[str] = []
    tab.on("console", lambda message: said.append(message.text) if message.type == "error" else None)
    tab.on("pageerror", lambda error: said.append(str(error)))
    tab.on("requestfailed", lambda request: said.append(f"request failed: {request.url[:80]}"))
    tab.goto((results.folder / "report.html").as_uri())
    tab.wait_for_selector("html[data-ready]")
    return tab, said
