"""Where a study is kept: in memory, in a journal file, in SQLite or in PostgreSQL."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from sim.errors import EvenidleError, InputError
from sim.files import one_problem
from tuning.studies.journal import open_journal

if TYPE_CHECKING:
    from optuna.storages import BaseStorage
    from sqlalchemy.engine import URL, Connection, Engine

ALLOWED = (
    "allowed: journal:PATH or a path ending in .journal or .log, sqlite:///PATH, "
    "postgresql://USER@HOST/DATABASE"
)
_CONNECT_S = 10
_ATTEMPTS = 6


@dataclass(frozen=True)
class Place:
    """An open storage, how it may be shown (without a password), and what closes it."""

    storage: BaseStorage
    shown: str
    close: Callable[[], None]


def open_storage(storage: str | Path | None) -> Place:
    """Open the place that keeps studies, and make it if it is a file not there yet.

    Parameters
    ----------
    storage : str, Path or None
        As ``ALLOWED`` tells; None keeps studies in memory only.

    Returns
    -------
    Place

    Raises
    ------
    InputError
        If the text is none of these, the driver is missing, or the place cannot be reached.
    """
    if storage is None:
        from optuna.storages import InMemoryStorage

        return Place(InMemoryStorage(), "memory", lambda: None)
    text = str(storage)
    if re.match(r"[a-z0-9+_]+://", text, re.IGNORECASE):
        return _open_database(text)
    path = Path(text.removeprefix("journal:"))
    if path.name and (text.startswith("journal:") or path.suffix in (".journal", ".log")):
        return Place(open_journal(path), str(path), lambda: None)
    raise unusable(text or "''", f"is no place for a study; {ALLOWED}")


def unusable(shown: str, message: str, key: str = "storage") -> InputError:
    """Return the error that says why a place or a study cannot be used."""
    return one_problem(shown, 1, key, message)


def _open_database(text: str) -> Place:
    from sqlalchemy.exc import SQLAlchemyError

    url, options = _database_url(text)
    shown = url.render_as_string(hide_password=True)
    for attempt in range(1, _ATTEMPTS + 1):
        try:
            return _connect(url, options, shown)
        except ImportError:
            raise unusable(shown, 'needs the package psycopg: pip install "evenidle[postgres]"') from None
        except (SQLAlchemyError, RuntimeError, AssertionError) as error:
            if attempt == _ATTEMPTS or not _is_made_by_another(error):
                told = f"cannot be reached or used ({_first_line(error)}); check address, rights and server"
                raise unusable(shown, told) from None
            time.sleep(0.1 * attempt)
    raise AssertionError("the last attempt returns or raises")


def _database_url(text: str) -> tuple[URL, dict[str, Any]]:
    """Return the checked URL and the engine options that go with it."""
    from sqlalchemy.engine import make_url
    from sqlalchemy.exc import ArgumentError

    safe = re.sub(r"(://[^:@/]*:)[^@]*@", r"\1***@", text)
    try:
        url = make_url(text)
    except (ArgumentError, ValueError):
        raise unusable(safe, f"is not a URL that can be read; {ALLOWED}") from None
    kind = url.get_backend_name()
    if kind == "postgres":  # the older name of the same thing
        url, kind = url.set(drivername="postgresql"), "postgresql"
    if kind == "sqlite":
        return _sqlite_url(url), {"connect_args": {"timeout": 60, "isolation_level": None}}
    if kind == "postgresql" and url.drivername in ("postgresql", "postgresql+psycopg"):
        options = {"connect_args": {"connect_timeout": _CONNECT_S}, "pool_pre_ping": True}
        return url.set(drivername="postgresql+psycopg"), options
    raise unusable(safe, f"{url.drivername} is not supported; {ALLOWED}")


def _sqlite_url(url: URL) -> URL:
    shown = url.render_as_string()
    if not url.database or url.database == ":memory:":
        raise unusable(shown, "names no file; write sqlite:///PATH")
    folder = Path(url.database).parent
    if not folder.is_dir():
        raise unusable(shown, f"its folder {folder} does not exist; make it first")
    return url


def _connect(url: URL, options: dict[str, Any], shown: str) -> Place:
    from optuna.storages import RDBStorage, get_storage
    from sqlalchemy import create_engine

    # optuna leaves its connections open when its own opening fails, so look with one of ours.
    probe = create_engine(url, **options)
    try:
        probe.connect().close()
    finally:
        probe.dispose()
    rows = RDBStorage(url.render_as_string(hide_password=False), engine_kwargs=options)
    if url.get_backend_name() == "sqlite":
        _one_at_a_time(rows.engine)
    return Place(get_storage(rows), shown, rows.engine.dispose)


def _one_at_a_time(engine: Engine) -> None:
    """Let no other write between what a transaction reads and what it writes.

    SQLite has no lock of single rows: two processes both found a trial waiting and both took it.
    Source: SQLAlchemy's documentation of its SQLite dialect, on transactions.
    """
    from sqlalchemy import event

    def begin(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE")

    event.listen(engine, "begin", begin)


def _is_made_by_another(error: Exception) -> bool:
    """Two that find an empty database both make the tables: one fails, or meets them half made."""
    from sqlalchemy.exc import IntegrityError, SQLAlchemyError

    half_made = not isinstance(error, SQLAlchemyError)
    return half_made or isinstance(error, IntegrityError) or "already exists" in str(error)


def _first_line(error: BaseException) -> str:
    told = getattr(error, "orig", None) or error
    lines = str(told).strip().splitlines()
    return lines[0].strip() if lines else type(told).__name__


@contextmanager
def storage_errors(shown: str) -> Iterator[None]:
    """Turn what a storage raises when it is lost in mid-search into an error with advice."""
    from optuna.exceptions import StorageInternalError
    from sqlalchemy.exc import SQLAlchemyError

    try:
        yield
    except (StorageInternalError, SQLAlchemyError, OSError, json.JSONDecodeError) as error:
        told = _first_line(error.__cause__ or error)
        raise EvenidleError(
            f"{shown}: the study's storage was lost ({told}); finished trials are kept: see to the "
            "storage, then run again with --resume"
        ) from error
