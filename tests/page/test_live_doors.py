"""Who gets into the live page's server, and what they find: tokens, hosts, origins, headers, files."""

from __future__ import annotations

import asyncio
import hmac
import logging

import pytest
from tornado.httpclient import HTTPClientError

from tests.page.live_bench import Bench, bench
from thenar.live.doors import new_tokens, same

NOWHERE = (
    "/",
    "/favicon.ico",
    "/{}",
    "/{}x/",
    "/x{}/",
    "/{}/nothing.js",
    "/{}/../bench.js",
    "/{}/..%2f..%2fetc%2fpasswd",
    "/{}/%2e%2e/%2e%2e/pyproject.toml",
    "/{}//etc/passwd",
    "/{}/bench.js/",
    "/{}/server.py",
    "/{}/__init__.py",
    "/{}/bench.js%00.css",
)


async def shut_out(bench_: Bench, path: str, **headers: str | None) -> int:
    """The status with which a socket is refused before it opens."""
    with pytest.raises(HTTPClientError) as refused:
        await bench_.socket(path, **headers)
    return refused.value.code


def test_the_page_and_its_files_are_served_with_strict_headers() -> None:
    async def look() -> None:
        async with bench() as it:
            for name in ("", "bench.js", "bench.css", "uplot.min.js", "LICENSE.uplot"):
                found = await it.asked(f"GET /{it.token}/{name}")
                assert found.status == 200, name
                assert found.body, name
                assert found.headers["x-content-type-options"] == "nosniff"
                assert found.headers["referrer-policy"] == "no-referrer"
                assert found.headers["cache-control"] == "no-store"
                assert found.headers["x-frame-options"] == "DENY"
                policy = found.headers["content-security-policy"]
                assert "default-src 'none'" in policy
                assert f"script-src {it.origin};" in policy
                assert "unsafe" not in policy
                assert "*" not in policy
                assert "frame-ancestors 'none'" in policy
                assert "tornado" not in str(found.headers).lower()

    asyncio.run(look())


def test_the_page_holds_no_script_or_style_of_its_own() -> None:
    async def look() -> None:
        async with bench() as it:
            for path in (f"/{it.token}/", f"/{it.stop_token}/"):
                page = (await it.asked(f"GET {path}")).body.lower()
                assert "<style" not in page
                assert " style=" not in page
                assert " onclick=" not in page
                assert "http" not in page.replace('<meta http-equiv="', "")
                assert all("src=" in part.split(">")[0] for part in page.split("<script")[1:])

    asyncio.run(look())


def test_wrong_tokens_names_and_paths_get_one_and_the_same_answer() -> None:
    async def look() -> None:
        async with bench() as it:
            answers = [await it.asked(f"GET {path.format(it.token)}") for path in NOWHERE]
            assert {found.status for found in answers} == {404}
            assert len({found.body for found in answers}) == 1
            for method in ("PUT", "DELETE", "OPTIONS", "PATCH"):
                assert (await it.asked(f"{method} /{it.token}/")).status in {404, 405}

    asyncio.run(look())


@pytest.mark.parametrize("host", ["evil.example", "evil.example:{port}", "127.0.0.1", "127.0.0.1:1", "0.0.0.0:{port}"])
def test_a_name_that_was_pointed_at_this_machine_is_refused(host: str) -> None:
    async def look() -> None:
        async with bench() as it:
            wrong = host.format(port=it.port)
            assert (await it.asked(f"GET /{it.token}/", host=wrong)).status == 421
            pressed = await it.asked(f"POST /{it.token}/press", f"Origin: http://{wrong}", host=wrong)
            assert pressed.status == 421
            assert await shut_out(it, f"{it.token}/live", host=wrong, origin=f"http://{wrong}") == 404
            assert it.loop.sent == []

    asyncio.run(look())


def test_localhost_is_the_same_machine() -> None:
    async def look() -> None:
        async with bench() as it:
            assert (await it.asked(f"GET /{it.token}/", host=f"localhost:{it.port}")).status == 200

    asyncio.run(look())


@pytest.mark.parametrize("origin", [None, "null", "http://evil.example", "https://{host}", "http://localhost:{port}"])
def test_a_page_of_another_site_gets_no_socket_and_no_stop(origin: str | None) -> None:
    async def look() -> None:
        async with bench() as it:
            stated = origin.format(host=it.host, port=it.port) if origin else None
            assert await shut_out(it, f"{it.token}/live", origin=stated) == 403
            headers = [f"Origin: {stated}"] if stated else []
            assert (await it.asked(f"POST /{it.token}/press", *headers)).status == 403
            assert it.loop.sent == []

    asyncio.run(look())


def test_the_stop_token_opens_the_stop_door_and_nothing_else() -> None:
    async def look() -> None:
        async with bench() as it:
            assert it.stop_token != it.token
            for name in ("bench.js", "uplot.min.js", "charts.js"):
                assert (await it.asked(f"GET /{it.stop_token}/{name}")).status == 404
            assert await shut_out(it, f"{it.stop_token}/live") == 404
            frame = await it.asked(f"GET /{it.stop_token}/")
            assert frame.status == 200
            assert f"frame-ancestors {it.origin}" in frame.headers["content-security-policy"]
            assert (await it.asked(f"POST /{it.stop_token}/press", "Origin: null")).status == 200
            assert (await it.asked(f"POST /{it.token}/press", f"Origin: {it.origin}")).status == 200
            assert (await it.asked(f"POST /{it.stop_token}/press", "Origin: http://evil.example")).status == 403
            assert (await it.asked("POST /wrong-token-of-some-length/press", "Origin: null")).status == 404
            assert it.loop.did() == ["stop", "stop"]

    asyncio.run(look())


def test_long_headers_and_bodies_are_refused_and_the_server_goes_on() -> None:
    async def look() -> None:
        async with bench() as it:
            assert (await it.asked(f"GET /{it.token}/", "X-Long: " + "a" * 40_000)).status in {0, 400, 431}
            long = await it.asked(f"POST /{it.token}/press", f"Origin: {it.origin}", body="b" * 100_000)
            assert long.status in {0, 400, 413}
            assert (await it.asked(f"GET /{it.token}/")).status == 200
            assert it.loop.sent == []

    asyncio.run(look())


def test_the_server_listens_on_the_loopback_address_only() -> None:
    async def look() -> None:
        async with bench() as it:
            # 127.0.0.2 is this machine too, but another address: a server on all addresses would answer there.
            with pytest.raises(ConnectionRefusedError):
                await asyncio.open_connection("127.0.0.2", it.port)

    asyncio.run(look())


def test_tokens_are_fresh_long_and_compared_in_constant_time(monkeypatch: pytest.MonkeyPatch) -> None:
    tokens = {token for _ in range(50) for token in new_tokens()}
    assert len(tokens) == 100
    assert min(map(len, tokens)) >= 32
    compared = []
    true_compare = hmac.compare_digest
    monkeypatch.setattr(hmac, "compare_digest", lambda a, b: compared.append((a, b)) or true_compare(a, b))
    assert same("abc", "abc")
    assert not same("abd", "abc")
    assert not same("\udcff", "abc")
    assert len(compared) == 3


def test_no_token_is_written_to_a_log(caplog: pytest.LogCaptureFixture) -> None:
    async def look() -> None:
        async with bench() as it:
            await it.asked(f"GET /{it.token}/")
            await it.asked(f"GET /{it.token}/nothing.js")
            await shut_out(it, f"{it.token}/live", origin="http://evil.example")
            assert it.token not in caplog.text

    with caplog.at_level(logging.DEBUG):
        asyncio.run(look())
