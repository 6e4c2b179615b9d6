"""`driftwatch serve`: the local web page."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from driftwatch.cli import output
from driftwatch.cli.options import door
from driftwatch.errors import UsageError

PASSWORD_VARIABLE = "DRIFTWATCH_PASSWORD"  # noqa: S105 - the name of a variable


def serve(
    context: typer.Context,
    host: Annotated[
        str,
        typer.Option(
            "--host", metavar="ADDRESS", help="Address to listen on; any but loopback wants a password."
        ),
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", metavar="NUMBER", min=1, max=65535, help="Port.")] = 8712,
    password_file: Annotated[
        Path | None,
        typer.Option(
            "--password-file",
            metavar="FILE",
            help=f"File whose first line is the password; the variable {PASSWORD_VARIABLE} does the same.",
        ),
    ] = None,
    name: Annotated[
        list[str] | None,
        typer.Option(
            "--name",
            metavar="HOST",
            help="Host name, besides addresses, under which others open the page; may be repeated.",
        ),
    ] = None,
    upload_mb: Annotated[
        int,
        typer.Option("--upload-mb", metavar="NUMBER", min=1, help="Most that may be sent at once, in MB."),
    ] = 200,
) -> None:
    """Serve the local web page: the same job in a browser, until it is stopped with Ctrl+C.

    Only this computer can open it, unless --host says otherwise. The command line can be used on the same
    store meanwhile.
    """
    from driftwatch.web.config import PageSettings
    from driftwatch.web.serve import serve as serve_page

    told = door(context)
    if told.known_at is not None:
        raise UsageError(
            "the page shows the present store", "--known-at", "leave it out; the page looks back by itself"
        )
    more = {"wait": told.wait} if told.wait else {}
    settings = PageSettings(
        told.db, host, port, _password(password_file), tuple(name or ()), told.by, upload_mb=upload_mb, **more
    )

    def ready() -> None:
        output.say(f"The page of {told.db} is at {settings.address}")
        if not settings.is_loopback:
            output.note(
                "others on the network can open it with the password, under this computer's address or a "
                "--name of it; the connection is not encrypted, so use it within your own network only"
            )
        output.note("stop it with Ctrl+C")

    serve_page(settings, ready)


def _password(file: Path | None) -> str:
    if file is None:
        return os.environ.get(PASSWORD_VARIABLE, "")
    try:
        first = file.read_text(encoding="utf-8").split("\n", 1)[0].strip()
    except (OSError, UnicodeDecodeError) as problem:
        reason = getattr(problem, "strerror", None) or "not UTF-8 text"
        raise UsageError(f"cannot be read ({reason})", str(file), "give another --password-file") from None
    if not first:
        raise UsageError("its first line is empty", str(file), "write the password there")
    return first
