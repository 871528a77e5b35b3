"""A real browser for tests: Chromium through Playwright, quiet about everything but the site."""

import contextlib
import re
import shutil
import sys
from pathlib import Path

import pytest

AXE = Path(__file__).parent / "data" / "axe.min.js"
OUT_OF_REACH = Path(__file__).parent / "data" / "out_of_reach.js"
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
CONTRAST = ("color-contrast", "link-in-text-block")
PHONE, DESKTOP = {"width": 375, "height": 780}, {"width": 1280, "height": 900}
PATIENTS_PHONES = ({"width": 844, "height": 390}, {"width": 390, "height": 844})
TABLETS = ({"width": 1216, "height": 800}, {"width": 768, "height": 1024})
"""Held across and upright: between a desk's two columns and a phone's one."""
ZOOMED = {"width": 640, "height": 450}
"""What a window of 1280 by 900 shows at a zoom of 200 %."""


def chromium_path() -> str:
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        pytest.skip("no Chromium here")
    return path


@contextlib.contextmanager
def running_browser(*flags: str, executable: str | None = None):
    """A browser without a window. Give further flags for a camera from a file; another
    executable where the browser is started by one of the test's own."""
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=executable or chromium_path(), args=[*FLAGS, *flags]
        )
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
    origin = re.match(r"https?://[^/]+", link)[0]
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
        page.wait_for_url(re.compile(r".*/(clinic|my|clinic/start)$"))
        yield page
        assert told == [], told
        assert foreign == [], "no request to anywhere else"
    except BaseException:
        # Shown with a failed test.
        print(page.url, told, pending, page.inner_text("body"), sep="\n", file=sys.stderr)
        raise
    finally:
        context.close()


def violations(page) -> list[str]:
    """What axe finds amiss on the page: rule, help and the elements. In the dark scheme the same
    elements stand, so that there the contrasts alone are looked at."""
    # A click returns when the next page begins to arrive; its styles may still be on the way.
    page.wait_for_load_state("load")
    found = [*_found(page, RULES), *_found(page, CONTRAST, "dark")]
    page.emulate_media(color_scheme="light")
    return found


def look(page, name: str, *, is_patients: bool = False) -> None:
    """A state of a page as a desk, tablets, phones and a zoom of 200 % show it: nothing that axe
    finds, in both schemes; no scrolling sideways; all that can be clicked is reached by the
    keyboard too and shows that it is; on paper it is light. A patient's page is held upright and
    across as well, and with letters twice as large.
    """
    page.set_viewport_size(DESKTOP)
    found = violations(page) + out_of_reach(page)
    assert not found, (name, found)
    for size in (*TABLETS, DESKTOP):
        page.set_viewport_size(size)
        _fits(page, name, size)
    page.emulate_media(color_scheme="dark", media="print")
    assert page.evaluate(_IS_LIGHT), f"{name}: dark on paper"
    page.emulate_media(color_scheme="light", media="screen")
    for size in (ZOOMED, *(PATIENTS_PHONES if is_patients else (PHONE,))):
        page.set_viewport_size(size)
        _fits(page, name, size)
        # The dark colours are those of the desk: they were looked at there.
        found = _found(page, RULES) if size != ZOOMED else []
        assert not found, (f"{name} on a phone", size, found)
    if is_patients:
        page.evaluate("document.documentElement.style.fontSize = '200%'")
        _fits(page, f"{name}, letters twice as large", size)
        page.evaluate("document.documentElement.style.fontSize = ''")


def _fits(page, name: str, size: dict[str, int]) -> None:
    width = page.evaluate("document.documentElement.scrollWidth")
    assert width <= size["width"], (name, size, width)


_IS_LIGHT = """() => {
    const sum = colour => colour.match(/\\d+/g).slice(0, 3).reduce((a, b) => a + Number(b), 0);
    const own = getComputedStyle(document.body);
    return sum(own.backgroundColor) > 700 && sum(own.color) < 200;
}"""


def out_of_reach(page) -> list[str]:
    """What a pointer can press and Tab does not reach, or what does not show that it has the focus.
    A pointer shows a hand there, which is how a page says that something can be pressed."""
    return page.evaluate(OUT_OF_REACH.read_text(encoding="utf-8"))


def _found(page, rules, scheme="light") -> list[str]:
    page.emulate_media(color_scheme=scheme)
    found = page.evaluate(
        """async ([source, rules]) => {
            if (!window.axe) (0, eval)(source);
            return (await axe.run(document, { runOnly: rules })).violations;
        }""",
        [AXE.read_text(encoding="utf-8"), list(rules)],
    )
    return [
        f"{v['id']} ({scheme}): {v['help']}: "
        f"{[(n['html'][:120], n['failureSummary'][:200]) for n in v['nodes']][:3]}"
        for v in found
    ]
