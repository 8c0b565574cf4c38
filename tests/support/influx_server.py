"""A server that speaks the InfluxDB 2 write and query API as its reference describes it.

After the reference "InfluxDB OSS v2 API, POST /api/v2/write": token in ``Authorization: Token``, org and
bucket as parameters, gzip bodies, 204 for success, errors as JSON with ``code`` and ``message``; a partial
write is 400: valid points are stored, those whose field has another type than before are not. Questions
after "POST /api/v2/query": JSON with ``query``, ``extern`` and ``dialect``, answered by annotated CSV; the
Flux in them is run by ``tests.support.flux``.
"""

from __future__ import annotations

import asyncio
import contextlib
import gzip
import json
import re
import threading
from collections.abc import AsyncIterator, Iterator
from urllib.parse import parse_qs, urlsplit

from tests.support.flux import FluxError, annotated_csv, externs, run

_SPACE = re.compile(r"(?<!\\) ")
_COMMA = re.compile(r"(?<!\\),")
_FIELD = re.compile(r'((?:\\.|[^=,\\])+)=("(?:\\.|[^"\\])*"|[^,]+)(?:,|$)')


def parse_line(line: str) -> tuple[str, dict[str, float | int | str], int]:
    """Series, fields and time of a line; raises ``ValueError`` for what is none."""
    match = re.fullmatch(r"((?:\\.|[^ \\])+) (.+) (-?\d+)", line)
    if match is None:
        raise ValueError(f"unable to parse '{line}'")
    fields: dict[str, float | int | str] = {}
    at = 0
    while at < len(match[2]):
        found = _FIELD.match(match[2], at)
        if found is None:
            raise ValueError(f"unable to parse '{line}': invalid field format")
        text = found[2]
        if text.startswith('"'):
            fields[found[1]] = text[1:-1].replace('\\"', '"').replace("\\\\", "\\")
        elif text.endswith("i"):
            fields[found[1]] = int(text[:-1])
        else:
            fields[found[1]] = float(text)
        at = found.end()
    return match[1], fields, int(match[3])


class InfluxServer:
    """Points by series and time; ``answers`` are given first, one a request, as status and headers."""

    def __init__(self, *, token: str = "t0ken", org: str = "gas", bucket: str = "teg") -> None:
        self.token, self.org, self.bucket = token, org, bucket
        self.answers: list[tuple[int, dict[str, str]]] = []
        self.points: dict[tuple[str, int], dict[str, float | int | str]] = {}
        self.types: dict[tuple[str, str], type] = {}
        self.refuse = re.compile(r"(?!)")
        self.largest = 1 << 30
        self.requests = 0
        self.questions: list[str] = []
        self.breaks_off = ""
        self.port = 0

    def answer(self, target: str, headers: dict[str, str], body: bytes) -> tuple[int, dict[str, str], str]:
        self.requests += 1
        if self.answers:
            status, extra = self.answers.pop(0)
            return status, extra, "as told"
        url = urlsplit(target)
        asked = {name: values[0] for name, values in parse_qs(url.query).items()}
        if url.path == "/api/v2/query":
            return self._query(asked, headers, body)
        if url.path != "/api/v2/write" or asked.get("precision") != "ns":
            return 404, {}, "path not found"
        if headers.get("authorization") != f"Token {self.token}":
            return 401, {}, "unauthorized access"
        if asked.get("org") != self.org:
            return 404, {}, f'organization name "{asked.get("org")}" not found'
        if asked.get("bucket") != self.bucket:
            return 404, {}, f'bucket "{asked.get("bucket")}" not found'
        if headers.get("content-encoding") == "gzip":
            body = gzip.decompress(body)
        if len(body) > self.largest:
            return 413, {}, "unable to read data: points batch is too large"
        return self._write(body.decode())

    def _query(
        self, asked: dict[str, str], headers: dict[str, str], body: bytes
    ) -> tuple[int, dict[str, str], str]:
        if headers.get("authorization") != f"Token {self.token}":
            return 401, {}, "unauthorized access"
        if asked.get("org") != self.org:
            return 404, {}, f'organization name "{asked.get("org")}" not found'
        if headers.get("content-encoding") == "gzip":
            body = gzip.decompress(body)
        question = json.loads(body)
        self.questions.append(question["query"])
        assert set(question["dialect"]["annotations"]) == {"datatype", "group", "default"}
        try:
            results = run(
                question["query"], externs(question.get("extern") or {}), {self.bucket: self.points}
            )
        except FluxError as error:
            return error.status, {}, str(error)
        return 200, {}, annotated_csv(results, self.breaks_off)

    def _write(self, text: str) -> tuple[int, dict[str, str], str]:
        complaint = ""
        try:
            parsed = [(line, *parse_line(line)) for line in text.split("\n")]
        except ValueError as error:
            return 400, {}, str(error)
        for line, series, fields, time in parsed:
            measurement = _COMMA.split(series)[0]
            types = {(measurement, name): type(value) for name, value in fields.items()}
            if self.refuse.search(line) or any(
                self.types.get(key, kind) is not kind for key, kind in types.items()
            ):
                complaint = f"partial write: field type conflict: input field on {series}"
                continue
            self.types |= types
            self.points[series, time] = {**self.points.get((series, time), {}), **fields}
        return (400, {}, complaint) if complaint else (204, {}, "")

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            while True:
                head = (await reader.readuntil(b"\r\n\r\n")).decode().split("\r\n")
                headers = {k.lower(): v for k, _, v in (line.partition(": ") for line in head[1:]) if k}
                body = await reader.readexactly(int(headers.get("content-length", "0")))
                status, extra, message = self.answer(head[0].split()[1], headers, body)
                codes = {400: "invalid", 401: "unauthorized", 404: "not found", 413: "request too large"}
                kind, said = "application/json", b""
                if status == 200:
                    kind, said = "text/csv; charset=utf-8", message.encode()
                elif status != 204:
                    code = codes.get(status, "internal error")
                    said = json.dumps({"code": code, "message": message}).encode()
                lines = [
                    f"HTTP/1.1 {status} x",
                    f"content-length: {len(said)}",
                    f"content-type: {kind}",
                ]
                lines += [f"{name}: {value}" for name, value in extra.items()]
                writer.write("\r\n".join([*lines, "", ""]).encode() + said)
                await writer.drain()
        writer.close()


@contextlib.asynccontextmanager
async def influx_server() -> AsyncIterator[InfluxServer]:
    made = InfluxServer()
    tasks: set[asyncio.Task[None]] = set()

    async def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        tasks.add(task)
        try:
            await made.serve(reader, writer)
        except asyncio.CancelledError:
            writer.close()  # asyncio's server would report a cancelled handler as an error

    server = await asyncio.start_server(connected, "127.0.0.1", 0)
    made.port = server.sockets[0].getsockname()[1]
    try:
        yield made
    finally:
        server.close()
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


@contextlib.contextmanager
def influx_server_in_a_thread() -> Iterator[InfluxServer]:
    """The same for tests that wait for its answers themselves."""
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever)
    thread.start()
    context = influx_server()
    try:
        yield asyncio.run_coroutine_threadsafe(context.__aenter__(), loop).result(10)
    finally:
        asyncio.run_coroutine_threadsafe(context.__aexit__(None, None, None), loop).result(10)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10)
        loop.close()
