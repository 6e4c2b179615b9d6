"""The reference of all commands as Markdown, made from the commands themselves."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import typer

_HEAD = """# Commands

Made by `driftwatch command-reference` from the program's own help; not edited by hand.

`driftwatch [OPTIONS] COMMAND`: the store is `driftwatch.duckdb` in the current folder, or what the variable
`DRIFTWATCH_DB` names, unless `--db` is given. Every command takes `--help`. These options stand before the
command:

{options}

Results go to standard output; remarks, progress and errors go to standard error. An error is one line that
says what happened, where, and what to do.

| exit code | means |
|---|---|
| 0 | done |
| 2 | the command is wrong in itself: an option, a date, a name that is not there |
| 3 | done, but rows went to quarantine (or, with `--strict`, a file was refused for them) |
| 4 | a file could not be understood and was refused |
| 5 | the store is missing, damaged, newer than the program, or in use; or a file could not be written |
| 10 | `alerts --exit-code` has listed something |
| 130 | stopped from the keyboard |
"""


def reference(app: typer.Typer) -> str:
    """Give the reference page of an application."""
    command = typer.main.get_command(app)
    before = (p for p in getattr(command, "params", []) if p.name != "help")
    parts = [_HEAD.format(options="\n".join(["| | |", "|---|---|", *(_option_row(p) for p in before)]))]
    for path, item in _leaves(command, "driftwatch"):
        parts.append(_page(path, item))
    return "\n".join(parts)


def leaves(app: typer.Typer) -> list[str]:
    """Give the full name of every command that is shown."""
    return [path for path, _ in _leaves(typer.main.get_command(app), "driftwatch")]


def _leaves(command: Any, path: str) -> Iterator[tuple[str, Any]]:
    inner = getattr(command, "commands", None)
    if inner is None:
        yield path, command
        return
    for name, item in inner.items():
        if not item.hidden:
            yield from _leaves(item, f"{path} {name}")


def _page(path: str, command: Any) -> str:
    shown = [p for p in command.params if p.name != "help" and not getattr(p, "hidden", False)]
    arguments = [p for p in shown if p.param_type_name == "argument"]
    options = [p for p in shown if p.param_type_name == "option"]
    usage = " ".join([path, *(_argument(p) for p in arguments), *(["[OPTIONS]"] if options else [])])
    out = [
        f"## {path.removeprefix('driftwatch ')}",
        "",
        f"`{usage}`",
        "",
        _paragraphs(command.help or ""),
        "",
    ]
    if shown:
        out += ["| | |", "|---|---|"]
        out += [f"| `{_argument(p)}` | {_cell(p.help or '')} |" for p in arguments]
        out += [_option_row(p) for p in options]
        out.append("")
    out += [command.epilog.replace("Example: ", "Example: `", 1) + "`", ""]
    return "\n".join(out)


def _option_row(parameter: Any) -> str:
    variable = f" The variable `{parameter.envvar}` does the same." if parameter.envvar else ""
    return f"| `{_option(parameter)}` | {_cell(parameter.help or '')}{variable}{_default(parameter)} |"


def _argument(parameter: Any) -> str:
    return str(parameter.metavar or parameter.name.upper())


def _option(parameter: Any) -> str:
    name = str(parameter.opts[0])
    if getattr(parameter, "is_flag", False):
        return name
    return f"{name} {str(parameter.metavar).replace('|', '/')}"


def _default(parameter: Any) -> str:
    default = parameter.default
    if parameter.required:
        return " Required."
    if getattr(parameter, "is_flag", False) or default in (None, "", (), []) or callable(default):
        return ""
    shown = getattr(default, "value", default)
    return f" Default: `{shown}`."


def _paragraphs(text: str) -> str:
    return "\n\n".join(" ".join(part.split()) for part in text.strip().split("\n\n"))


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "/")
