"""Taps, page loads and seconds of the ten longest tasks of the three people, weights of the pages, and axe.

Run from the checkout: ``PYTHONPATH=. python tests/benchmarks/bench_tasks.py HOME [FOLDER]``; HOME is a state folder
with a trained model, of which a copy is used; pictures of the pages, light and dark, at 390 and 1280 px, go to FOLDER.
Each task is done in a real browser on a telephone with scripts, in the office with scripts, and in the office without.
A tap is a click on a link or button, a field that is gone to (by Enter or Tab from the one before it is none), or a
choice from a list (two: open, choose). Values that are typed are not counted. A load is a page that is fetched and
shown. The clock counts what the machine takes, with nobody reading or typing between.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx2 as httpx
import uvicorn
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Error as PlaywrightError
from playwright.sync_api import Page, sync_playwright

from service.app import create_app
from service.core.settings import Settings
from service.forecasting.forecasts.examples import example_case
from service.records.subjects.all_subjects import COSTS, OFFERS, SUPPLIERS
from service.store.upgrading import open_store
from tests.benchmarks.bench_unit_page import weight
from tests.service.invented_fleet import FAMILIES, fill
from tests.service.mild_pack import mild_pack

NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)
VEHICLES = 60
PHONE, OFFICE = {"width": 390, "height": 844}, {"width": 1280, "height": 900}
WAYS = (("phone", PHONE, True), ("office", OFFICE, True), ("office, no scripts", OFFICE, False))
HISTORY = example_case()["history"]
UNIT = "MB-CAB-40"
"""A pack that may be let go, so that there is a sheet to print."""
WAIT_MS = 30_000


class Hand:
    """Does what somebody does, and counts it."""

    def __init__(self, page: Page, url: str, *, scripts: bool) -> None:
        self.page, self.url, self.scripts = page, url, scripts
        self.taps, self.loads = 0, -1  # the page that the task begins on is there
        page.on("framenavigated", self._went)
        self._last = ""

    def _went(self, frame: object) -> None:
        if frame == self.page.main_frame and "#" not in self.page.url.removeprefix(self._last.partition("#")[0]):
            self.loads += 1
        self._last = self.page.url

    def at(self, path: str) -> None:
        self.page.goto(self.url + path)

    def press(self, role: str, name: str, *, exact: bool = False) -> None:
        self.page.get_by_role(role, name=name, exact=exact).first.click()  # type: ignore[arg-type]
        self.page.wait_for_load_state()
        self.taps += 1

    def write(self, label: str, text: str, *, going_on: bool = False) -> None:
        """Go to a field and type; `going_on` from the field before it by the keyboard."""
        self.page.get_by_label(label).first.fill(text)
        self.taps += not going_on

    def choose(self, label: str, value: str) -> None:
        self.page.get_by_label(label).first.select_option(value)
        self.taps += 2

    def see(self, place: str) -> None:
        self.page.locator(place).first.wait_for(timeout=WAIT_MS)


def row(reading: int) -> str:
    return " ".join(map(str, HISTORY["readings"][reading]["block_v"]))


def blocks(hand: Hand, name: str, reading: int) -> None:
    if hand.scripts:
        hand.page.locator(f"#{name}-0").click()
        for place, volts in enumerate(HISTORY["readings"][reading]["block_v"]):
            if place:
                hand.page.keyboard.press("Enter")
            hand.page.keyboard.type(str(volts))
    else:
        hand.page.locator(f"#{name}").fill(row(reading))
    hand.taps += 1


Step = Callable[[Hand], None]


def back_again(hand: Hand) -> None:
    """A known car's whole visit: the fault is back, both readings, the charge."""
    blocks(hand, "before_v", 0)
    for label, text in (("Blocks charged", "5"), ("Charge put into each", "1.1"), ("How long ago the charge", "0.25")):
        hand.write(label, text, going_on=hand.scripts)
    blocks(hand, "after_v", 2)
    if hand.scripts:
        hand.see("#answer .answer .first")
    else:
        hand.press("button", "Save")
        hand.see(".answer .first")


def new_car(hand: Hand) -> None:
    hand.write("Number of the vehicle", f"MB-NEW-{time.time_ns() % 10**9}", going_on=True)
    hand.choose("Kind of pack", "gravel-14")
    blocks(hand, "before_v", 0)
    for label, text in (("Blocks charged", "5"), ("Charge put into each", "1.1"), ("How long ago the charge", "17")):
        hand.write(label, text, going_on=hand.scripts)
    blocks(hand, "after_v", 2)
    if hand.scripts:
        hand.see("#answer .answer .first")
    else:
        hand.press("button", "Save")
        hand.see(".answer .first")


