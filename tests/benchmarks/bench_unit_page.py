"""Server time, weight and time to the first answer of the bench's pages, with a large fleet in the store.

Run from the checkout: ``PYTHONPATH=. python tests/benchmarks/bench_unit_page.py HOME [vehicles] [requests a page]``;
HOME is a state folder with a trained model, of which a copy is used. The fleet is invented; the unit asked about is the
worked example's. The service runs as shipped, on loopback, and is asked over a socket one request at a time. Then
Chromium opens the unit's page as a telephone on a slow line would: 150 ms latency, 1.6 Mbit/s down, 750 kbit/s up, a
processor four times slower (what web measuring calls slow 4G: common practice, no source), with an empty cache.
"""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx2 as httpx
import numpy as np
from playwright.sync_api import sync_playwright

from service.forecasting.forecasts.examples import example_case
from service.store.upgrading import open_store
from tests.service.invented_fleet import fill

CHECKOUT = Path(__file__).parents[2]
UNIT = "MB-VAN-07"
PAGES = {
    "first page": "/",
    "find: lately": "/bench",
    "find: by number": "/bench?unit=0042",
    "unit: answer and reasons": f"/bench/units/{UNIT}?replacement=7",
    "unit: reading form": f"/bench/units/{UNIT}/reading/new",
    "unit: top-up plan": f"/bench/units/{UNIT}/topup-plan",
    "unit: what if": f"/bench/units/{UNIT}/what-if",
    "unit: recheck": f"/bench/units/{UNIT}/recheck",
    "release sheet": "/bench/forecasts/{forecast}",
    "release sheet, PDF": "/bench/forecasts/{forecast}/sheet.pdf",
}
SLOW = {
    "unit: top-up plan": 10,
    "unit: what if": 10,
    "unit: recheck": 10,
    "release sheet": 10,
    "release sheet, PDF": 10,
}
"""Pages that are asked for fewer times."""

LATENCY_MS, DOWN_BYTES_S, UP_BYTES_S, SLOWER = 150, 200_000, 93_750, 4


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def record_unit(client: httpx.Client) -> int:
    """Store the worked example as of yesterday, and issue a forecast of it; return its number."""
    history = example_case()["history"]
    moved = datetime.now(UTC) - timedelta(hours=20) - datetime.fromisoformat(history["readings"][-1]["time"])

    def send(address: str, content: dict) -> dict:
        if "time" in content:
            content = {**content, "time": (datetime.fromisoformat(content["time"]) + moved).isoformat()}
        answer = client.post(address, json=content)
        assert answer.status_code == 201, answer.text
        return answer.json()

    send("/v1/packs", {"id": UNIT, **{k: history[k] for k in ("family", "age_years", "odometer_km")}})
    for part in ("readings", "topups", "usage"):
        for fact in history[part]:
            send(f"/v1/{part}", {"pack_id": UNIT, **fact})
    return int(send(f"/v1/packs/{UNIT}/forecasts", {})["id"])


def weight(client: httpx.Client, path: str) -> int:
    """Bytes over the wire for a first view, with everything that the page fetches."""
    with client.stream("GET", path, headers={"Accept-Encoding": "gzip"}) as answer:
        total = sum(len(piece) for piece in answer.iter_raw())
    for piece in sorted({piece for piece in client.get(path).text.split('"') if piece.startswith("/static/")}):
        with client.stream("GET", piece, headers={"Accept-Encoding": "gzip"}) as answer:
            total += sum(len(part) for part in answer.iter_raw())
    return total


def report(client: httpx.Client, forecast: int, vehicles: int, times: int) -> None:
    print(f"{vehicles} vehicles in the store, SQLite; ms on the server's side of a loopback socket")
    print(f"{'page':>26} {'first':>7} {'median':>7} {'p99':>7} {'asked':>6} {'kB, first view':>15}")
    for words, path in PAGES.items():
        address = path.format(forecast=forecast)
        took = []
        for _ in range(1 + min(times, SLOW.get(words, times))):
            began = time.perf_counter()
            answer = client.get(address)
            took.append(1000 * (time.perf_counter() - began))
            assert answer.status_code == 200, f"{address}: {answer.status_code} {answer.text[:300]}"
        middle, late = np.quantile(took[1:], [0.5, 0.99])
        heavy = "" if "PDF" in words else f"{weight(client, address) / 1000:.1f}"
        print(f"{words:>26} {took[0]:>7.0f} {middle:>7.0f} {late:>7.0f} {len(took) - 1:>6} {heavy:>15}", flush=True)


def on_a_telephone(url: str, scripts: bool) -> None:
    program = shutil.which("chromium-headless-shell") or shutil.which("chromium") or shutil.which("chromium-browser")
    took: dict[str, list[float]] = {"answer in sight": [], "all loaded": []}
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox", "--disable-gpu"])
        for _ in range(5):
            context = browser.new_context(viewport={"width": 390, "height": 844}, java_script_enabled=scripts)
            page = context.new_page()
            tools = context.new_cdp_session(page)
            tools.send("Network.enable")
            tools.send(
                "Network.emulateNetworkConditions",
                {
                    "offline": False,
                    "latency": LATENCY_MS,
                    "downloadThroughput": DOWN_BYTES_S,
                    "uploadThroughput": UP_BYTES_S,
                },
            )
            tools.send("Emulation.setCPUThrottlingRate", {"rate": SLOWER})
            began = time.perf_counter()
            page.goto(url, wait_until="commit")
            page.locator(".answer .first").wait_for(state="visible")
            took["answer in sight"].append(time.perf_counter() - began)
            page.wait_for_load_state("load")
            took["all loaded"].append(time.perf_counter() - began)
            context.close()
        browser.close()
    for words, seconds in took.items():
        how = "with" if scripts else "without"
        print(f"slow telephone, {how} scripts: {words} after {np.median(seconds):.2f} s (median of 5)")


def main() -> None:
    home = Path(sys.argv[1])
    vehicles = int(sys.argv[2]) if len(sys.argv) > 2 else 50_000
    times = int(sys.argv[3]) if len(sys.argv) > 3 else 100
    with tempfile.TemporaryDirectory() as name:
        shutil.copytree(home / "models", Path(name) / "models")
        store = open_store(Path(name))
        fill(store, vehicles, datetime.now(UTC))
        store.close()
        port = free_port()
        environment = {**os.environ, "TIDEOVER_HOME": name, "PYTHONPATH": str(CHECKOUT), "OMP_NUM_THREADS": "1"}
        command = [sys.executable, "-m", "service.cli", "serve", "--port", str(port)]
        with (
            subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as served,
            httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=120) as client,
        ):
            try:
                for _ in range(150):
                    try:
                        client.get("/healthz")
                        break
                    except httpx.TransportError:
                        time.sleep(0.2)
                forecast = record_unit(client)
                report(client, forecast, vehicles, times)
                for scripts in (True, False):
                    on_a_telephone(f"http://127.0.0.1:{port}{PAGES['unit: answer and reasons']}", scripts)
            finally:
                served.send_signal(signal.SIGTERM)


if __name__ == "__main__":
    main()
