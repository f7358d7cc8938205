"""The shipped program, as a user starts it: a real process, a real socket on loopback."""

from __future__ import annotations

import http.client
import json
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from contextlib import closing

import pytest

from service.core.settings import settings_table
from service.http.serving import ServiceConfig
from tests.service.running import command, environment, free_port, running_service


@pytest.fixture(scope="module")
def served(home):
    with running_service(home, free_port()) as address:
        yield address


def test_forecast_over_a_real_socket_equals_the_in_process_one(served, client, van_case):
    van_case["at"] = van_case["history"]["readings"][-1]["time"]  # the clock of the socket is the real one
    request = urllib.request.Request(
        served + "/v1/forecasts", json.dumps(van_case).encode(), {"Content-Type": "application/json"}
    )
    with urllib.request.urlopen(request, timeout=20) as response:
        assert response.headers["X-Request-ID"]
        assert json.load(response) == client.post("/v1/forecasts", json=van_case).json()


def test_error_over_a_real_socket_is_a_problem_document(served):
    request = urllib.request.Request(served + "/v1/forecasts", b"{", {"Content-Type": "application/json"})
    with pytest.raises(urllib.error.HTTPError) as caught:
        urllib.request.urlopen(request, timeout=20)
    with caught.value as response:
        assert response.code == 400
        assert response.headers["Content-Type"] == "application/problem+json"


def test_a_connection_is_kept_for_longer_than_clients_use_it(served):
    """Common client libraries send on a connection that was idle for up to 5 s: it must not just have been closed."""
    with closing(http.client.HTTPConnection(served.removeprefix("http://"), timeout=20)) as connection:
        connection.request("GET", "/healthz")
        connection.getresponse().read()
        used, connection.auto_open = connection.sock, 0  # no new one unseen
        time.sleep(6)
        connection.request("GET", "/healthz")
        assert connection.getresponse().read()
        assert connection.sock is used


def test_whoever_computes_lets_others_on_before_a_write_has_waited_long(settings, client):
    """Each answer of the database waited up to 5 ms for a forecast beside it, some fifteen times a write."""
    before = sys.getswitchinterval()
    try:
        ServiceConfig(settings, client.app).load()
        assert sys.getswitchinterval() == pytest.approx(0.001)
    finally:
        sys.setswitchinterval(before)


def test_it_listens_on_loopback_only(served):
    """Another address of this machine, if it has one, gets no answer."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # TEST-NET-1 (RFC 5737); nothing is sent by connecting a datagram socket
        except OSError:
            pytest.skip("this machine has no other address")
        own = probe.getsockname()[0]
    port = int(served.rpartition(":")[2])
    with pytest.raises((ConnectionRefusedError, TimeoutError)), socket.create_connection((own, port), timeout=2):
        pass


@pytest.mark.parametrize(
    ("arguments", "more"), [(["serve", "--host", "0.0.0.0"], {}), (["serve"], {"TIDEOVER_HOST": "0.0.0.0"})]
)
def test_an_open_address_is_refused_with_a_sentence(tideover, arguments, more):
    ran = tideover(*arguments, env=more)
    assert ran.exit_code == 2
    assert "no access keys yet" in ran.stderr
    assert "Traceback" not in ran.stderr


def test_port_in_use_is_a_sentence_not_a_traceback(home):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        ran = subprocess.run(
            command("serve", "--port", taken.getsockname()[1]),
            env=environment(home),
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
    assert ran.returncode == 2
    where, what, mend = ran.stderr.splitlines()
    assert where == "where: port"
    assert "in use" in what
    assert "--port" in mend


def test_settings_command_prints_the_whole_table(tideover, home):
    ran = tideover("settings")
    assert ran.exit_code == 0
    assert f"TIDEOVER_HOME = {home}" in ran.stdout
    for row in settings_table():
        assert f"{row.variable} = " in ran.stdout
        assert row.help_text in ran.stdout


def test_small_answers_on_a_kept_connection_go_out_at_once(served):
    """Without TCP_NODELAY each answer waits for the confirmation of the one before, 40 ms on Linux."""
    host, port = served.removeprefix("http://").split(":")
    connection = http.client.HTTPConnection(host, int(port), timeout=30)
    times = []
    for _ in range(60):
        began = time.perf_counter()
        connection.request("GET", "/healthz")
        connection.getresponse().read()
        times.append(time.perf_counter() - began)
    connection.close()
    # The least of sixty: a busy machine delays some, the missing option every one.
    assert min(times[1:]) < 0.03
