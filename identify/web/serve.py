"""Start the page: check where it is bound and who may come in, then serve until it is stopped."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import tempfile
from dataclasses import dataclass
from pathlib import Path

from identify import records, tables
from identify.errors import UsageError
from identify.tables import stock
from identify.web import guard, login
from identify.web.shop import Shop

NO_RECORDS = "none"
EVERYWHERE = ("0.0.0.0", "::", "")  # refused without a login


@dataclass(frozen=True, slots=True)
class Settings:
    """What ``tapwright serve`` was called with.

    Parameters
    ----------
    records : URL of the records; their usual place where None, and none are kept where it is ``none``.
    login : file of names and passwords; needed beyond this machine.
    names : host names under which the page is asked for; those of the address where empty.
    certificate, key : files for HTTPS.
    most_mb : the largest upload [MB].
    """

    host: str = "127.0.0.1"
    port: int = 7860
    stock: Path | None = None
    records: str | None = None
    keep_photos: bool = True
    login: Path | None = None
    names: tuple[str, ...] = ()
    certificate: Path | None = None
    key: Path | None = None
    most_mb: int = 300


def check(settings: Settings) -> login.Door | None:
    """Who may come in.

    Raises
    ------
    UsageError
        The page would be reached from elsewhere without a login, or the login file won't do.
    """
    if not guard.loopback(settings.host) and settings.login is None:
        raise UsageError(
            f"--host {settings.host} lets other machines in; name a login file (--login FILE), or leave --host out."
        )
    if (settings.certificate is None) != (settings.key is None):
        raise UsageError("A certificate needs its key; give both --certificate and --key.")
    return None if settings.login is None else login.Door(login.read(settings.login))


def run(settings: Settings, said) -> None:  # type: ignore[no-untyped-def]
    """Serve until stopped.

    Parameters
    ----------
    said : called with one line once the page can be reached.

    Raises
    ------
    UsageError
        It would be open to others without a login, the port is taken, or a file can't be read.
    """
    door = check(settings)
    own = None if settings.stock is None else stock.read(settings.stock)
    with tempfile.TemporaryDirectory(prefix="tapwright-", ignore_cleanup_errors=True) as folder:
        uploads, work = Path(folder) / "uploads", Path(folder) / "work"
        uploads.mkdir(mode=0o700)
        work.mkdir(mode=0o700)
        os.environ["GRADIO_TEMP_DIR"] = str(uploads)
        kept = None
        if settings.records != NO_RECORDS:
            kept = records.open_records(settings.records, keep_photos=settings.keep_photos)
        shop = Shop(uploads, work, kept, own, settings.stock.name if settings.stock else "")
        try:
            _serve(settings, shop, door, said)
        finally:
            shop.benches.close()
            if kept is not None:
                kept.close()


def _serve(settings: Settings, shop: Shop, door: login.Door | None, said) -> None:  # type: ignore[no-untyped-def]
    import uvicorn

    from identify import classifier
    from identify.web import app

    tables.load()
    classifier.shipped_card()
    bound = _bound(settings.host, settings.port)
    names = _names(settings)
    application = app.build(shop, door=door, names=names, most_mb=settings.most_mb)
    config = uvicorn.Config(
        application,
        log_level="warning",
        server_header=False,
        date_header=False,
        access_log=False,
        timeout_graceful_shutdown=2,
        ssl_certfile=settings.certificate,
        ssl_keyfile=settings.key,
    )
    scheme = "http" if settings.certificate is None else "https"
    port = bound.getsockname()[1]
    shown = f"[{settings.host}]" if ":" in settings.host else settings.host
    with contextlib.suppress(AttributeError, ValueError):  # the command line ends on a broken pipe; a page must not
        signal.signal(signal.SIGPIPE, signal.SIG_IGN)
    with contextlib.suppress(ValueError):  # what is told to end also tidies up
        signal.signal(signal.SIGTERM, _ended)
    with bound:
        bound.listen(128)  # who asks from now on waits a moment instead of being refused
        said(f"{scheme}://{shown}:{port}")
        uvicorn.Server(config).run(sockets=[bound])


def _ended(number: int, frame: object) -> None:
    raise SystemExit(0)


def _bound(host: str, port: int) -> socket.socket:
    try:
        family = socket.getaddrinfo(host or None, port, type=socket.SOCK_STREAM)[0][0]
        bound = socket.socket(family, socket.SOCK_STREAM)
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind((host, port))
    except OSError as why:
        raise UsageError(f"Can't listen at {host}:{port} ({why.strerror or why}); choose another --port.") from why
    return bound


def _names(settings: Settings) -> frozenset[str] | None:
    """Names under which the page answers: a page of another site can't reach it under a name of its own."""
    if settings.names:
        return frozenset(settings.names)
    if guard.loopback(settings.host):
        return frozenset({"localhost", "127.0.0.1", "::1", settings.host})
    return None if settings.host in EVERYWHERE else frozenset({settings.host, socket.gethostname()})
