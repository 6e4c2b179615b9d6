"""Profiles from TOML and back, and the built-in ones.

The raw form is checked by pydantic (types, missing and unknown keys); whether it makes sense as a
transmission is checked by `driftwatch.profile.checks`. Every refusal is one line that names file and key.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from driftwatch.errors import ProfileError, UnknownName
from driftwatch.profile.checks import problems
from driftwatch.profile.model import Clutch, Profile, Shift, Signal
from driftwatch.quantities import known_unit, unit_name

#: A profile is a page of text; anything much larger is another file given by mistake.
MOST_BYTES = 1_000_000

Name = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")]
Id = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9]([A-Za-z0-9 ._/+-]{0,38}[A-Za-z0-9.+])?$")]
ShiftId = Annotated[str, StringConstraints(pattern=r"^[1-9][0-9]?-[1-9][0-9]?$")]
SignalName = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{0,39}$")]
Text = Annotated[str, StringConstraints(max_length=500)]
Positive = Annotated[float, Field(gt=0, lt=1e6)]

#: What is meant by each pattern, for the person who wrote the file.
_MEANING = {
    "name": "letters, digits, dot, dash and underscore",
    "id": "letters, digits and . _ / + - for a clutch, or two gears such as 2-3 for a shift",
    "applies": "the id of a clutch",
    "releases": "the id of a clutch",
    "modes": "names of letters, digits, blanks and . _ / + -",
    "signal": "small letters, digits and underscore",
}


class _Raw(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)


class _RawClutch(_Raw):
    id: Id
    new_volume_cm3: Positive | None = None
    service_limit_cm3: Positive | None = None
    piston_area_cm2: Positive | None = None
    new_clearance_mm: Positive | None = None
    limit_clearance_mm: Positive | None = None


class _RawShift(_Raw):
    id: ShiftId
    applies: Id
    releases: Id


class _RawSignal(_Raw):
    unit: str
    lower: float | None = None
    upper: float | None = None
    resolution: Positive | None = None
    on: Literal["shift", "pack"] = "shift"


class _RawProfile(_Raw):
    name: Name
    title: Text = ""
    modes: list[Id] = Field(min_length=1)
    illustrative: bool = False
    limit_source: Text = ""
    note: Text = ""
    clutch: list[_RawClutch] = Field(min_length=2)
    shift: list[_RawShift] = Field(min_length=1)
    signal: dict[SignalName, _RawSignal] = Field(min_length=1)


def parse_profile(text: str, where: str = "profile") -> Profile:
    """Read a profile from TOML text.

    Parameters
    ----------
    text : str
        TOML as documented in `docs/profiles.md`.
    where : str
        What to call it in an error, usually the file's name.

    Raises
    ------
    ProfileError
        If it is not TOML, a key is missing, unknown or of the wrong type, or the profile contradicts
        itself. The line names the first problem and says how many more there are.

    """
    profile = parse_raw(text, where)
    found = problems(profile)
    if found:
        raise ProfileError(
            found[0] + _more(found), where, "`driftwatch profile check FILE` lists every problem"
        )
    return profile


def parse_raw(text: str, where: str = "profile") -> Profile:
    """Read a profile's raw form, without asking whether it makes sense; errors as for `parse_profile`."""
    try:
        table = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise ProfileError(
            f"not TOML: {error}", where, "see `driftwatch profile show generic-6` for a model"
        ) from None
    try:
        raw = _RawProfile.model_validate(table)
    except ValidationError as error:
        lines = list(_lines(error))
        raise ProfileError(lines[0] + _more(lines), where) from None
    return Profile(
        name=raw.name,
        title=raw.title or raw.name,
        modes=tuple(raw.modes),
        clutches=tuple(Clutch(**c.model_dump()) for c in raw.clutch),
        shifts=tuple(Shift(**s.model_dump()) for s in raw.shift),
        signals=tuple(
            Signal(name, **{**s.model_dump(), "unit": unit_name(s.unit) if known_unit(s.unit) else s.unit})
            for name, s in raw.signal.items()
        ),
        limit_source=raw.limit_source or f"profile {raw.name} (it does not say where its limits come from)",
        illustrative=raw.illustrative,
        note=raw.note,
    )


def read_profile(path: str | Path) -> Profile:
    """Read a profile from a TOML file; `ProfileError` if it cannot be used."""
    return parse_profile(read_text(path), str(path))


def read_text(path: str | Path) -> str:
    """Give the text of a profile file; `ProfileError` if there is none that could be one."""
    path = Path(path)
    try:
        data = path.read_bytes() if path.is_file() else None
    except OSError as error:
        raise ProfileError(f"cannot be read ({error.strerror or error})", str(path)) from None
    if data is None:
        what = "is a folder, not a profile" if path.is_dir() else "there is no such file"
        raise ProfileError(what, str(path), "give the path of a profile in TOML")
    if len(data) > MOST_BYTES:
        raise ProfileError("is far too large for a profile", str(path), "give the path of a profile in TOML")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise ProfileError("is not UTF-8 text", str(path), "give the path of a profile in TOML") from None


def builtin_names() -> list[str]:
    """Names of the profiles that come with the program, sorted."""
    folder = resources.files("driftwatch.profile") / "builtin"
    return sorted(f.name.removesuffix(".toml") for f in folder.iterdir() if f.name.endswith(".toml"))


def builtin_text(name: str) -> str:
    """TOML text of a built-in profile, with its comments; `UnknownName` if there is none of that name."""
    if name not in builtin_names():
        raise UnknownName(
            f"there is no built-in profile {name!r}", do=f"there are {', '.join(builtin_names())}"
        )
    return (resources.files("driftwatch.profile") / "builtin" / f"{name}.toml").read_text("utf-8")


