"""A browser of this machine, driven, and a window of it to which everybody comes new.

A page of its own costs a browser a process; most tests only look, one after the other, and need none.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

from needs import needs, unavailable

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page

BROWSERS: Final = ("chromium-headless-shell", "chromium")
"""The same one without what a window is made of, which takes two thirds of the time; and with it."""

ARGUMENTS: Final = ("--no-sandbox", "--renderer-process-limit=1")
"""All pages are drawn by one process, which is not begun anew with every page."""

WAIT_MS: Final = 20_000
"""How long anything of a page may take on a busy machine, ms."""

USUAL: Final = {"color_scheme": "light", "reduced_motion": "no-preference"}
"""How a window is where nothing is said of it; a page can be told otherwise at any time."""


def installed() -> str:
    """The path of the first of them that is here; where there is none, the test is skipped, or fails."""
    found = next(filter(None, map(shutil.which, BROWSERS)), None)
    if found is None:
        needs(BROWSERS[-1])
    assert found is not None
    return found


@contextmanager
def browser() -> Iterator[Browser]:
    """The browser, ended when the tests are over."""
    program = installed()
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        unavailable("playwright, which drives the browser, is not installed")
    with sync_playwright() as driver:
        made = driver.chromium.launch(executable_path=program, args=ARGUMENTS)
        try:
            yield made
        finally:
            made.close()


class Window:
    """A window for one after the other. Whoever comes has no cookies and finds nothing kept."""

    def __init__(self, made: Browser) -> None:
        self._browser = made
        self._page: Page | None = None
        self._taken = False

    @contextmanager
    def page(self, origin: str, size: tuple[int, int], words: tuple[str, ...] = ("",), **how: Any) -> Iterator[Page]:
        """A page, as big as that, still empty. What the browser complains of with one of the `words`, or asks others
        than `origin` for, fails in the end. `how`: as for a context of the browser; more than `USUAL` knows, and a
        second page beside the first, have a context of their own."""
        with self._own(**how) if self._taken or how.keys() - USUAL.keys() else self._shared(**how) as page:
            page.set_viewport_size({"width": size[0], "height": size[1]})
            page.set_default_timeout(WAIT_MS)
            with _without_trouble(page, origin, words):
                yield page

    @contextmanager
    def _own(self, **how: Any) -> Iterator[Page]:
        context = self._browser.new_context(**how)
        try:
            yield context.new_page()
        finally:
            context.close()

    @contextmanager
    def _shared(self, **how: Any) -> Iterator[Page]:
        page = self._page or self._browser.new_context().new_page()
        self._page, self._taken = None, True
        try:
            page.emulate_media(**{**USUAL, **how})
            yield page
        except BaseException:
            page.context.close()
            raise
        finally:
            self._taken = False
        _leave(page.context, page)
        self._page = page


def _leave(context: BrowserContext, page: Page) -> None:
    """Leave nothing for whoever comes next."""
    page.unroute_all()
    page.evaluate("() => { localStorage.clear(); sessionStorage.clear(); }")
    page.goto("about:blank")
    page.mouse.move(0, 0)
    context.clear_cookies()


@contextmanager
def _without_trouble(page: Page, origin: str, words: tuple[str, ...]) -> Iterator[None]:
    troubles: list[str] = []

    def hear(said: ConsoleMessage) -> None:
        if said.type == "error" and any(word in said.text for word in words):
            troubles.append(said.text)

    hears: tuple[tuple[str, Callable[[Any], object]], ...] = (
        ("pageerror", lambda error: troubles.append(str(error))),
        ("dialog", lambda dialog: troubles.append(dialog.message)),
        ("console", hear),
        ("request", lambda one: None if one.url.startswith(origin) else troubles.append(one.url)),
    )
    # In its types `on` is another function for each kind of event.
    begin: Any = page.on
    for what, does in hears:
        begin(what, does)
    try:
        yield
        assert troubles == []
    finally:
        for what, does in hears:
            page.remove_listener(what, does)
