"""What the page refuses: requests from elsewhere, too much, and files that are not what they are called."""

from __future__ import annotations

import asyncio
import base64
import http.client
import json
import os
import re
import socket
import struct
import sys
import zlib
from collections.abc import Iterator, MutableMapping
from pathlib import Path
from typing import Any

import pytest
from tests.app.running_page import RunningPage, running_page

from elbowroom.app.cli import main
from elbowroom.app.cli.page import with_page
from elbowroom.app.job import Job, add_photos
from elbowroom.app.page.guard import Guard, Receive, Scope, Send
from elbowroom.app.page.intake import check_photo_start, checked_name
from elbowroom.shared.errors import InputError
from elbowroom.shared.scene import Scene
from elbowroom.shared.store import SceneFile

HOST = "127.0.0.1:8000"


def ask(
    headers: list[tuple[str, str]],
    *,
    kind: str = "http",
    method: str = "GET",
    parts: tuple[bytes, ...] = (b"",),
) -> tuple[list[MutableMapping[str, Any]], bytes]:
    """Send one request through a guard that takes 10 bytes; return what was answered and what the app received."""
    answers: list[MutableMapping[str, Any]] = []
    got = bytearray()
    queue = [
        {"type": "http.request", "body": p, "more_body": n < len(parts) - 1} for n, p in enumerate(parts)
    ]

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        more = scope["type"] == "http"
        while more:
            message = await receive()
            got.extend(message["body"])
            more = message["more_body"]
        await send({"type": "http.response.start", "status": 200, "headers": []})

    async def receive() -> MutableMapping[str, Any]:
        return dict(queue.pop(0))

    async def send(message: MutableMapping[str, Any]) -> None:
        answers.append(message)

    raw = [(k.encode(), v.encode()) for k, v in headers]
    scope = {"type": kind, "method": method, "path": "/", "headers": raw}
    asyncio.run(Guard(app, hosts=[HOST], most_bytes=10)(scope, receive, send))
    return answers, bytes(got)


def test_our_own_page_passes_and_is_told_to_load_nothing_from_elsewhere() -> None:
    answers, _ = ask([("host", HOST), ("origin", f"http://{HOST}")])
    assert answers[0]["status"] == 200
    headers = dict(answers[0]["headers"])
    assert b"default-src 'self'" in headers[b"content-security-policy"]
    assert b"frame-ancestors 'none'" in headers[b"content-security-policy"]
    assert headers[b"x-content-type-options"] == b"nosniff"


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ([("host", "evil.example")], 421),  # RFC 9110, 15.5.20: misdirected request
        ([("host", "evil.example:8000")], 421),
        ([("host", "127.0.0.1:8001")], 421),
        ([], 421),
        ([("host", HOST), ("host", "evil.example")], 421),
        ([("host", HOST), ("origin", "http://evil.example")], 403),
        ([("host", HOST), ("origin", "null")], 403),
        ([("host", HOST), ("origin", f"https://{HOST}")], 403),
        ([("host", HOST), ("sec-fetch-site", "cross-site")], 403),
        ([("host", HOST), ("content-length", "11")], 413),
        ([("host", HOST), ("content-length", "-1")], 413),
        ([("host", HOST), ("content-length", "ten")], 413),
    ],
)
def test_foreign_and_oversized_requests_are_refused(headers: list[tuple[str, str]], status: int) -> None:
    answers, got = ask(headers, method="POST", parts=(b"never read",))
    assert answers[0]["status"] == status
    assert len(answers[1]["body"]) > 20  # says why
    assert got == b""


@pytest.mark.parametrize(
    "headers", [[("host", "evil.example")], [("host", HOST), ("origin", "http://evil.example")]]
)
def test_foreign_sockets_are_closed(headers: list[tuple[str, str]]) -> None:
    answers, _ = ask(headers, kind="websocket")
    assert [a["type"] for a in answers] == ["websocket.close"]
    assert answers[0]["code"] == 1008  # RFC 6455, 7.4.1: policy violation


