"""Who is answered and who is not: token, host, origin, size, and thousands of broken requests."""

from __future__ import annotations

import json
import random
import re
import socket

import pytest

from entrypoint.errors import FieldRefused
from entrypoint.rehearsal import server as served_by
from entrypoint.rehearsal.app import FILES, STATIC, Exercise
from entrypoint.rehearsal.guard import HEADERS, LARGEST_BODY_BYTES, may_name
from entrypoint.rehearsal.roster import Roster
from entrypoint.rehearsal.store import Store
from entrypoint.rehearsal.turns import Stages
from tests.rehearsal.page.raw import Page

MALFORMED = 2000


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    kept = Store(tmp_path_factory.mktemp("kept") / "kept.sqlite3")
    made = Page(Exercise(roster=Roster(1), store=kept, stages=Stages(None)))
    yield made
    made.close()


def refused(answer, status):
    assert answer[0] == status
    told = json.loads(answer[2])
    assert set(told) == {"refused"}
    assert told["refused"].endswith(".")


def test_the_page_is_answered_with_headers_that_keep_it_to_itself(page):
    status, headers, text = page.ask("")
    assert status == 200
    assert b"Rehearse" in text
    for name, value in HEADERS.items():
        assert headers[name] == value
    assert "Access-Control-Allow-Origin" not in headers
    assert "server" not in {name.lower() for name in headers}
    policy = headers["Content-Security-Policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert not re.search(rb"<script(?![^>]*src=)|\son\w+=|style=", text), "nothing inline"


def test_every_file_of_the_page_is_served_by_its_name_and_no_other(page):
    there = {p.name for p in STATIC.iterdir()} - {"index.html", "three-parts.js", "README.md"}
    assert there == set(FILES)
    for name, kind in FILES.items():
        status, headers, _ = page.ask(f"static/{name}")
        assert (status, headers["Content-Type"].split(";")[0]) == (200, kind)
    for name in ("../server.py", "%2e%2e/server.py", "..%2fserver.py", "index.html", "/etc/passwd"):
        assert page.ask(f"static/{name}")[0] == 404


@pytest.mark.parametrize("token", ["", "x", "a" * 32, "%00", "..", "\u00e9".encode().hex()])
def test_a_wrong_token_is_refused(page, token):
    refused(page.ask("state", token=token), 404)


@pytest.mark.parametrize(
    "host", ["elsewhere.example", "127.0.0.1", "127.0.0.1:1", "localhost.elsewhere.example:{port}",
             "10.0.0.1:{port}", ""]
)  # fmt: skip
def test_a_foreign_host_is_refused(page, host):
    refused(page.ask("state", Host=host.format(port=page.port)), 421)


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://elsewhere.example"},
        {"Origin": "null"},
        {"Origin": "https://127.0.0.1"},
        {"Origin": None},
        {"Sec_Fetch_Site": "cross-site"},
        {"Sec_Fetch_Site": "same-site"},
        {"Content_Type": "text/plain"},
        {"Content_Type": "application/x-www-form-urlencoded"},
    ],
)
def test_a_request_of_another_page_is_refused(page, headers):
    refused(page.ask("delete", body={"confirm": "delete everything"}, **headers), 403)
    if headers.get("Origin") or "Sec_Fetch_Site" in headers:
        refused(page.ask("export.json", **headers), 403)


def test_a_body_that_is_too_large_is_refused_said_or_not(page):
    large = b"{" + b" " * LARGEST_BODY_BYTES + b"}"
    refused(page.ask("skin", body=large), 413)
    with socket.create_connection(("127.0.0.1", page.port), timeout=10) as line:
        line.sendall(
            f"POST /{page.token}/skin HTTP/1.1\r\nHost: {page.host}\r\nOrigin: http://{page.host}"
            "\r\nContent-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n".encode()
        )
        for _ in range(20):
            line.sendall(b"1000\r\n" + b" " * 4096 + b"\r\n")
        assert line.recv(200).startswith(b"HTTP/1.1 413")
    assert page.alive()


