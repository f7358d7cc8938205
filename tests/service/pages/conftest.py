"""A real browser on a real server: the shipped application on loopback, over a real store, with a trained model."""

from __future__ import annotations

import os
import shutil
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urlsplit

import httpx2 as httpx
import pytest
import uvicorn
from axe_playwright_python.base import AXE_SCRIPT as AXE
from axe_playwright_python.base import AxeResults
from fastapi import FastAPI
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright
from playwright.sync_api import Error as PlaywrightError

from service.app import create_app
from service.core.settings import Settings
from service.exchange.imports.loading import import_files
from service.forecasting.forecasts.examples import example_case
from service.records.versions import Writer
from service.store.opening import SQLITE_FILE, Store
from service.store.upgrading import open_store
from tests.service.stored_rows import Rows, put_rows, rows_in
from training.files.families import load_families

PHONE = {"width": 390, "height": 844}
OFFICE = {"width": 1280, "height": 900}
SIZES = {"phone": PHONE, "office": OFFICE}
NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)
BROWSERS = ("chromium-headless-shell", "chromium", "chromium-browser")
"""Chromium without its own windows first: the same engine, for about half the processor time a page."""
LIGHTLY = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--in-process-gpu",  # nor does drawing and fetching need processes of their own, to be talked to
    # A second list of features takes the place of Playwright's own: the last two are those.
    "--enable-features=NetworkServiceInProcess2,CDPScreenshotNewSurface,SkipListAccountsWithoutGaiaCookies",
    "--renderer-process-limit=1",  # a tab goes on in its process: to begin another took as long as two pages
    "--js-flags=--no-opt,--no-maglev",  # no script here runs for so long that to compile it better pays
)
PATIENCE_MS = 30_000
"""A busy machine is slow, not wrong."""

expect.set_options(timeout=PATIENCE_MS)


@dataclass
class Site:
    """A service that runs.

    Attributes
    ----------
    url : str
    store : Store
    app : FastAPI
    """

    url: str
    store: Store
    app: FastAPI


@contextmanager
def serving(app) -> Iterator[str]:
    """Serve an application on a free port of this machine."""
    server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=0, log_level="error", ws="none"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        assert thread.is_alive()
        time.sleep(0.01)
    port = server.servers[0].sockets[0].getsockname()[1]
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        thread.join(10)


@pytest.fixture
def page_store(tmp_path, empty_store_file) -> Iterator[Store]:
    """A store with the schema and no record."""
    shutil.copy(empty_store_file, tmp_path / SQLITE_FILE)
    store = open_store(tmp_path)
    yield store
    store.close()


@pytest.fixture(scope="session")
def running(settings: Settings, source, empty_store_file) -> Iterator[Callable[..., tuple[FastAPI, str]]]:
    """The service with some settings changed, started once for all tests; each test hands in its store and home."""
    started: dict[tuple[tuple[str, object], ...], tuple[FastAPI, str]] = {}
    with ExitStack() as until_the_end:
        unused = open_store(empty_store_file.parent)
        until_the_end.callback(unused.close)

        def run(**changed: object) -> tuple[FastAPI, str]:
            which = tuple(sorted(changed.items()))
            if which not in started:
                app = create_app(settings.model_copy(update=changed), models=source, store=unused)
                started[which] = app, until_the_end.enter_context(serving(app))
            return started[which]

        yield run


@pytest.fixture
def make_site(running, page_store, tmp_path) -> Callable[..., Site]:
    """Let the service work on this test's store; some settings changed if need be. The time is `NOW`."""

    def make(**changed: object) -> Site:
        # Many requests a minute: what keeps a key from calling too often has a test of its own.
        app, url = running(**{"requests_per_minute": 100_000, **changed})
        app.state.store, app.state.clock = page_store, lambda: NOW
        app.state.settings = app.state.settings.model_copy(update={"home": tmp_path})
        return Site(url, page_store, app)

    return make


@pytest.fixture
def site(make_site) -> Site:
    """The service without keys, with an empty store."""
    return make_site()


@pytest.fixture
def record(site: Site) -> Iterator[Callable[..., httpx.Response]]:
    """Store something over REST, as another program would; over one client, as making one costs more than asking."""
    with httpx.Client(base_url=site.url, timeout=PATIENCE_MS / 1000) as client:

        def send(address: str, content: object) -> httpx.Response:
            answer = client.post(address, json=content)
            assert answer.status_code == 201, answer.text
            return answer

        yield send


