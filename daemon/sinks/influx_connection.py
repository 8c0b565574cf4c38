"""The connection to a time-series database that speaks the InfluxDB 2 API; the only door to its client.

Writing and asking are requests of the caller's own thread. What comes back as an error is one of two: the
server answered something other than what was asked for, or it did not answer.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from influxdb_client.client.flux_csv_parser import FluxCsvParserException, FluxQueryException
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from config.sinks import InfluxSink as InfluxSettings

Record = Mapping[str, Any]
"""One row of an answer by the names of its columns; an empty cell is ``None``."""


class Answered(Exception):  # noqa: N818 - says what happened
    """The server answered, and not with what was asked for.

    Attributes
    ----------
    status : int
        HTTP status; 200 where an answer that began well broke off with an error.
    message : str
        What the server says.
    headers : mapping
        Of the answer.
    """

    def __init__(self, status: int, message: str, headers: Mapping[str, str]) -> None:
        super().__init__(f"HTTP {status}" + (f": {message}" if message else ""))
        self.status, self.message, self.headers = status, message, headers


class NoAnswer(Exception):  # noqa: N818 - says what happened
    """Nobody answered, or not to the end; the text says what was seen."""


class InfluxConnection:
    """A connection to one server.

    Parameters
    ----------
    settings : config.sinks.InfluxSink
        Server, organization, bucket, certificates, patience.
    token : str or None
        API token.
    """

    def __init__(self, settings: InfluxSettings, token: str | None) -> None:
        self._settings = settings
        self._client = InfluxDBClient(
            settings.url,
            token or "",
            org=settings.org,
            timeout=round(settings.timeout * 1000),
            enable_gzip=True,
            ssl_ca_cert=settings.ca_file,
            retries=False,
        )
        self._writer = self._client.write_api(write_options=SYNCHRONOUS)

    def close(self) -> None:
        """Let go of the sockets."""
        self._client.close()  # type: ignore[no-untyped-call]  # the library's own

    def write(self, body: str) -> None:
        """Write points, given as line protocol with nanoseconds.

        Raises
        ------
        Answered, NoAnswer
            They were not taken.
        """
        settings = self._settings
        try:
            self._writer.write(settings.bucket, settings.org, body, write_precision="ns")  # type: ignore[arg-type]  # its constants are plain texts
        except ApiException as error:
            raise _answered(error) from error
        except HTTPError as error:
            raise NoAnswer(f"{type(error).__name__}: {error}") from error

    def ask(self, flux: str, values: Mapping[str, object]) -> Iterator[Record]:
        """Ask a question in Flux and yield the rows of the answer, table after table.

        Parameters
        ----------
        flux : str
            The question; holds no value that comes from outside.
        values : mapping
            What the question's free names stand for. They travel beside the text as a syntax tree and are
            never read as Flux.

        Raises
        ------
        Answered, NoAnswer
            At the first row or in the middle of the answer.
        """
        try:
            rows = self._client.query_api().query_stream(flux, params=dict(values))
            for row in rows:
                yield row.values
        except ApiException as error:
            raise _answered(error) from error
        except FluxQueryException as error:  # in the middle of an answer that began with 200
            raise Answered(200, str(error.message), {}) from error
        except (FluxCsvParserException, IndexError, ValueError) as error:
            raise Answered(200, "the answer is no annotated CSV", {}) from error
        except HTTPError as error:
            raise NoAnswer(f"{type(error).__name__}: {error}") from error


def _answered(error: ApiException) -> Answered:
    message = getattr(error, "message", "") or error.reason or ""
    return Answered(error.status or 0, " ".join(str(message).split())[:300], error.headers or {})