def test_bodies_are_counted_as_they_stream() -> None:
    answers, got = ask([("host", HOST)], method="POST", parts=(b"123456", b"789012", b"more"))
    assert answers[0]["status"] == 413
    assert got == b"123456"
    answers, got = ask([("host", HOST)], method="POST", parts=(b"12345", b"67890"))
    assert answers[0]["status"] == 200
    assert got == b"1234567890"


@pytest.mark.parametrize(
    "name",
    [
        "../a.jpg",
        "/etc/a.jpg",
        "a\\b.jpg",
        "c:a.jpg",
        "",
        " ",
        ".jpg",
        "..",
        "a\x00.jpg",
        "a\n.jpg",
        "\u202egpj.a",
        "a" * 81,
    ],
)
def test_names_with_paths_are_refused(name: str) -> None:
    with pytest.raises(InputError, match="not a plain file name"):
        checked_name(name)


def test_plain_names_pass() -> None:
    for name in ("IMG_0001.JPG", "Träger links (2).heic", "spot 1.png"):
        assert checked_name(name) == name


def test_what_is_no_photo_inside_is_refused() -> None:
    with pytest.raises(InputError, match="none inside"):
        check_photo_start("a.jpg", b"<!doctype html><script>")
    with pytest.raises(InputError, match="not a photo by its name"):
        check_photo_start("a.html", b"\xff\xd8\xff\xe0")
    check_photo_start("a.jpg", b"\xff\xd8\xff\xe0")  # SOI and APP0, ITU-T T.81 table B.1