@pytest.fixture(scope="session")
def rows_once_sent() -> dict[str, Rows]:
    """By what was sent: the rows that an empty store held after it."""
    return {}


@pytest.fixture
def sent_once(page_store, rows_once_sent) -> Callable[[str, Callable[[], object]], None]:
    """Send something into an empty store the first time; after that put in the rows that came of it."""

    def put(name: str, send: Callable[[], object]) -> None:
        if name in rows_once_sent:
            put_rows(page_store, rows_once_sent[name])
        else:
            send()
            rows_once_sent[name] = rows_in(page_store)

    return put


@pytest.fixture
def van(record, page_store, sent_once) -> str:
    """The van of the worked example with its readings and its top-up in the store; invented. Returns its name."""
    history = example_case()["history"]
    name: str = history["pack_id"]

    def send() -> None:
        record("/v1/vehicles", {"id": name, "duty": "parcel round", "site": "harbour yard"})
        pack = {key: history[key] for key in ("family", "age_years", "odometer_km") if key in history}
        record("/v1/packs", {"id": name, **pack})
        record("/v1/assignments", {"pack_id": name, "vehicle_id": name, "since": "2021-05-10T06:00:00+00:00"})
        for part in ("readings", "topups", "usage"):
            for fact in history.get(part, ()):
                record(f"/v1/{part}", {"pack_id": name, **fact})

    if rows_in(page_store):
        send()
    else:
        sent_once("van", send)
    return name


@pytest.fixture
def read_van(van, record) -> str:
    """The same van, read at rest this morning: what was promised at an earlier reading is used up day by day."""
    volts = [12.9] * 4 + [13.2] + [12.9] * 9
    record("/v1/readings", {"pack_id": van, "time": NOW.isoformat(), "state": "rest", "block_v": volts})
    return van


@pytest.fixture(scope="session")
def marrow_bay(tmp_path_factory, repository) -> Path:
    """A store with the whole invented Marrow Bay record, to be copied."""
    folder = tmp_path_factory.mktemp("marrow-bay")
    store = open_store(folder)
    import_files(store, repository / "data" / "synthetic", load_families(None), Writer("marrow-bay", NOW))
    store.close()
    return folder / SQLITE_FILE


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """A real browser. While it is open an event loop runs in this thread: who starts another uses `run_apart`."""
    program = next(filter(None, map(shutil.which, BROWSERS)), None)
    if program is None:
        pytest.fail(f"There is no Chromium here: install the package {BROWSERS[0]}.", False)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=program,
            args=LIGHTLY,
        )
        yield browser
        browser.close()


@dataclass
class Watch:
    """What a browser complained about while a test ran."""

    complaints: list[str] = field(default_factory=list)
    hosts: set[str] = field(default_factory=set)

    def hold(self) -> None:
        """Check that nothing was complained about, and nothing asked of another host."""
        assert self.complaints == []
        assert all(host.startswith("127.0.0.1") for host in self.hosts), self.hosts


def new_profile(browser: Browser, size: str, *, scripts: bool, dark: bool, **more) -> tuple[BrowserContext, Watch]:
    context = browser.new_context(
        viewport=SIZES[size],
        java_script_enabled=scripts,
        color_scheme="dark" if dark else "light",
        reduced_motion="reduce",
        **more,
    )
    context.set_default_timeout(PATIENCE_MS)
    watch = Watch()

    def heard(message) -> None:
        # Chromium itself notes every answer with status 4xx there; those are looked at by the tests.
        if message.type in ("error", "warning") and "the server responded with a status of 4" not in message.text:
            watch.complaints.append(message.text)

    context.on("console", heard)
    context.on("weberror", lambda error: watch.complaints.append(str(error.error)))
    context.on("request", lambda request: watch.hosts.add(request.url.split("/")[2]))
    return context, watch


@pytest.fixture
def open_context(browser: Browser) -> Iterator[Callable[..., BrowserContext]]:
    """Open a browser's profile of its own; at the end nothing may have been complained about.

    For tests that open or close tabs, listen, grant or answer for the service; others take `open_tab`, far cheaper.
    """
    opened: list[tuple[BrowserContext, Watch]] = []

    def make(size: str = "phone", *, scripts: bool = True, dark: bool = False, **more) -> BrowserContext:
        opened.append(new_profile(browser, size, scripts=scripts, dark=dark, **more))
        return opened[-1][0]

    yield make
    for context, watch in opened:
        context.close()
        watch.hold()


