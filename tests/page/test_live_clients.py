"""Several pages at once, and pages that misbehave: the loop and the other pages notice nothing."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket as plain_socket

import pytest
from tornado.iostream import StreamClosedError

from tests.page.live_bench import Bench, bench, heard, poured, until, until_shut
from tests.waiting import LONG_S
from thenar.live import sockets
from thenar.live.heard import BURST, Allowance
from thenar.live.outbox import ROW_BYTES
from thenar.live.sockets import MOST_NONSENSE, MOST_OVER, MOST_PAGES

ABOUT = {"is": "about", "title": "a graver's hold"}
GARBAGE: tuple[str | bytes, ...] = ("", "{", "null", "[" * 4000, '{"do":"set"}', b"\x00\xff", '{"do":"load"}', "stop")


def rows(first: int, count: int = 4) -> dict[str, object]:
    return {"is": "rows", "from": first, "columns": {"t_us": list(range(first, first + count))}}


def test_two_pages_hear_the_same_and_both_reach_the_loop() -> None:
    async def look() -> None:
        async with bench() as it:
            one, two = await it.page(), await it.page()
            it.loop.say(ABOUT, rows(0), {"is": "event", "kind": "trip"})
            assert await heard(one, "about") == await heard(two, "about") == ABOUT
            assert await heard(one, "rows") == await heard(two, "rows") == rows(0)
            await one.write_message('{"do":"keep"}')
            await two.write_message('{"do":"next"}')
            await until(lambda: len(it.loop.sent) == 2)
            assert sorted(it.loop.did()) == ["keep", "next"]

    asyncio.run(look())


def test_a_refusal_reaches_only_the_page_that_asked() -> None:
    async def look() -> None:
        async with bench() as it:
            one, two = await it.page(), await it.page()
            await one.write_message("garbage")
            assert "JSON" in (await heard(one, "refused"))["why"]
            # The loop's own refusal goes back by the name that the message carried.
            await one.write_message('{"do":"set","key":"no.such","value":1}')
            await until(lambda: it.loop.sent)
            it.loop.say({"is": "refused", "why": "no such key", "ref": it.loop.sent[0]["ref"]}, ABOUT)
            assert await heard(one, "refused") == {"is": "refused", "why": "no such key"}
            # What page two hears first is what came after.
            assert json.loads(str(await two.read_message())) == ABOUT

    asyncio.run(look())


def test_a_page_that_comes_later_is_told_what_the_others_know() -> None:
    async def look() -> None:
        async with bench() as it:
            early = await it.page()
            it.loop.say(ABOUT, rows(0), {"is": "state", "pace": 1}, rows(4), {"is": "state", "pace": 2})
            while (await heard(early, "state"))["pace"] != 2:
                pass
            late = await it.page()
            told = [json.loads(str(await late.read_message())) for _ in range(4)]
            assert told == [ABOUT, rows(0), rows(4), {"is": "state", "pace": 2}]

    asyncio.run(look())


def test_a_page_that_vanishes_leaves_the_others_alone() -> None:
    async def look() -> None:
        async with bench() as it:
            stays, goes = await it.page(), await it.page()
            it.loop.say(ABOUT)
            await heard(goes, "about")
            stream = goes.protocol.stream
            # Sent as a reset: nothing is said before the line goes dead.
            stream.socket.setsockopt(plain_socket.SOL_SOCKET, plain_socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
            stream.close()
            for number in range(50):
                it.loop.say(rows(number))
                await asyncio.sleep(0.002)
            it.loop.say({"is": "event", "kind": "last"})
            assert (await heard(stays, "event"))["kind"] == "last"
            assert it.loop.sent == []

    asyncio.run(look())


def test_a_page_that_does_not_read_costs_the_others_nothing_and_is_told_what_it_missed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(sockets, "PATIENCE_S", LONG_S)

    async def look() -> None:
        async with bench() as it:
            quick = await it.page()
            slow = await stalled(it)
            sent, size = 0, len(json.dumps(rows(10**6, 8000)))
            # As much again as one page may have waiting, and what the system itself holds on the way.
            while sent * size < 2 * ROW_BYTES:
                it.loop.say(rows(10**6 + sent, 8000))
                found = await heard(quick, "rows")
                assert found["from"] == 10**6 + sent
                sent += 1
            await slow.go_on()
            left_out, got = 0, 0
            while left_out + got < sent * 8000:
                message = await slow.message()
                left_out += message["rows"] if message["is"] == "left-out" else 0
                got += len(message["columns"]["t_us"]) if message["is"] == "rows" else 0
            assert left_out > 0
            assert left_out + got == sent * 8000

    asyncio.run(look())


class Stalled:
    """A page written by hand that doesn't read until it is told to."""

    def __init__(self, sock: plain_socket.socket) -> None:
        self._sock = sock

    async def go_on(self) -> None:
        self._reader, self._writer = await asyncio.open_connection(sock=self._sock)
        await self._reader.readuntil(b"\r\n\r\n")

    async def message(self) -> dict[str, object]:
        """The next message; an unmasked frame of the server."""
        async with asyncio.timeout(LONG_S):
            while True:
                first, size = await self._reader.readexactly(2)
                if size == 126:
                    size = int.from_bytes(await self._reader.readexactly(2))
                elif size == 127:
                    size = int.from_bytes(await self._reader.readexactly(8))
                content = await self._reader.readexactly(size)
                if first & 15 == 1:
                    found: dict[str, object] = json.loads(content)
                    return found


