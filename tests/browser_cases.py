"""A real browser for tests: Chromium through Playwright, quiet about everything but the site."""

import contextlib
import re
import shutil
import sys
from pathlib import Path

import pytest

AXE = Path(__file__).parent / "data" / "axe.min.js"
FLAGS = (
    "--no-sandbox",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
    "--no-default-browser-check",
    "--disable-extensions",
)
RULES = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice")
PHONE, DESKTOP = {"width": 375, "height": 780}, {"width": 1280, "height": 900}


def chromium_path() -> str:
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        pytest.skip("no Chromium here")
    return path


@contextlib.contextmanager
def running_browser(*flags: str):
    """A browser without a window. Give further flags for a camera from a file."""
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path(), args=[*FLAGS, *flags])
        try:
            yield browser
        finally:
            browser.close()


@contextlib.contextmanager
def page_of(browser, link: str, *, viewport=DESKTOP, **options):
    """A page that came in by a one-time link. Any error that the page logs fails the test."""
    context = browser.new_context(viewport=viewport, **options)
    page = context.new_page()
    told: list[str] = []
    page.on("pageerror", lambda error: told.append(str(error)))
    page.on(
        "console",
        lambda m: (
            told.append(m.text) if m.type == "error" and "status of 4" not in m.text else None
        ),
    )
    foreign: list[str] = []
    origin = re.match(r"http://[^/]+", link)[0]
    page.on(
        "request",
        lambda r: (
            foreign.append(r.url)
            if not r.url.startswith((origin, "blob:", "data:", origin.replace("http", "ws")))
            else None
        ),
    )
    pending: list[str] = []
    page.on("request", lambda r: pending.append(f"{r.method} {r.url}"))
    for event in ("requestfinished", "requestfailed"):
        page.on(event, lambda r: pending.remove(f"{r.method} {r.url}"))
    try:
        page.goto(link)
        page.wait_for_url(re.compile(r".*/(clinic|my)$"))
        yield page
        assert told == []
        assert foreign == [], "no request to anywhere else"
    except BaseException:
        # Shown with a failed test.
        print(page.url, told, pending, page.inner_text("body"), sep="\n", file=sys.stderr)
        raise
    finally:
        context.close()


def violations(page) -> list[str]:
    """What axe finds amiss on the page: rule, help and the elements."""
    # A click returns when the next page begins to arrive; its styles may still be on the way.
    page.wait_for_load_state("load")
    found = page.evaluate(
        """async ([source, rules]) => {
            if (!window.axe) (0, eval)(source);
            return (await axe.run(document, { runOnly: rules })).violations;
        }""",
        [AXE.read_text(encoding="utf-8"), list(RULES)],
    )
    return [f"{v['id']}: {v['help']}: {[n['html'][:120] for n in v['nodes']][:3]}" for v in found]
