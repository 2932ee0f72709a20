"""What an operator can set: variables ``WEIGHBOOK_...``, read once, frozen. Only the app and the command read it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, Self

from service.errors import Fault, InvalidInput

LOG_LEVELS = ("debug", "info", "warning", "error")


@dataclass(frozen=True, slots=True)
class Settings:
    """Every setting with its default.

    ``requests_per_minute`` limits each token (None: no limit). ``cors_origins`` are the origins whose scripts may read
    answers, ``allowed_hosts`` the names under which the service answers (empty: any). ``trusted_proxies`` is the number
    of proxies in front whose ``X-Forwarded-`` fields are believed. ``seed_data`` is the folder of the demo's records;
    None means the one beside the program's source.
    """

    database_url: str = "sqlite:///weighbook.db"
    body_limit_bytes: int = 1024 * 1024
    import_limit_bytes: int = 32 * 1024 * 1024
    requests_per_minute: int | None = None
    cors_origins: tuple[str, ...] = ()
    allowed_hosts: tuple[str, ...] = ()
    trusted_proxies: int = 0
    log_level: str = "info"
    seed_data: str | None = None

    @classmethod
    def from_environment(cls, environ: Mapping[str, str], **overrides: Any) -> Self:
        """Read the settings from ``environ``; an override that is not None beats a variable.

        Raises :class:`InvalidInput` with every variable that cannot be read.

        >>> Settings.from_environment({"WEIGHBOOK_BODY_LIMIT_BYTES": "2048"}, database_url="sqlite:///a.db").body_limit_bytes
        2048
        """
        values: dict[str, Any] = {}
        faults: list[Fault] = []
        for variable, (name, expected, read) in VARIABLES.items():
            given = environ.get(variable, "").strip()
            if not given:
                continue
            try:
                values[name] = read(given)
            except ValueError:
                detail = f"{variable} cannot be read: it takes {expected}"
                faults.append(Fault("bad-setting", detail, received=given, expected=expected, parameter=variable))
        if faults:
            raise InvalidInput(faults)
        values.update({name: value for name, value in overrides.items() if value is not None})
        return cls(**values)


def _whole(least: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        if not text.isascii() or not text.isdigit() or int(text) < least:
            raise ValueError(text)
        return int(text)

    return read


def _several(text: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in text.split(",") if part.strip())


def _level(text: str) -> str:
    if text.lower() not in LOG_LEVELS:
        raise ValueError(text)
    return text.lower()


VARIABLES: Final[Mapping[str, tuple[str, str, Callable[[str], Any]]]] = {
    "WEIGHBOOK_DATABASE_URL": ("database_url", "sqlite:///FILE or postgresql://...", str),
    "WEIGHBOOK_BODY_LIMIT_BYTES": ("body_limit_bytes", "a whole number of bytes from 1024", _whole(1024)),
    "WEIGHBOOK_IMPORT_LIMIT_BYTES": ("import_limit_bytes", "a whole number of bytes from 1024", _whole(1024)),
    "WEIGHBOOK_REQUESTS_PER_MINUTE": ("requests_per_minute", "a whole number from 1", _whole(1)),
    "WEIGHBOOK_CORS_ORIGINS": ("cors_origins", "origins such as https://bench.example, with commas between", _several),
    "WEIGHBOOK_ALLOWED_HOSTS": ("allowed_hosts", "host names with commas between", _several),
    "WEIGHBOOK_TRUSTED_PROXIES": ("trusted_proxies", "a whole number from 0", _whole(0)),
    "WEIGHBOOK_LOG_LEVEL": ("log_level", " or ".join(LOG_LEVELS), _level),
    "WEIGHBOOK_SEED_DATA": ("seed_data", "a folder", str),
}
"""Environment variable to the setting that it gives, what it takes in words, and how it is read."""