async def stalled(it: Bench) -> Stalled:
    sock = plain_socket.socket()
    sock.setsockopt(plain_socket.SOL_SOCKET, plain_socket.SO_RCVBUF, 65_536)
    sock.setblocking(False)
    loop = asyncio.get_running_loop()
    await loop.sock_connect(sock, ("127.0.0.1", it.port))
    lines = [
        f"GET /{it.token}/live HTTP/1.1", f"Host: {it.host}", f"Origin: {it.origin}", "Upgrade: websocket",
        "Connection: Upgrade", "Sec-WebSocket-Version: 13", "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==", "", "",
    ]  # fmt: skip
    await loop.sock_sendall(sock, "\r\n".join(lines).encode())
    # Answered: from now on it counts as a page.
    async with asyncio.timeout(LONG_S):
        while True:
            with contextlib.suppress(BlockingIOError):
                if sock.recv(12, plain_socket.MSG_PEEK) == b"HTTP/1.1 101":
                    return Stalled(sock)
            await asyncio.sleep(0.005)


def test_garbage_is_refused_in_words_and_in_the_end_shut_out() -> None:
    async def look() -> None:
        async with bench() as it:
            good, bad = await it.page(), await it.page()
            for piece in GARBAGE:
                await bad.write_message(piece, binary=isinstance(piece, bytes))
                assert (await heard(bad, "refused"))["why"]
            await poured(bad, "more of it", MOST_NONSENSE)
            assert await until_shut(bad) == (1008, "too many messages that make no sense")
            it.loop.say(ABOUT)
            assert await heard(good, "about") == ABOUT
            assert it.loop.sent == []

    asyncio.run(look())


def test_bytes_that_are_no_frames_are_dropped() -> None:
    async def look() -> None:
        async with bench() as it:
            good = await it.page()
            for junk in (os.urandom(2000), b"\xff" * 300, b"GET / HTTP/1.1\r\n\r\n"):
                bad = await it.page()
                with contextlib.suppress(StreamClosedError):
                    await bad.protocol.stream.write(junk)
                await until_shut(bad)
            raw_reader, raw_writer = await asyncio.open_connection("127.0.0.1", it.port)
            raw_writer.write(os.urandom(3000) + b"\r\n\r\n")
            with contextlib.suppress(ConnectionError):
                await asyncio.wait_for(raw_reader.read(), LONG_S)
            raw_writer.close()
            it.loop.say(ABOUT)
            assert await heard(good, "about") == ABOUT

    asyncio.run(look())


def test_a_message_of_a_megabyte_shuts_the_socket() -> None:
    async def look() -> None:
        async with bench() as it:
            bad = await it.page()
            await poured(bad, "x" * 1_000_000, 1)
            code, _ = await until_shut(bad)
            # None: what was still on the way when the server shut it swallowed the last words.
            assert code in {1009, None}
            assert it.loop.sent == []

    asyncio.run(look())


def test_a_flood_is_cut_down_told_and_shut_but_a_stop_gets_through(monkeypatch: pytest.MonkeyPatch) -> None:
    # Time stands still: how much more a page may say the longer it takes is test_live_heard's matter.
    monkeypatch.setattr(sockets, "Allowance", lambda: Allowance(lambda: 0.0))

    async def look() -> None:
        async with bench() as it:
            flood = await it.page()
            await poured(flood, '{"do":"keep"}', BURST + MOST_OVER // 2)
            assert "too many" in (await heard(flood, "refused"))["why"]
            await flood.write_message('{"do":"stop"}')
            await until(lambda: "stop" in it.loop.did())
            assert it.loop.did().count("keep") == BURST
            await poured(flood, '{"do":"keep"}', MOST_OVER)
            assert await until_shut(flood) == (1008, "too many messages")

    asyncio.run(look())


def test_only_so_many_pages_are_open_and_the_stop_control_needs_none_of_them() -> None:
    async def look() -> None:
        async with bench() as it:
            pages = [await it.page() for _ in range(MOST_PAGES)]
            assert await until_shut(await it.page()) == (1013, f"{MOST_PAGES} pages are open already")
            stop = await it.socket(f"{it.stop_token}/stop-live", origin="null")
            await stop.write_message('{"do":"stop"}')
            await until(lambda: it.loop.did() == ["stop"])
            it.loop.say(ABOUT)
            assert await heard(pages[1], "about") == ABOUT
            pages[0].close()
            async with asyncio.timeout(LONG_S):
                while await (await it.page()).read_message() is None:
                    pass  # the server has not seen yet that one is gone

    asyncio.run(look())


def test_the_stop_control_hears_only_whether_the_loop_is_latched_and_can_do_nothing_else() -> None:
    async def look() -> None:
        async with bench() as it:
            stop = await it.socket(f"{it.stop_token}/stop-live", origin="null")
            it.loop.say(ABOUT, rows(0), {"is": "state", "latched": True, "cause": "R33", "more": 1})
            assert json.loads(str(await stop.read_message())) == {
                "is": "loop", "latched": True, "cause": "R33",
            }  # fmt: skip
            await stop.write_message('{"do":"next"}')
            assert "nothing else" in (await heard(stop, "refused"))["why"]
            assert it.loop.sent == []

    asyncio.run(look())


def test_when_the_loop_ends_its_last_words_arrive_and_the_sockets_are_shut() -> None:
    async def look() -> None:
        async with bench() as it:
            page = await it.page()
            it.loop.say({"is": "ended", "why": "the law's file went away"})
            assert (await heard(page, "ended"))["why"] == "the law's file went away"
            assert await until_shut(page) == (1001, "the loop has ended")

    asyncio.run(look())