@cache
def builtin(name: str) -> Profile:
    """Give a profile that comes with the program; `UnknownName` if there is none of that name."""
    return parse_profile(builtin_text(name), f"built-in profile {name}")


def to_toml(profile: Profile) -> str:
    """Write a profile as TOML; `parse_profile` gives the same profile back."""
    out = [f"name = {_quoted(profile.name)}", f"title = {_quoted(profile.title)}"]
    out.append(f"modes = [{', '.join(map(_quoted, profile.modes))}]")
    if profile.illustrative:
        out.append("illustrative = true")
    if profile.limit_source:
        out.append(f"limit_source = {_quoted(profile.limit_source)}")
    if profile.note:
        out.append(f"note = {_quoted(profile.note)}")
    for clutch in profile.clutches:
        out += ["", "[[clutch]]", *_keys(vars(clutch))]
    for shift in profile.shifts:
        out += ["", "[[shift]]", *_keys(vars(shift))]
    for signal in profile.signals:
        given = {k: v for k, v in vars(signal).items() if k != "name" and (k, v) != ("on", "shift")}
        out += ["", f"[signal.{signal.name}]", *_keys(given)]
    return "\n".join(out) + "\n"


def _keys(given: Mapping[str, Any]) -> list[str]:
    return [
        f"{key} = {_quoted(value) if isinstance(value, str) else repr(float(value))}"
        for key, value in given.items()
        if value is not None
    ]


def _quoted(text: str) -> str:
    """Give a TOML basic string."""
    named = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\t": "\\t", "\r": "\\r"}
    return '"' + "".join(named.get(c, c if c.isprintable() else _escaped(c)) for c in text) + '"'


def _escaped(c: str) -> str:
    return f"\\u{ord(c):04x}" if ord(c) < 0x10000 else f"\\U{ord(c):08x}"


def _more(found: list[str]) -> str:
    return f" (and {len(found) - 1} more)" if len(found) > 1 else ""


def _lines(error: ValidationError) -> Iterator[str]:
    """Turn pydantic's findings into sentences about the file's own keys."""
    for found in error.errors(include_url=False):
        at = [part for part in found["loc"] if part != "[key]"]
        key = _path(at)
        last = next((str(part) for part in reversed(at) if isinstance(part, str)), "")
        kind = found["type"]
        if kind == "missing":
            yield f"key {key} is missing"
        elif kind == "extra_forbidden":
            near = get_close_matches(last, _fields(at), n=1)
            yield f"key {key} is not known" + (f", did you mean {near[0]!r}?" if near else "")
        elif kind == "string_pattern_mismatch":
            meaning = _MEANING["signal"] if at[0] == "signal" else _MEANING.get(last, "another form")
            yield f"key {key} is {str(found['input'])[:40]!r}, but must be {meaning}"
        elif kind == "too_short":
            least = found.get("ctx", {}).get("min_length", 1)
            yield f"key {key} must list at least {least}"
        else:
            message = found["msg"][:1].lower() + found["msg"][1:]
            yield f"key {key}: {message}, not {str(found['input'])[:40]!r}"


def _path(at: list[Any]) -> str:
    """Name a key as the file's author counts: clutch 2, key new_volume_cm3 -> clutch[2].new_volume_cm3."""
    text = ""
    for part in at:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else str(part)
    return text or "(the whole file)"


def _fields(at: list[Any]) -> list[str]:
    levels: dict[str, type[BaseModel]] = {"clutch": _RawClutch, "shift": _RawShift, "signal": _RawSignal}
    model = _RawProfile if len(at) == 1 else levels.get(str(at[0]), _RawProfile)
    return list(model.model_fields)


def template(name: str, base: str) -> str:
    """Give the text of a profile to be filled in: a built-in one under another name.

    Raises
    ------
    UnknownName
        If there is no built-in profile of the name `base`.
    ProfileError
        If `name` cannot be a profile's name, or is that of a built-in one.

    """
    if name in builtin_names():
        raise ProfileError(f"{name!r} is the name of a built-in profile", do="give another name")
    text = builtin_text(base)
    header, body = text.split(f'\nname = "{base}"\n', 1)
    chart_only = [line for line in header.splitlines() if line.startswith("#")]
    chart_only = chart_only[: next(i for i, line in enumerate(chart_only) if "ILLUSTRATIVE" in line) - 1]
    body = re.sub(r"(?m)^title = .*$", f"title = {_quoted(name)}", body, count=1)
    body = re.sub(r"(?m)^note = .*\n", "", body, count=1)
    body = re.sub(
        r"(?m)^limit_source = .*$",
        f'limit_source = "illustrative values taken over from the built-in profile {base}"',
        body,
        count=1,
    )
    written = "\n".join([*chart_only, "#", *_TO_FILL_IN, "", f"name = {_quoted(name)}", body])
    parse_profile(written, name)
    return written


_TO_FILL_IN = (
    "# To be filled in from the service literature of your transmission:",
    "#   1. for each [[clutch]]: new_volume_cm3 and service_limit_cm3; or, without service_limit_cm3,",
    "#      piston_area_cm2, new_clearance_mm and limit_clearance_mm, from which the limit follows;",
    "#   2. the [[shift]] list, if packs come on and go off otherwise in your transmission;",
    "#   3. the range and step of each [signal], if the literature gives them; else remove those lines;",
    "#   4. limit_source: the title, edition and page that the limits are from;",
    "#   5. when all that is done, remove the line `illustrative = true`.",
)