@pytest.mark.parametrize(
    ("path", "body"),
    [
        ("stage", {"key": "ladder:none"}),
        ("stage", {"key": "ladder:adult", "person": "somebody else"}),
        ("stage", {"key": "../adult", "shown": {"numbers": True, "midline": True, "suture": True}}),
        ("stage", {"key": "volume", "shown": {"numbers": True, "midline": True, "suture": True}}),
        ("stage", {"key": "ladder:adult", "shown": {"numbers": 1}}),
        ("skin", {"turn": "none", "point_mm": [0, 0, 0]}),
        ("skin", {"turn": 7, "point_mm": [0, 0]}),
        ("tape", {"turn": "none", "more": 1}),
        ("reveal", {"turn": "none", "marks": {"side": "up"}}),
        ("delete", {"confirm": "yes"}),
        ("skin", b"[1, 2"),
        ("skin", b'{"turn": "a", "turn": "b"}'),
        ("skin", b'{"point_mm": [NaN, 0, 0]}'),
        ("skin", b"[" * 5000),
        ("skin", b"\xff\xfe"),
        ("skin", b""),
        ("skin", b"7"),
    ],
)
def test_what_cannot_be_meant_is_refused_in_a_sentence(page, path, body):
    refused(page.ask(path, body=body), 400)


def test_other_methods_and_addresses_are_refused(page):
    for method in ("PUT", "DELETE", "OPTIONS", "PATCH", "TRACE", "CONNECT"):
        assert page.ask("state", method=method)[0] == 405
    assert page.ask("nothing")[0] == 404
    assert page.ask("mesh/0")[0] == 404
    assert page.ask("mesh/..%2f..%2f")[0] == 404
    assert page.ask("progress?person=somebody")[0] == 400


def test_thousands_of_malformed_requests_leave_it_alive(page):
    draw = random.Random(20)
    good = (
        f"POST /{page.token}/skin HTTP/1.1\r\nHost: {page.host}\r\nOrigin: http://{page.host}\r\n"
        "Content-Type: application/json\r\nContent-Length: 44\r\n\r\n"
        '{"turn": "abcdefghijkl", "point_mm": [1,2,3]}'
    ).encode()
    answered = 0
    for number in range(MALFORMED):
        raw = bytearray(good)
        for _ in range(draw.randint(1, 12)):
            at = draw.randrange(len(raw))
            kind = draw.randrange(3)
            if kind == 0:
                raw[at] = draw.randrange(256)
            elif kind == 1:
                del raw[at : at + draw.randint(1, 30)]
            else:
                raw[at:at] = draw.randbytes(draw.randint(1, 40))
            raw = raw or bytearray(b"\r\n")
        with socket.create_connection(("127.0.0.1", page.port), timeout=10) as line:
            line.sendall(raw)
            line.shutdown(socket.SHUT_WR)
            if number % 10 == 0:
                said = line.recv(64)
                assert not said.startswith((b"HTTP/1.1 2", b"HTTP/1.1 5")), bytes(raw)
                answered += bool(said)
    assert answered > 50
    assert page.alive()


def test_only_loopback_is_bound_unless_it_is_said_twice():
    with pytest.raises(FieldRefused, match="--allow-network") as told:
        served_by.serve(host="0.0.0.0", open_browser=False)
    assert "nothing that crosses the network is encrypted" in str(told.value)
    with pytest.raises(FieldRefused, match="in figures"):
        served_by.serve(host="elsewhere.example", open_browser=False)
    with pytest.raises(FieldRefused, match="cannot be bound"):
        served_by.serve(host="203.0.113.7", allow_network=True, open_browser=False)
    with pytest.raises(FieldRefused, match="1 to 40"):
        served_by.serve(people=0, open_browser=False)


def test_a_bound_network_address_is_named_in_figures_only():
    everywhere = may_name("0.0.0.0", 8000)
    assert everywhere("192.0.2.5:8000")
    assert everywhere("[2001:db8::1]:8000")
    assert not everywhere("192.0.2.5:9000")
    assert not everywhere("elsewhere.example:8000")
    assert not may_name("192.0.2.5", 8000)("192.0.2.6:8000")
