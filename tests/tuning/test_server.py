"""The server as an attacker would try it: from another page, another name, another machine."""

import http.client
import json
import socket
import time

import numpy as np
import pytest
from tuned import SECRET, desk, served
from waiting import until
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import connect

from autoweight.tuning.live import REST

ROUTES = ("", "data/positions", "data/faces", "data/clip0", "data/twin")


@pytest.fixture(scope="module")
def running(weighted, tmp_path_factory):
    import shutil

    from tuned import RECIPE

    place = tmp_path_factory.mktemp("served")
    shutil.copy(weighted, place / "small.glb")
    shutil.copy(RECIPE, place / "small.toml")
    with served(desk(place), place / "small.glb") as found:
        yield found, place


def ask(port, path, method="GET", host=None, **headers):
    line = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    line.putrequest(method, path, skip_host=True)
    line.putheader("Host", host or f"127.0.0.1:{port}")
    for name, value in headers.items():
        line.putheader(name.replace("_", "-"), value)
    line.endheaders()
    answer = line.getresponse()
    body = answer.read()
    line.close()
    return answer, body


def test_the_page_and_its_arrays_come_sealed(running):
    here, _ = running
    for route in ROUTES:
        answer, body = ask(here.port, f"/{SECRET}/{route}")
        assert answer.status == 200 and body
        assert answer.getheader("cache-control") == "no-store"
        assert answer.getheader("referrer-policy") == "no-referrer"
        assert answer.getheader("x-frame-options") == "DENY"
        assert answer.getheader("cross-origin-resource-policy") == "same-origin"
        assert answer.getheader("access-control-allow-origin") is None
    policy = ask(here.port, f"/{SECRET}/")[0].getheader("content-security-policy")
    assert "default-src 'none'" in policy and "unsafe" not in policy and "http:" not in policy


@pytest.mark.parametrize(
    "path",
    ["/", "/wrong/", "/wrong/data/positions", f"/{SECRET[:-1]}/", f"/{SECRET}x/", f"//{SECRET}/",
     f"/x/../{SECRET}/", "/%61-secret-of-the-test/x"],
)  # fmt: skip
def test_without_the_secret_there_is_nothing(running, path):
    here, _ = running
    answer, body = ask(here.port, path)
    assert answer.status == 404 and SECRET.encode() not in body


@pytest.mark.parametrize(
    "name",
    ["../../../../etc/passwd", "%2e%2e/%2e%2e/etc/passwd", "..%2f..%2fetc%2fpasswd", "small.toml",
     "positions/../../small.toml", "%00", "positions%00.npy"],
)  # fmt: skip
def test_no_path_of_the_page_is_ever_opened(running, name):
    here, _ = running
    answer, body = ask(here.port, f"/{SECRET}/data/{name}")
    assert answer.status == 404 and b"root:" not in body and b"[tidy]" not in body


def test_another_name_for_this_machine_is_turned_away(running):
    """A site may let its own name point to 127.0.0.1 (DNS rebinding)."""
    here, _ = running
    for host in ("evil.test", f"evil.test:{here.port}", f"127.0.0.1.evil.test:{here.port}",
                 "127.0.0.1", f"127.0.0.1:{here.port + 1}", f"0.0.0.0:{here.port}"):  # fmt: skip
        assert ask(here.port, f"/{SECRET}/", host=host)[0].status == 404
    assert ask(here.port, f"/{SECRET}/", host=f"localhost:{here.port}")[0].status == 200


@pytest.mark.parametrize(
    "headers",
    [{"Origin": "https://evil.test"}, {"Origin": "null"}, {"Origin": "http://127.0.0.1"},
     {"Sec_Fetch_Site": "cross-site"}, {"Sec_Fetch_Site": "same-site"}],
)  # fmt: skip
def test_another_page_of_the_browser_is_turned_away(running, headers):
    here, _ = running
    for route in ROUTES:
        assert ask(here.port, f"/{SECRET}/{route}", **headers)[0].status == 404


def test_nothing_is_done_by_a_request(running):
    here, _ = running
    for method in ("POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"):
        assert ask(here.port, f"/{SECRET}/", method=method)[0].status == 404


def talk(here, path=f"/{SECRET}/talk", **options):
    options.setdefault("origin", f"http://127.0.0.1:{here.port}")
    return connect(f"ws://127.0.0.1:{here.port}{path}", max_size=None, **options)


