"""A real PostgreSQL of our own: made in a temporary folder, killed and started again at will, gone afterwards."""

from __future__ import annotations

import contextlib
import os
import pwd
import random
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any

_DEBIAN = Path("/usr/lib/postgresql")  # Debian keeps the server's programs out of the PATH

PASSWORD = "spinning wheel"


def programs() -> Path | None:
    """The folder of the newest initdb, pg_ctl and postgres on this machine."""
    found = sorted(
        _DEBIAN.glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]) if path.parts[-3].isdecimal() else 0
    )
    if found:
        return found[-1].parent
    at = shutil.which("initdb")
    return Path(at).resolve().parent if at else None


def _free_port() -> int:
    """Below those that systems give to outgoing connections: one of these could take it while the server is down."""
    while True:
        port = random.SystemRandom().randrange(20_000, 32_000)
        with socket.socket() as probe, contextlib.suppress(OSError):
            probe.bind(("127.0.0.1", port))
            return port


class Cluster:
    """A server on 127.0.0.1 with the user `bench`, who signs in with PASSWORD.

    `durable=False` spares the disk: what is written outlives the server's death, not the computer's.
    """

    def __init__(self, *, durable: bool = False) -> None:
        bin_folder = programs()
        assert bin_folder, "ask programs() first"
        self._bin = bin_folder
        user = _other_user()
        self._account: dict[str, Any] = {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []} if user else {}
        self._server: subprocess.Popen[bytes] | None = None
        self.folder = Path(tempfile.mkdtemp(prefix="toothwise-pg-"))
        self._data = self.folder / "data"
        self.port = _free_port()
        try:
            secret = self.folder / "secret"
            secret.write_text(PASSWORD)
            if user:
                for path in (self.folder, secret):
                    os.chown(path, user.pw_uid, user.pw_gid)
            signing_in = ["-U", "bench", "-A", "scram-sha-256", f"--pwfile={secret}"]
            subprocess.run(
                [bin_folder / "initdb", "-D", self._data, *signing_in, "--no-sync", "-E", "UTF8", "--locale=C"],
                check=True,
                cwd=self.folder,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                **self._account,
            )
            with (self._data / "postgresql.conf").open("a") as settings:
                settings.write(
                    f"listen_addresses = '127.0.0.1'\nport = {self.port}\nunix_socket_directories = '{self.folder}'\n"
                    f"fsync = {'on' if durable else 'off'}\nlogging_collector = off\nrestart_after_crash = off\n"
                )
            self.start()
        except BaseException:
            self.remove()
            raise

    def start(self) -> None:
        """Start, and wait until it answers."""
        import psycopg

        with (self.folder / "log").open("a") as log:
            self._server = subprocess.Popen(
                [self._bin / "postgres", "-D", self._data],
                cwd=self.folder,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                **self._account,
            )
        end = time.monotonic() + 60.0
        while True:
            try:
                psycopg.connect(self.address()).close()
                return
            except psycopg.OperationalError:
                if time.monotonic() > end or self._server.poll() is not None:
                    raise RuntimeError((self.folder / "log").read_text()) from None
                time.sleep(0.02)

    def kill(self) -> None:
        """SIGKILL to the server and each of its processes at once: the likeness of a computer that stops."""
        if self._server is None:
            return
        pids = [self._server.pid, *_children(self._server.pid)]
        for pid in pids:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        self._server.wait()
        self._server = None
        while any(map(_lives, pids)):  # a server that starts beside the last of them refuses
            time.sleep(0.005)

    def freeze(self, *, thaw: bool = False) -> None:
        """All its processes stand still, and its connections stay open; or they go on."""
        assert self._server
        for pid in [self._server.pid, *_children(self._server.pid)]:
            os.kill(pid, signal.SIGCONT if thaw else signal.SIGSTOP)

    def stop(self) -> None:
        """Stop it in order; clients are sent away."""
        if self._server is not None:
            self._server.send_signal(signal.SIGINT)
            self._server.wait(60.0)
            self._server = None

    def remove(self) -> None:
        self.kill()
        shutil.rmtree(self.folder, ignore_errors=True)

    def __enter__(self) -> Cluster:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.remove()

    def address(self, database: str = "postgres", *, user: str = "bench", password: str = PASSWORD) -> str:
        """What a user would type after --book."""
        return f"postgresql://{user}:{password.replace(' ', '%20')}@127.0.0.1:{self.port}/{database}"

    def sql(self, command: str, database: str = "postgres") -> list[tuple[Any, ...]]:
        """Run one statement, each outside a transaction; its rows."""
        import psycopg

        with psycopg.connect(self.address(database), autocommit=True) as connection:
            cursor = connection.execute(command)
            return cursor.fetchall() if cursor.description else []

    @contextlib.contextmanager
    def database(self, name: str) -> Iterator[str]:
        """The address of an empty database, which is gone afterwards."""
        self.sql(f'CREATE DATABASE "{name}"')
        try:
            yield self.address(name)
        finally:
            self.sql(f'DROP DATABASE "{name}" WITH (FORCE)')


def _other_user() -> pwd.struct_passwd | None:
    """Who runs the server where we are root; None: ourselves."""
    if os.geteuid() != 0:
        return None
    for name in ("postgres", "nobody"):
        with contextlib.suppress(KeyError):
            return pwd.getpwnam(name)
    raise RuntimeError("neither postgres nor nobody is a user of this machine")


def _lives(pid: int) -> bool:
    """Is it there, and not only waiting to be taken off the list?"""
    out = subprocess.run(["ps", "-o", "stat=", "-p", str(pid)], capture_output=True, text=True, check=False).stdout
    return bool(out.strip()) and not out.strip().startswith("Z")


def _children(parent: int) -> list[int]:
    out = subprocess.run(
        ["ps", "-o", "pid=", "--ppid", str(parent)], capture_output=True, text=True, check=False
    ).stdout
    return [int(pid) for pid in out.split()]