def reading(hand: Hand) -> None:
    if hand.scripts:
        blocks(hand, "block_v", 2)
    else:
        for place, volts in enumerate(HISTORY["readings"][2]["block_v"]):
            hand.page.locator(f"#block_v-{place}").fill(str(volts))
        hand.taps += 1
    hand.press("button", "Save", exact=True)
    if hand.page.get_by_role("button", name="It is right, save it").count():
        hand.press("button", "It is right, save it")


def first_of(place: str) -> Step:
    """Go to the first link of a list."""

    def work(hand: Hand) -> None:
        hand.page.locator(place).first.click()
        hand.taps += 1

    return work


def link(*names: str) -> Step:
    """Follow links, one after the other."""
    return lambda hand: [hand.press("link", name) for name in names] and None


def button(name: str) -> Step:
    return lambda hand: hand.press("button", name, exact=True)


def typed(**texts: str) -> Step:
    """Fill fields, by the words of their labels with _ for blanks."""
    return lambda hand: [hand.write(label.replace("_", " "), text) for label, text in texts.items()] and None


def chosen(**values: str) -> Step:
    return lambda hand: [hand.choose(label.replace("_", " "), value) for label, value in values.items()] and None


def unfolded(words: str) -> Step:
    """Open a part of the page, where it is folded."""

    def work(hand: Hand) -> None:
        folded = hand.page.locator("details:not([open]) > summary").filter(has_text=words)
        hand.page.wait_for_load_state()
        if folded.count():
            folded.first.click()
            hand.taps += 1

    return work


CARS = iter(("MB-00004", "MB-00016", "MB-00015"))
"""A car comes back once: one for each way."""


def another_car(hand: Hand) -> None:
    hand.press("link", next(CARS))


PRICES = iter(("1390", "1385", "1380"))
"""An offer that is entered again is asked about."""


def price(hand: Hand) -> None:
    hand.write("Price of the pack", next(PRICES))


TASKS: dict[str, tuple[str, str, tuple[Step, ...], str]] = {
    "new car to its first answer": ("technician", "/bench", (link("A new car"), new_car), ".answer .first"),
    "a reading of a known car, and the answer": (
        "technician", "/bench", (link(f"Enter a reading {UNIT}"), reading), ".answer .first",
    ),
    "find a car, release sheet": (
        "technician", "/bench",
        (typed(Number_of_the_vehicle_or_the_pack=UNIT), button("Find"),
         button("Keep this forecast and make the release sheet")), "article.sheet",
    ),
    "on which day to read again": ("technician", "/bench", (link(UNIT, "When to read again"),), ".answer .first"),
    "what a reading will then mean": ("technician", "/bench", (link(UNIT, "When to read again"),), "svg.ladder"),
    "the fault is back": (
        "technician", "/bench", (another_car, button("The fault is back, as of now")), ".message",
    ),
    "how to top it up": ("technician", "/bench", (link(UNIT, "How to top it up"),), ".answer"),
    "it comes back, to its next answer": (
        "technician", "/bench", (link(f"Fault is back {UNIT}"), back_again), ".answer .first",
    ),
    "order the most pressing pack": (
        "parts buyer", "/",
        (first_of("[aria-labelledby=board-parts] .plain a"), first_of(".offer button, .at-once button")), ".message",
    ),
    "note that it has come": (
        "parts buyer", "/", (link("To the parts counter"), unfolded("On order"), first_of("#on-order-list button")),
        ".message",
    ),
    "how many to keep on the shelf": (
        "parts buyer", "/parts",
        (link("How many to keep on the shelf"), chosen(Kind_of_pack="marl-28"),
         typed(Packs_on_the_shelf_now="1", New_cases="0.2"), button("Ask")), "svg.stock",
    ),
    "enter an offer": (
        "parts buyer", "/parts",
        (link("Suppliers, offers, orders", "Add an offer"),
         chosen(Supplier=str(SUPPLIERS.example["id"]), Kind_of_pack="marl-28"),
         price, typed(Currency="EUR", Usual_days_from_order_to_arrival="8"), button("Save")),
        ".message",
    ),
    "plan the coming weeks": (
        "fleet manager", "/", (typed(Workshop_slots_a_week="3"), button("Plan")), "svg.plan",
    ),
    "whose promise ends first": (
        "fleet manager", "/", (link("To the fleet office", "Good until"), first_of("tbody th a")), "h1",
    ),
}  # fmt: skip
"""Task: who does it, where it begins, what is done, and what is seen at the end."""


def do(hand: Hand, begin: str, steps: tuple[Step, ...], end: str) -> None:
    hand.at(begin)
    for step in steps:
        step(hand)
    hand.see(end)


