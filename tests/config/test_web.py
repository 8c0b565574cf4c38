"""The ``[web]`` table: nothing without it, loopback by default, encryption beyond."""

from __future__ import annotations

from pathlib import Path

import pytest

from config.errors import ConfigError
from config.loader import parse_site

SITE = (Path(__file__).parent / "site_ok.toml").read_text()


def test_without_the_table_there_is_no_listener() -> None:
    assert parse_site(SITE, "site.toml").web is None


def test_an_empty_table_listens_on_this_box_only() -> None:
    web = parse_site(SITE + "\n[web]\n", "site.toml").web
    assert web is not None
    assert (web.host, web.port, web.tls, web.loopback) == ("127.0.0.1", 8321, None, True)
    # OWASP ASVS 5.0 7.3 leaves the times to the site; these are the ones documented here.
    assert (web.session_idle, web.session_absolute) == (900.0, 43_200.0)


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "10.1.2.3"])
def test_beyond_this_box_it_needs_encryption(host: str) -> None:
    with pytest.raises(ConfigError, match=r"site.toml:\d+: web: would send passwords .* add \[web.tls\]"):
        parse_site(f'{SITE}\n[web]\nhost = "{host}"\n', "site.toml")
    files = 'certificate_file = "box.pem"\nkey_file = "box.key"\n'
    web = parse_site(f'{SITE}\n[web]\nhost = "{host}"\n[web.tls]\n{files}', "site.toml").web
    assert web is not None
    assert not web.loopback


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('host = "plant.example"', "no IP address"),
        ("port = 0", "greater than or equal to 1"),
        ("port = 8321.5", "web.port"),
        ("session_idle = 900", "has no unit"),
        ('session_idle = "1 s"', "greater than or equal to 60"),
        ("max_streems = 3", "did you mean max_streams"),
    ],
)
def test_mistakes_are_named_with_line_and_fix(line: str, said: str) -> None:
    with pytest.raises(ConfigError, match=said) as caught:
        parse_site(f"{SITE}\n[web]\n{line}\n", "site.toml")
    assert caught.value.problems[0].line == SITE.count("\n") + 3
