"""The way in and out: every way of ending becomes one exit code and at most one line on standard error.

0 done; 2 usage; 3 rows in quarantine; 4 input refused; 5 store; 10 alerts listed; 130 stopped by the user;
1 only for a fault of the program itself.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import sys
import traceback
from collections.abc import Sequence
from typing import Any

import typer

from driftwatch.cli import output
from driftwatch.cli.app import app
from driftwatch.cli.options import WAIT_SECONDS
from driftwatch.errors import DriftwatchError

#: Set to any text to see where in the program a fault happened.
DEBUG = "DRIFTWATCH_DEBUG"
INTERRUPTED = 130

#: How typer's checks speak -> the same in plain words.
_PLAINER = (
    (r"Value error, ", ""),
    (r"Input should be a valid integer\b.*", "must be a whole number"),
    (r"Input should be a valid number\b.*", "must be a number"),
    (r"Input should be greater than or equal to (\S+)", r"must be \1 or more"),
    (r"Input should be less than or equal to (\S+)", r"must be \1 or less"),
    (r"Input should be ", "must be "),
)

# Typer's own errors derive from these; it does not export them under a name of their own.
_CallProblem: Any = typer.BadParameter.__mro__[1]
_AnyProblem: Any = typer.BadParameter.__mro__[2]


def main(args: Sequence[str] | None = None) -> None:
    """Run the command line and leave the process with its exit code."""
    for stream in (sys.stdout, sys.stderr):
        # A sign that the terminal's encoding lacks is shown as its number; it must not end the program.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    code = run(sys.argv[1:] if args is None else args)
    with contextlib.suppress(BrokenPipeError, ValueError, OSError):
        sys.stdout.flush()
    sys.exit(code)


def run(args: Sequence[str]) -> int:
    """Run one command and give its exit code; prints, but never raises and never shows a traceback."""
    try:
        return _invoke(args)
    except output.ReaderGone:
        _silence_stdout()
        return 0
    except BaseException as error:  # noqa: BLE001 - the outermost edge: whatever it is, it ends as one line
        if os.environ.get(DEBUG):
            traceback.print_exception(error)
        code, line = _ending(error)
        if line:
            with contextlib.suppress(output.ReaderGone, OSError):
                output.note(f"driftwatch: {line}")
        return code


def _invoke(args: Sequence[str]) -> int:
    command = typer.main.get_command(app)
    args = _with_wait_first(args) if args else ["--help"]
    result = command.main(list(args), prog_name="driftwatch", standalone_mode=False)
    if result == INTERRUPTED:  # how newer versions of typer tell it; older ones raise Abort
        raise KeyboardInterrupt
    return result if isinstance(result, int) else 0


def _with_wait_first(args: Sequence[str]) -> list[str]:
    """Let `--wait` stand anywhere, and without a number: put it first, where the parser wants it."""
    told = list(args)
    end = told.index("--") if "--" in told else len(told)
    for i, word in enumerate(told[:end]):
        if word == "--wait" or word.startswith("--wait="):
            if "=" in word:
                seconds, after = word.partition("=")[2], i + 1
            else:
                given = i + 1 < end and re.fullmatch(r"\d+(\.\d+)?", told[i + 1]) is not None
                seconds, after = (told[i + 1], i + 2) if given else (str(WAIT_SECONDS), i + 1)
            return ["--wait", seconds, *told[:i], *told[after:]]
    return told


def _ending(error: BaseException) -> tuple[int, str]:
    """Give exit code and line for anything that ended a command early."""
    if isinstance(error, DriftwatchError):
        return error.exit_code, str(error)
    if isinstance(error, _AnyProblem):
        return 2, _call_problem(error)
    if isinstance(error, typer.Abort | KeyboardInterrupt):
        return INTERRUPTED, "stopped; whatever was not finished has not been kept"
    if isinstance(error, SystemExit):
        return (error.code if isinstance(error.code, int) else 1), ""
    if isinstance(error, OSError):
        where = f"{error.filename}: " if error.filename else ""
        return 5, f"{where}{error.strerror or error} - check the path, its permissions and the free space"
    if isinstance(error, MemoryError):
        return 5, "not enough memory - try fewer units or a smaller file at a time"
    if type(error).__module__.split(".")[0] in ("duckdb", "_duckdb"):
        return (
            5,
            f"the store cannot be used: {_first_line(error)} - `driftwatch check` says whether it is whole",
        )
    fault = f"{type(error).__name__}: {_first_line(error)}"
    return 1, f"a fault in the program ({fault}) - set {DEBUG}=1 to see where, and report it"


def _call_problem(error: Any) -> str:
    message = output.one_line(error.format_message()).rstrip(".")
    for theirs, ours in _PLAINER:
        message = re.sub(theirs, ours, message)
    if not isinstance(error, _CallProblem):
        return message
    context = getattr(error, "ctx", None)
    path = context.command_path if context is not None else "driftwatch"
    return f"{message[:1].lower()}{message[1:]} - see `{path} --help`"


def _first_line(error: BaseException) -> str:
    return next(iter(str(error).strip().splitlines()), "")[:300]


def _silence_stdout() -> None:
    """Let what is still buffered for a closed pipe go nowhere, so that closing down stays quiet."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
