"""A server that speaks the InfluxDB 2 write API as its reference describes it, for what goes wrong there.

After the reference "InfluxDB OSS v2 API, POST /api/v2/write": token in ``Authorization: Token``, org and
bucket as parameters, gzip bodies, 204 for success, errors as JSON with ``code`` and ``message``; a partial
write is 400: valid points are stored, those whose field has another type than before are not.
"""

from __future__ import annotations

import asyncio
import contextlib
import gzip
import json
import re
from collections.abc import AsyncIterator
from urllib.parse import parse_qs, urlsplit

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
        self.port = 0

    def answer(self, target: str, headers: dict[str, str], body: bytes) -> tuple[int, dict[str, str], str]:
        self.requests += 1
        if self.answers:
            status, extra = self.answers.pop(0)
            return status, extra, "as told"
        url = urlsplit(target)
        asked = {name: values[0] for name, values in parse_qs(url.query).items()}
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
                said = b"" if status == 204 else json.dumps(
                    {"code": codes.get(status, "internal error"), "message": message}
                ).encode()  # fmt: skip
                lines = [
                    f"HTTP/1.1 {status} x",
                    f"content-length: {len(said)}",
                    "content-type: application/json",
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