@pytest.fixture(scope="session")
def idle_tabs() -> defaultdict[tuple[str, bool, bool], list[tuple[Page, Watch]]]:
    """Tabs that nobody uses now, each alone in a profile in which nothing is stored: size, scripts, dark."""
    return defaultdict(list)


def forget(page: Page, watch: Watch) -> bool:
    """Leave the service and drop what the browser stored of it; false where that is not certain."""
    context = page.context
    if page.is_closed() or context.pages != [page] or {urlsplit(page.url).netloc} != watch.hosts:
        return False
    try:
        page.wait_for_load_state()
        page.evaluate("sessionStorage.clear()")
        page.goto("about:blank")
        context.clear_cookies()
        devtools = context.new_cdp_session(page)
        for host in watch.hosts:
            devtools.send("Storage.clearDataForOrigin", {"origin": f"http://{host}", "storageTypes": "all"})
        devtools.detach()
    except PlaywrightError:  # it was just on its way to another page
        return False
    return True


@pytest.fixture
def open_tab(browser: Browser, idle_tabs) -> Iterator[Callable[..., Page]]:
    """Open a tab in a profile without anything stored; at the end nothing may have been complained about.

    A new profile takes a browser as long as ten pages do: tests take over each other's, emptied.
    """
    used: list[tuple[tuple[str, bool, bool], Page, Watch]] = []

    def make(size: str = "phone", *, scripts: bool = True, dark: bool = False) -> Page:
        kind = (size, scripts, dark)
        if idle_tabs[kind]:
            page, watch = idle_tabs[kind].pop()
            page.set_viewport_size(SIZES[size])  # whatever width or medium a test ended with
            page.emulate_media(media="null")
        else:
            context, watch = new_profile(browser, size, scripts=scripts, dark=dark)
            page = context.new_page()
        used.append((kind, page, watch))
        return page

    yield make
    for kind, page, watch in used:
        empty = forget(page, watch)
        if not empty:
            page.context.close()
        watch.hold()
        watch.hosts.clear()
        if empty:
            idle_tabs[kind].append((page, watch))


@pytest.fixture(params=["phone", "office"])
def size(request) -> str:
    return request.param


@pytest.fixture
def page(open_tab, size) -> Page:
    """A page at each of the two widths, with scripts."""
    return open_tab(size)


@pytest.fixture
def phone_page(open_tab) -> Page:
    """A page on a phone, with scripts: for what is said, wherever it then stands."""
    return open_tab("phone")


@pytest.fixture
def desk_page(open_tab) -> Page:
    """A page on a desk, with scripts: for what is said or done alike at both widths, where `sound_at_both` looks."""
    return open_tab("office")


@pytest.fixture(params=["phone, scripts", "office, no scripts"])
def either(request) -> tuple[str, bool]:
    size, scripts = request.param.split(", ")
    return size, scripts == "scripts"


@pytest.fixture
def scripts(either) -> bool:
    return either[1]


@pytest.fixture
def either_page(either, open_tab) -> Page:
    """A page at one width with scripts, and at the other without."""
    size, scripts = either
    return open_tab(size, scripts=scripts)


@pytest.fixture
def sound() -> Callable[[Page, str], None]:
    """Check what every page must keep: nothing wider than the screen, no axe violation.

    With the environment variable ``PAGE_PICTURES`` naming a folder, a picture of each page goes there to be looked at.
    """
    folder = os.environ.get("PAGE_PICTURES")

    def check(page: Page, name: str) -> None:
        wide = page.viewport_size["width"]
        page.wait_for_load_state()  # a link just followed may have its page still empty
        if folder:
            page.screenshot(path=f"{folder}/{name}-{wide}.png", full_page=True)
        too_wide = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert page.evaluate(too_wide) <= 0, f"{name} is wider than {wide} px"
        if page.evaluate("!document.documentElement.matches('[data-scripts]')"):
            return  # axe cannot run where scripts are off; with scripts it looks at the same page
        page.evaluate(AXE)
        # Only what is wrong comes back: to read all that is right took longer than to look.
        found = AxeResults(
            page.evaluate("axe.run({resultTypes: ['violations']}).then(({violations}) => ({violations}))")
        )
        assert found.violations_count == 0, found.generate_report()

    return check


@pytest.fixture
def sound_at_both(sound) -> Callable[[Page, str], None]:
    """Check what every page must keep at both widths: it is laid out anew, but not made anew."""

    def check(page: Page, name: str) -> None:
        for size in SIZES.values():
            page.set_viewport_size(size)
            sound(page, name)

    return check
