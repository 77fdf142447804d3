"""A private PostgreSQL server for the tests: own folder, own socket, no network, no rights."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

USER = "evenidle"


def find_programs() -> Path | None:
    """Folder of initdb and postgres: on the path, or where Debian puts them, newest first."""
    on_path = shutil.which("initdb")
    if on_path and shutil.which("postgres"):
        return Path(on_path).resolve().parent
    found = Path("/usr/lib/postgresql").glob("*/bin/initdb")
    newest = sorted(found, key=lambda p: float(p.parts[-3]))
    return newest[-1].parent if newest else None


def programs() -> Path:
    """Folder of the programs; whoever asks for these tests must have them."""
    found = find_programs()
    if found is None:
        pytest.fail("PostgreSQL's programs are not installed (Debian: apt-get install postgresql)")
    return found


def unprivileged_user() -> str | None:
    """Whom to run the server as: PostgreSQL refuses root; None is whoever runs the tests."""
    import pwd  # here and below: Windows has no such module, and collects this file too

    if os.geteuid() != 0:
        return None
    names = {entry.pw_name for entry in pwd.getpwall()}
    return "postgres" if "postgres" in names else "nobody"


def group_of(user: str | None) -> int | None:
    """Number of a user's own group."""
    import pwd

    return None if user is None else pwd.getpwnam(user).pw_gid


def run_as(user: str | None, command: list[str], log: Path) -> subprocess.Popen[bytes]:
    """Start a program as another user, its output in a file."""
    group = group_of(user)
    extra: list[int] | None = None if user is None else []
    with log.open("ab") as out:
        return subprocess.Popen(command, stdout=out, stderr=out, user=user, group=group, extra_groups=extra)


def wait_until_ready(server: subprocess.Popen[bytes], bin_folder: Path, folder: Path) -> None:
    """Wait until it answers; its own log is the message if it does not."""
    asked = [str(bin_folder / "pg_isready"), "-q", "-h", str(folder), "-d", "postgres"]
    for _ in range(600):
        if subprocess.run(asked, check=False).returncode == 0:
            return
        if server.poll() is not None:
            break
        time.sleep(0.1)
    pytest.fail((folder / "log").read_text("utf-8", "replace"))


@contextmanager
def private_server() -> Iterator[Path]:
    """Run a server for the `with` block; gives the folder of its socket."""
    bin_folder = programs()
    user = unprivileged_user()
    # Not pytest's folder, which only its owner may enter; and a socket's path must be short.
    folder = Path(tempfile.mkdtemp(prefix="pg-"))
    if user is not None:
        shutil.chown(folder, user, group_of(user))
    log = folder / "log"
    log.touch()
    data = folder / "data"
    initdb = [str(bin_folder / "initdb"), "-D", str(data), "-U", USER, "-A", "trust", "-N"]
    try:
        assert run_as(user, initdb, log).wait(120) == 0, log.read_text("utf-8")
        options = ["-c", "listen_addresses=", "-c", f"unix_socket_directories={folder}"]
        server = run_as(user, [str(bin_folder / "postgres"), "-D", str(data), *options], log)
        try:
            wait_until_ready(server, bin_folder, folder)
            yield folder
        finally:
            server.send_signal(signal.SIGINT)  # 'fast': it does not wait for its clients
            server.wait(60)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def make_database(folder: Path, name: str) -> str:
    """Make an empty database and return its URL."""
    import psycopg

    with psycopg.connect(host=str(folder), user=USER, dbname="postgres", autocommit=True) as link:
        link.execute(f"CREATE DATABASE {name}".encode())
    return f"postgresql://{USER}@/{name}?host={folder}"