PAGES = {
    "today": "/", "bench": "/bench", "new car": "/bench/add", "unit": f"/bench/units/{UNIT}",
    "recheck": f"/bench/units/{UNIT}/recheck", "what if": f"/bench/units/{UNIT}/what-if",
    "top-up plan": f"/bench/units/{UNIT}/topup-plan", "label": f"/bench/units/{UNIT}/label", "queue": "/parts",
    "case": "/parts/cases/MB-00007", "stock": "/parts/stock?family=marl-28&on_shelf=1&new_cases_per_day=0.2",
    "suppliers": "/parts/suppliers", "ranking": "/fleet?order=good_until", "plan": "/fleet/plan?slots=3&weeks=8",
    "returns": "/fleet/returns", "record": "/record",
}  # fmt: skip


def record_all(client: httpx.Client) -> None:
    def send(address: str, content: dict) -> None:
        answer = client.post(address, json=content)
        assert answer.status_code == 201, answer.text

    assert mild_pack(send, NOW) == UNIT
    send("/v1/suppliers", SUPPLIERS.example)
    send("/v1/costs", COSTS.example)
    for family in FAMILIES:
        send("/v1/offers", {**OFFERS.example, "family": family})
        send("/v1/offers", {**OFFERS.example, "family": family, "express_fee": 160.0, "usual_days": 3,
                            "earliest_days": 2, "latest_days": 6})  # fmt: skip


def main() -> None:
    home = Path(sys.argv[1])
    pictures = Path(sys.argv[2]) if len(sys.argv) > 2 else None
    program = shutil.which("chromium-headless-shell") or shutil.which("chromium") or shutil.which("chromium-browser")
    with tempfile.TemporaryDirectory() as name:
        shutil.copytree(home / "models", Path(name) / "models")
        store = open_store(Path(name))
        fill(store, VEHICLES, NOW, seed=8)
        app = create_app(Settings.from_environment({"TIDEOVER_HOME": name, "TIDEOVER_LOG_LEVEL": "error"}), store=store)
        moment = [NOW]
        app.state.clock = lambda: moment[0]
        server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=0, log_level="error", ws="none"))
        thread = threading.Thread(target=server.run, daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.05)
        url = f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
        with httpx.Client(base_url=url, timeout=120) as client, sync_playwright() as playwright:
            record_all(client)
            browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox", "--disable-gpu"])
            print(f"{'task':>42} {'who':>14}" + "".join(f" {words:>26}" for words, _size, _scripts in WAYS))
            for task, (who, *what) in TASKS.items():
                told = []
                for _words, size, scripts in WAYS:
                    moment[0] += timedelta(minutes=2)
                    context = browser.new_context(viewport=size, java_script_enabled=scripts, reduced_motion="reduce")
                    context.set_default_timeout(WAIT_MS)
                    hand = Hand(context.new_page(), url, scripts=scripts)
                    began = time.perf_counter()
                    try:
                        do(hand, *what)
                    except PlaywrightError as error:
                        told.append(f"not done: {str(error).splitlines()[0][:40]}")
                    else:
                        took = time.perf_counter() - began
                        told.append(f"{hand.taps} taps, {hand.loads} loads, {took:.1f} s")
                    context.close()
                print(f"{task:>42} {who:>14}" + "".join(f" {one:>26}" for one in told), flush=True)
            print(f"\n{'page':>14} {'kB, first view':>15} {'phone, px':>10} {'office, px':>10} {'axe':>5}")
            for page_name, path in PAGES.items():
                look(browser, url, page_name, path, weight(client, path), pictures)
            browser.close()
        server.should_exit = True
        thread.join(10)


def look(browser: object, url: str, name: str, path: str, heavy: int, pictures: Path | None) -> None:
    heights, faults = [], 0
    for size in (PHONE, OFFICE):
        for dark in (False, True):
            context = browser.new_context(  # type: ignore[attr-defined]
                viewport=size, color_scheme="dark" if dark else "light", reduced_motion="reduce"
            )
            page = context.new_page()
            page.goto(url + path, timeout=WAIT_MS)
            page.wait_for_load_state()
            faults += Axe().run(page).violations_count
            if not dark:
                heights.append(page.evaluate("document.documentElement.scrollHeight"))
            if pictures is not None:
                pictures.mkdir(parents=True, exist_ok=True)
                shade = "dark" if dark else "light"
                page.screenshot(path=pictures / f"{name.replace(' ', '-')}-{size['width']}-{shade}.png", full_page=True)
            context.close()
    print(f"{name:>14} {heavy / 1000:>15.1f} {heights[0]:>10} {heights[1]:>10} {faults:>5}", flush=True)


if __name__ == "__main__":
    main()