@pytest.mark.parametrize(
    "wrong",
    [{"origin": None}, {"origin": "https://evil.test"}, {"origin": "null"},
     {"path": "/wrong/talk"}, {"path": "/talk"},
     {"additional_headers": {"Sec-Fetch-Site": "cross-site"}}],
)  # fmt: skip
def test_a_socket_from_elsewhere_does_not_open(running, wrong):
    here, _ = running
    with pytest.raises(InvalidStatus) as told, talk(here, **wrong):
        pass
    assert told.value.response.status_code == 403


def heard(line, kind):
    while True:
        message = line.recv(timeout=30)
        if isinstance(message, str) and (found := json.loads(message))["type"] == kind:
            return found


def test_nonsense_is_said_and_changes_nothing(running):
    here, place = running
    before = {path.name: path.read_bytes() for path in place.iterdir()}
    with talk(here) as line:
        text = heard(line, "state")["text"]
        for nonsense in (
            "{",
            "",
            {},
            {"do": "open", "path": "/etc/passwd"},
            {"do": "edit"},
            {"do": "edit", "changes": [["set", [], 1]], "label": "x"},
            {"do": "edit", "changes": [["set", ["method"], "os:system"]], "label": "x"},
            {
                "do": "edit",
                "changes": [["set", ["lock", 0, "file"], "/etc/hosts.txt"]],
                "label": "x",
            },
            {"do": "text", "text": '[[lock]]\nfile = "../../etc/hosts.txt"\n'},
            {"do": "text", "text": "]["},
            b"",
            b"abc",
            np.array([1, 1 << 31], dtype="<u4").tobytes(),
        ):
            line.send(nonsense if isinstance(nonsense, bytes | str) else json.dumps(nonsense))
            assert heard(line, "said")["alarm"]
        line.send(json.dumps({"do": "undo"}))
        assert heard(line, "state")["text"] == text
    assert {path.name: path.read_bytes() for path in place.iterdir()} == before


def test_a_message_too_large_ends_the_line(running):
    here, _ = running
    with talk(here) as line:
        line.send(b"\0" * ((1 << 24) + 4))
        with pytest.raises(ConnectionClosed):
            while True:
                line.recv(timeout=30)


def test_only_the_loopback_address_listens(running):
    here, _ = running
    others = {each[4][0] for each in socket.getaddrinfo(socket.gethostname(), None)}
    for other in others - {"127.0.0.1", "::1"}:
        with pytest.raises(OSError), socket.create_connection((other, here.port), timeout=2):
            pass
    with socket.create_connection(("127.0.0.1", here.port), timeout=2):
        pass  # and that one does


def test_two_pages_see_one_recipe(running):
    here, _ = running
    change = ["set", ["chain", 0, "falloff", "reach"], 1.07]
    with talk(here) as one, talk(here) as two:
        heard(one, "state")
        heard(two, "state")
        one.send(json.dumps({"do": "edit", "changes": [change], "label": "reach"}))
        assert heard(two, "state")["recipe"]["chain"][0]["falloff"]["reach"] == 1.07
        two.send(json.dumps({"do": "undo"}))
        heard(one, "state")
        assert heard(one, "state")["recipe"]["chain"][0]["falloff"]["reach"] == 1.2


def pull(line, reach, stroke):
    change = ["set", ["chain", 0, "falloff", "reach"], reach]
    message = {"do": "edit", "changes": [change], "label": "reach", "stroke": stroke}
    line.send(json.dumps(message))
    return heard(line, "state")["serial"]


@pytest.mark.parametrize("goes", [False, True])
def test_under_a_hand_there_are_sketches_alone(running, goes):
    """The exact weights follow when it lets go, or when its page is gone."""
    live = running[0].live
    until(lambda: live.exact_serial == live.desk.serial and live.along is not None)
    with talk(running[0]) as line:
        heard(line, "state")
        before = live.exact_serial
        line.send(json.dumps({"do": "hold"}))
        for reach in (1.11, 1.12 + goes / 50):
            serial = pull(line, reach, stroke=50 + goes)
            time.sleep(REST + 0.2)  # however long it rests there
        assert live.exact_serial == before and live.shown_serial == serial
        if not goes:
            line.send(json.dumps({"do": "rest"}))
            until(lambda: live.exact_serial == serial)
    until(lambda: live.exact_serial == serial and not live.held)
    assert live.shown_serial == serial
