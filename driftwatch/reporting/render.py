"""From a context to one HTML file that opens with no network: templates, script, style and policy."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Callable
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from jinja2 import Environment, FunctionLoader, StrictUndefined, pass_context
from jinja2.runtime import Context
from markupsafe import Markup, escape

from driftwatch import wording
from driftwatch.reporting import sentences
from driftwatch.reporting.parts import to_plain
from driftwatch.reporting.texts import count

PLOTLY_VERSION = "4.1.1"
#: One or two hyphens between short parts with a digit, as escaped text has them.
_HYPHENED = re.compile(r"(?<![\w&#;-])((?=[\w-]*\d)\w{1,8}(?:-\w{1,6}){1,2})(?![\w-])")
_HERE = files("driftwatch.reporting")


def _template(name: str) -> str | None:
    """Read a template as package data, so that it is found inside a wheel or a zip too."""
    try:
        return _text(f"templates/{name}")
    except FileNotFoundError:
        return None


def page(template: str, context: Any) -> str:
    """Give the whole HTML page of a context.

    Parameters
    ----------
    template : str
        Name of the template, such as `review.html`.
    context : ReviewContext, FollowupContext or ExplainContext
        What the page says.

    Returns
    -------
    str
        One self-contained document. Its content policy lets only the scripts in the page itself run, and
        nothing be fetched.

    """
    plotly, script = plotly_source(), _text("static/charts.js")
    return (
        environment()
        .get_template(template)
        .render(
            r=context,
            plotly=Markup(plotly),  # noqa: S704 - own vendored file
            script=Markup(script),  # noqa: S704 - own file
            style=Markup(_text("static/report.css")),  # noqa: S704 - own file
            policy=_policy(plotly, script),
        )
    )


@cache
def environment() -> Environment:
    """Give the template environment, escaping on, for the reports and for a page that shares the partials."""
    made = Environment(
        loader=FunctionLoader(_template),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    of_the_reader = (
        wording.day, wording.distance, wording.number, wording.percent, wording.shown, wording.rate,
        wording.unit_sign, wording.measured, wording.per_distance,
    )  # fmt: skip
    made.filters.update({f.__name__: _live(f) for f in of_the_reader})
    made.filters.update(name=wording.name, script_json=script_json, unbroken=unbroken)
    made.globals.update(words=sentences, count=count)
    return made


def _live(write: Callable[..., Any]) -> Callable[..., Any]:
    """Give a filter that is worked out anew for each page.

    Jinja works out the filter of a constant (`"cm3"|unit_sign`) once, in the first reader's way of writing,
    unless the filter takes the context.
    """

    @pass_context
    def filter_(_: Context, *given: Any, **more: Any) -> Any:
        return write(*given, **more)

    return filter_


def unbroken(text: str) -> Markup:
    """Give a sentence whose short names with a hyphen (`HL-11`, `1-2`, `2026-03-14`) stay on one line."""
    return Markup(_HYPHENED.sub(r'<span class="unbroken">\1</span>', str(escape(text))))  # noqa: S704 - escaped


def script_json(value: Any) -> Markup:
    """Give JSON that is safe inside a script element: no `<`, `>` or `&` is left in it."""
    text = json.dumps(to_plain(value), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    for mark in "<>&\u2028\u2029":
        text = text.replace(mark, f"\\u{ord(mark):04x}")
    return Markup(text)  # noqa: S704 - escaped above


def context_json(context: Any) -> str:
    """Give the context as a JSON file's text."""
    return json.dumps(to_plain(context), ensure_ascii=False, allow_nan=False, indent=1) + "\n"


@cache
def plotly_source() -> str:
    """Give the chart library's script, as vendored in `static/`."""
    return _text("static/plotly-basic.min.js")


def write(path: Path, text: str) -> Path:
    """Write text as UTF-8, line ends as given, and give the path."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text.encode("utf-8", "replace"))
    return path


def file_stem(*parts: str) -> str:
    """Give a file name from free text: letters, digits and dashes, with a short mark of the exact text.

    Two units whose names differ only in signs that a file name cannot hold still get two files.
    """
    plain = "-".join(re.sub(r"[^A-Za-z0-9._-]+", "-", part)[:60].strip("-.") or "x" for part in parts)
    whole = "-".join(parts)
    if plain == whole:
        return plain
    return f"{plain}-{hashlib.sha256(whole.encode('utf-8', 'surrogatepass')).hexdigest()[:6]}"


def _policy(*scripts: str) -> str:
    allowed = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(s.encode('utf-8')).digest()).decode()}'" for s in scripts
    )
    return (
        f"default-src 'none'; script-src {allowed}; style-src 'unsafe-inline'; img-src data: blob:; "
        "base-uri 'none'; form-action 'none'"
    )


def _text(name: str) -> str:
    return (_HERE / name).read_text("utf-8")