def bomb(side: int) -> bytes:
    """Return a PNG that says it is huge. Source: ISO/IEC 15948, 5.3 (chunks), 11.2.2 (IHDR)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
    rows = zlib.compress(b"\0" * 1_000_000)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def test_a_decompression_bomb_is_refused_by_what_its_header_says(tmp_path: Path) -> None:
    path = tmp_path / "0001"
    path.write_bytes(bomb(60_000))
    with SceneFile.create(tmp_path / "j.elbow", Scene(), author="me") as file:
        with pytest.raises(InputError, match=r"bomb\.png: the photo has too many pixels"):
            add_photos(Job(file, "me"), [path], names=["bomb.png"])
        assert file.scene().photos == ()


def test_no_arguments_or_a_job_open_the_page() -> None:
    assert with_page([]) == ["page"]
    assert with_page(["a.elbow", "--port", "0"]) == ["page", "a.elbow", "--port", "0"]
    assert with_page(["show", "a.elbow"]) == ["show", "a.elbow"]
    assert with_page(["--help"]) == ["--help"]


def test_a_missing_job_is_explained(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(tmp_path / "none.elbow"), "--no-browser"]) == 2
    assert "no such scene file" in capsys.readouterr().err


def test_other_subcommands_do_not_load_the_page() -> None:
    import subprocess

    code = (
        "import sys; from elbowroom.app.cli import main; main(['--version']); print('nicegui' in sys.modules)"
    )
    env = {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
    done = subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=True)
    assert done.stdout.split()[-1] == "False"


# --- the same against the running server -----------------------------------------------------------------------


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningPage]:
    folder = tmp_path_factory.mktemp("page")
    SceneFile.create(folder / "spot.elbow", Scene(name="spot"), author="me").close()
    with running_page(folder / "spot.elbow", folder=folder) as running:
        yield running


def send(page: RunningPage, method: str, path: str, body: bytes = b"", **headers: str) -> tuple[int, str]:
    connection = http.client.HTTPConnection("127.0.0.1", page.port, timeout=60)
    connection.putrequest(method, path, skip_host="host" in headers)
    for name, value in {"content-length": str(len(body)), **headers}.items():
        connection.putheader(name, value)
    connection.endheaders()
    if int(headers.get("content-length", len(body))) == len(body):
        connection.send(body)
    answer = connection.getresponse()
    return answer.status, answer.read().decode("utf-8", "replace")


def token_of(page: RunningPage, kind: str) -> str:
    status, text = send(page, "GET", "/")
    assert status == 200
    found = re.search(rf"/in/([\w-]+)/{kind}", text.replace("\\/", "/"))
    assert found is not None
    return found[1]


def test_the_server_listens_on_the_loopback_address_only(page: RunningPage) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.connect(
            ("192.0.2.1", 9)
        )  # nothing is sent: TEST-NET-1 (RFC 5737) only picks this machine's own address
        own = probe.getsockname()[0]
    if own.startswith("127."):
        pytest.skip("this machine has no address but the loopback one")
    with pytest.raises(OSError, match=r"refused|unreachable|timed out"):
        socket.create_connection((own, page.port), timeout=5).close()


def test_foreign_hosts_and_origins_are_refused_by_the_server(page: RunningPage) -> None:
    assert send(page, "GET", "/", host="evil.example")[0] == 421
    assert send(page, "GET", "/job.elbow", origin="http://evil.example")[0] == 403
    assert send(page, "GET", "/", host=f"localhost:{page.port}")[0] == 200


@pytest.mark.parametrize(("origin", "status"), [("http://evil.example", "403"), ("own", "101")])
def test_the_socket_takes_our_own_origin_only(page: RunningPage, origin: str, status: str) -> None:
    """101 is a socket that opens, 403 one that does not. Source: RFC 6455, 4.2.2."""
    own = f"http://127.0.0.1:{page.port}"
    key = base64.b64encode(b"0123456789abcdef").decode()
    lines = [
        "GET /_nicegui_ws/socket.io/?EIO=4&transport=websocket HTTP/1.1",
        f"Host: 127.0.0.1:{page.port}",
        "Upgrade: websocket",
        "Connection: Upgrade",
        f"Sec-WebSocket-Key: {key}",
        "Sec-WebSocket-Version: 13",
        f"Origin: {own if origin == 'own' else origin}",
    ]
    with socket.create_connection(("127.0.0.1", page.port), timeout=30) as s:
        s.sendall(("\r\n".join(lines) + "\r\n\r\n").encode())
        assert s.recv(200).split()[1].decode() == status


def test_a_gigabyte_is_refused_before_it_comes(page: RunningPage) -> None:
    token = token_of(page, "photo")
    headers = {"content-length": str(10**9)}
    status, words = send(page, "POST", f"/in/{token}/photo?name=a.jpg", b"\xff\xd8\xff", **headers)
    assert status == 413
    assert "limit 100 MB" in words
    assert page.alive()


def test_files_that_are_not_what_they_say_are_refused_by_the_server(page: RunningPage) -> None:
    token = token_of(page, "photo")
    at = f"/in/{token}/photo?name="
    assert send(page, "POST", f"{at}a.jpg", b"<!doctype html><script>alert(1)</script>") == (
        400,
        "a.jpg: called a photo, but it is none inside; limit JPEG, PNG, HEIC; send the photo as the phone saved it",
    )
    status, words = send(page, "POST", f"{at}..%2Fa.jpg", b"\xff\xd8\xff\xe0")
    assert status == 400
    assert "not a plain file name" in words
    assert send(page, "POST", "/in/nobody/photo?name=a.jpg", b"\xff\xd8\xff\xe0")[0] == 400
    assert send(page, "GET", "/picture/" + "0" * 64 + "/2000")[0] == 400
    assert send(page, "GET", "/out/1/0")[0] == 400
    assert page.alive()


def test_the_job_comes_as_one_file_that_opens(page: RunningPage, tmp_path: Path) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", page.port, timeout=60)
    connection.request("GET", "/job.elbow")
    answer = connection.getresponse()
    assert answer.getheader("content-disposition") == "attachment; filename*=UTF-8''spot.elbow"
    (tmp_path / "copy.elbow").write_bytes(answer.read())
    with SceneFile.open(tmp_path / "copy.elbow") as file:
        assert json.loads(file.scene().model_dump_json())["name"] == "spot"
