"""Only the browser that was given the address is answered, and only from the server's own pages."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.routing import Route
from starlette.testclient import TestClient
from starlette.websockets import WebSocketDisconnect

from morningmix.page.guard import MOST_BYTES, Guard
from page.made import HOST, ORIGIN, PORT, TOKEN


async def _answer(request: Request) -> PlainTextResponse:
    return PlainTextResponse(f"answered {len(await request.body())}")


@pytest.fixture
def fresh() -> Callable[[], TestClient]:
    app = Starlette(routes=[Route("/", _answer), Route("/change", _answer, methods=["POST"])])
    guarded = Guard(app, port=PORT, token=TOKEN)
    return lambda: TestClient(guarded, base_url=ORIGIN)


@pytest.fixture
def client(fresh: Callable[[], TestClient]) -> TestClient:
    client = fresh()
    client.get(f"/?key={TOKEN}")
    return client


JSON = {"Content-Type": "application/json"}


def test_the_first_address_becomes_a_cookie_that_no_script_and_no_other_site_gets(
    fresh: Callable[[], TestClient],
) -> None:
    client = fresh()
    answer = client.get(f"/?key={TOKEN}", follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith(f"morningmix-{PORT}=")
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert TOKEN not in cookie
    assert client.get("/").text == "answered 0"


@pytest.mark.parametrize("query", ["", "?key=", "?key=wrong", f"?key={TOKEN}x", f"?key={TOKEN}&key={TOKEN}", "?k=1"])
def test_a_wrong_token_opens_nothing(query: str, fresh: Callable[[], TestClient]) -> None:
    answer = fresh().get(f"/{query}")
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers
    assert "answered" not in answer.text


@pytest.mark.parametrize("cookie", ["", "wrong", TOKEN])
def test_a_wrong_cookie_is_refused(cookie: str, fresh: Callable[[], TestClient]) -> None:
    client = fresh()
    client.cookies.set(f"morningmix-{PORT}", cookie)
    assert client.get("/").status_code == 403
    assert client.post("/change", content="{}", headers={**JSON, "Origin": ORIGIN}).status_code == 403


@pytest.mark.parametrize(
    "host", ["evil.example", f"evil.example:{PORT}", "127.0.0.1", f"localhost:{PORT}", "127.0.0.1:1"]
)
def test_a_name_that_only_points_here_is_refused(host: str, client: TestClient) -> None:
    assert client.get("/", headers={"Host": host}).status_code == 403
    assert client.get(f"/?key={TOKEN}", headers={"Host": host}, follow_redirects=False).status_code == 403


@pytest.mark.parametrize("origin", ["http://evil.example", "null", f"https://{HOST}", f"http://localhost:{PORT}", ""])
def test_what_another_page_sends_is_refused(origin: str, client: TestClient) -> None:
    assert client.post("/change", content="{}", headers={**JSON, "Origin": origin}).status_code == 403
    assert client.get("/", headers={"Origin": origin}).status_code == 403


def test_a_change_must_say_where_it_comes_from(client: TestClient) -> None:
    assert client.post("/change", content="{}", headers=JSON).status_code == 403
    assert client.post("/change", content="{}", headers={**JSON, "Origin": ORIGIN}).text == "answered 2"


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_pictures_and_scripts_of_other_sites_get_nothing(site: str, client: TestClient) -> None:
    assert client.get("/", headers={"Sec-Fetch-Site": site}).status_code == 403
    assert client.get("/", headers={"Sec-Fetch-Site": "same-origin"}).status_code == 200


@pytest.mark.parametrize("kind", ["application/x-www-form-urlencoded", "multipart/form-data", "text/plain", ""])
def test_a_form_changes_nothing(kind: str, client: TestClient) -> None:
    headers = {"Content-Type": kind, "Origin": ORIGIN}
    assert client.post("/change", content="role=bass", headers=headers).status_code == 415


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_nothing_but_reading_and_changing(method: str, client: TestClient) -> None:
    assert client.request(method, "/change", headers={"Origin": ORIGIN}).status_code == 405


def test_a_body_without_end_is_refused(client: TestClient) -> None:
    headers = {**JSON, "Origin": ORIGIN}
    assert client.post("/change", content=b"x" * MOST_BYTES, headers=headers).status_code == 200
    assert client.post("/change", content=b"x" * (MOST_BYTES + 1), headers=headers).status_code == 413
    assert client.post("/change", content=b"x", headers={**headers, "Content-Length": "-1"}).status_code == 413


def test_what_goes_out_may_load_only_what_comes_from_here(client: TestClient) -> None:
    for answer in (client.get("/"), client.get("/?key=wrong")):
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "script-src 'self';" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert answer.headers["x-content-type-options"] == "nosniff"
        assert answer.headers["referrer-policy"] == "no-referrer"
        assert "access-control-allow-origin" not in answer.headers


def test_sockets_are_closed(client: TestClient) -> None:
    with pytest.raises(WebSocketDisconnect) as closed, client.websocket_connect("/"):
        pass
    assert closed.value.code == 1008
