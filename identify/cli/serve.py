"""``tapwright serve``: the page and the HTTP service."""

from __future__ import annotations

import argparse
import getpass
import importlib.util
import sys
from pathlib import Path
from typing import Any

from identify.cli import keeping, terminal
from identify.errors import UsageError

EXAMPLE = """example:
  tapwright serve --stock parts.csv
      then open the address that it prints; only this machine can
  tapwright serve --login counter.txt --add ann
      writes a login for ann; with it, other machines may be let in:
  tapwright serve --login counter.txt --host 0.0.0.0 --certificate cert.pem --key key.pem"""
NEEDED = ("gradio", "sqlalchemy")


def add(commands: Any) -> None:
    """Add the command to the parser."""
    command = terminal.command(commands, "serve", "open the page and the HTTP service", EXAMPLE)
    option = command.add_argument
    option("--host", default="127.0.0.1", help="address to listen at (default: 127.0.0.1, this machine only)")
    option("--port", type=_port, default=7860, help="port to listen at (default: 7860; 0 for any free one)")
    option(
        "--stock", type=Path, metavar="LIST", help="your own stock list (.csv, .xlsx), ranked beside the listed sizes"
    )
    option("--records", metavar="URL", help="where cases are kept (default: your own file; none keeps nothing)")
    option("--no-photos", action="store_true", help="keep no pictures in the records, only their hashes")
    option("--login", type=Path, metavar="FILE", help="names and passwords; needed when other machines are let in")
    option("--add", metavar="NAME", help="write a login for NAME into the file and end")
    option("--name", action="append", default=[], help="host name under which the page is asked for; repeatable")
    option("--certificate", type=Path, metavar="FILE", help="certificate for HTTPS")
    option("--key", type=Path, metavar="FILE", help="its private key")
    option("--upload-limit", type=_megabytes, default=300, metavar="MB", help="largest upload (default: 300)")
    command.set_defaults(run=_serve)


def _port(text: str) -> int:
    if not text.isdecimal() or int(text) > 65535:
        raise argparse.ArgumentTypeError(f"{text!r} is no port; give a number such as 7860")
    return int(text)


def _megabytes(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 10_000:
        raise argparse.ArgumentTypeError(f"{text!r} is no size in MB; give a number such as 300")
    return int(text)


def _serve(options: argparse.Namespace) -> int:
    if options.add is not None:
        return _add_login(options.login, options.add)
    missing = [name for name in NEEDED if importlib.util.find_spec(name) is None]
    if missing:
        raise UsageError(f"The page needs {' and '.join(missing)}: pip install 'tapwright[web]'.")
    from identify.web import serve

    settings = serve.Settings(
        host=options.host,
        port=options.port,
        stock=options.stock,
        records=options.records,
        keep_photos=keeping.with_photos(options),
        login=options.login,
        names=tuple(options.name),
        certificate=options.certificate,
        key=options.key,
        most_mb=options.upload_limit,
    )
    serve.run(settings, lambda address: print(f"The page is at {address} (Ctrl-C ends it)", flush=True))
    return terminal.DONE


def _add_login(file: Path | None, name: str) -> int:
    from identify.web import login

    if file is None:
        raise UsageError(f"--add {name}: name the file too, with --login FILE.")
    if sys.stdin.isatty():
        password = getpass.getpass(f"Password for {name}: ")
        if getpass.getpass("Once more: ") != password:
            raise UsageError("The two passwords differ; nothing was written.")
    else:
        password = sys.stdin.readline().rstrip("\n")
    login.add(file, name, password)
    print(f"{name} may log in; {file} holds a hash of the password.")
    return terminal.DONE
