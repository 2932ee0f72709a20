"""Settings from the environment: every one documented by its default, every slip named."""

from __future__ import annotations

from dataclasses import fields

import pytest

from service.errors import InvalidInput
from service.settings import VARIABLES, Settings

PREFIX = "WEIGHBOOK_"


def test_every_setting_is_read_from_its_variable() -> None:
    given = {
        "DATABASE_URL": "sqlite:///x.db", "BODY_LIMIT_BYTES": "2048", "IMPORT_LIMIT_BYTES": "4096",
        "REQUESTS_PER_MINUTE": "60", "CORS_ORIGINS": "https://a.example, https://b.example",
        "ALLOWED_HOSTS": "book.example", "TRUSTED_PROXIES": "1", "LOG_LEVEL": "Debug", "SEED_DATA": "seeds",
    }  # fmt: skip
    assert {name.lower() for name in given} == {setting.name for setting in fields(Settings)}
    assert {PREFIX + name for name in given} == VARIABLES.keys()
    assert Settings.from_environment({PREFIX + name: value for name, value in given.items()}) == Settings(
        database_url="sqlite:///x.db",
        body_limit_bytes=2048,
        import_limit_bytes=4096,
        requests_per_minute=60,
        cors_origins=("https://a.example", "https://b.example"),
        allowed_hosts=("book.example",),
        trusted_proxies=1,
        log_level="debug",
        seed_data="seeds",
    )


def test_an_option_beats_a_variable_and_a_variable_the_default() -> None:
    environ = {PREFIX + "DATABASE_URL": "sqlite:///a.db", PREFIX + "LOG_LEVEL": ""}
    assert Settings.from_environment(environ).database_url == "sqlite:///a.db"
    assert Settings.from_environment(environ, database_url=None).database_url == "sqlite:///a.db"
    assert Settings.from_environment(environ, database_url="sqlite:///b.db").database_url == "sqlite:///b.db"
    assert Settings.from_environment(environ).log_level == "info"


def test_every_slip_is_named() -> None:
    environ = {"BODY_LIMIT_BYTES": "1 MiB", "REQUESTS_PER_MINUTE": "0", "LOG_LEVEL": "loud", "TRUSTED_PROXIES": "-1"}
    with pytest.raises(InvalidInput) as caught:
        Settings.from_environment({PREFIX + name: value for name, value in environ.items()})
    assert {fault.parameter for fault in caught.value.faults} == {PREFIX + name for name in environ}
