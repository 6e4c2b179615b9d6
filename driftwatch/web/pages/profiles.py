"""Transmission profiles: looked at, copied, their limits put in, units moved to them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from starlette.datastructures import FormData
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from driftwatch.errors import DriftwatchError, NotConfirmed, UnknownName, UsageError
from driftwatch.profile.checks import notes, problems
from driftwatch.profile.load import builtin, builtin_names, builtin_text, parse_profile, template, to_toml
from driftwatch.profile.model import Profile
from driftwatch.web import profile_form
from driftwatch.web.page import Page, form_status, link, say, see, text_of, wrong_words


def profiles(page: Page, request: Request) -> Response:
    """List the profiles, and who uses them."""
    return _profiles(page, request)


def show(page: Page, request: Request) -> Response:
    """Show one profile, with what there is to remark on it."""
    return _show(page, request)


def _show(
    page: Page, request: Request, fields: Mapping[str, str] | None = None, error: NotConfirmed | None = None
) -> Response:
    """Show one profile; with units that were to be moved to it, where that wants to be confirmed."""
    profile = _found(page, request)
    facts, _ = page.reader.facts()
    units = [str(u["unit"]) for u in facts.units if u["profile"] == profile.name] if facts else []
    others = sorted({str(u["profile"]) for u in facts.units} - {profile.name}) if facts else []
    return page.html(
        request, "profile.html", form_status(error), view=page.view(request), profile=profile,
        notes=notes(profile), units=units, others=others, unconfirmed=fields, wrong=wrong_words(error),
        is_own=profile.name not in builtin_names(), clutch_fields=profile_form.CLUTCH_FIELDS,
    )  # fmt: skip


def as_file(page: Page, request: Request) -> Response:
    """Give a profile as a TOML file."""
    profile = _found(page, request)
    is_builtin = profile.name in builtin_names() and profile == builtin(profile.name)
    text = builtin_text(profile.name) if is_builtin else to_toml(profile)
    answer = Response(text, media_type="application/toml")
    answer.headers["content-disposition"] = f'attachment; filename="{profile.name}.toml"'
    return answer


def copy(page: Page, request: Request, form: FormData) -> Response:
    """Make a profile of one's own from another one."""
    name, base = text_of(form, "name"), text_of(form, "from")
    try:
        known = page.profiles()
        if base not in known:
            raise UnknownName(f"there is no profile {base!r}", do="choose one from the list")
        if name in known:
            raise UsageError(f"there is a profile {name!r} already", do="give another name")
        text = template(name, base) if base in builtin_names() else to_toml(replace(known[base], name=name))
        made = parse_profile(text, "the new profile")
        with page.write(request) as store:
            store.add_profile(made)
    except DriftwatchError as error:
        return _profiles(page, request, {"name": name, "from": base}, error)
    say(
        request,
        "Now put in the limits of your transmission's service literature, and say where they are from.",
    )
    return see(link(None, "/profiles/edit", name=name))


def edit(page: Page, request: Request) -> Response:
    """Show the form of a profile of one's own."""
    profile = _own(page, request)
    return _edit(page, request, profile, profile_form.fields_of(profile), profile)


def change(page: Page, request: Request, form: FormData) -> Response:
    """Check a profile as it stands in the form, or keep it."""
    base = _own(page, request)
    told = {name: value for name, value in form.items() if isinstance(value, str)}
    made: Profile | None = None
    try:
        made = profile_form.profile_from(base, told)
        if text_of(form, "do") != "keep":
            return _edit(page, request, base, told, made)
        if problems(made):
            raise UsageError("it contradicts itself, and was not kept", do="put right what is listed below")
        with page.write(request) as store:
            store.add_profile(made)
    except DriftwatchError as error:
        return _edit(page, request, base, told, made, error)
    say(request, f"Profile {base.name} is kept. The fleet is assessed anew with it.")
    return see(link(None, "/profiles/view", name=base.name))


def move(page: Page, request: Request, form: FormData) -> Response:
    """Let units use this profile from now on."""
    profile = _found(page, request)
    facts, _ = page.reader.facts()
    source, unit = text_of(form, "from"), text_of(form, "unit")
    units = [
        str(u["unit"])
        for u in (facts.units if facts else ())
        if (u["unit"] == unit if unit else u["profile"] == source)
    ]
    if not units:
        raise UsageError("no unit is chosen", do="choose a unit, or those of another profile")
    try:
        with page.write(request) as store:
            moved = store.change_profile(units, profile.name, anyway=text_of(form, "anyway") == "yes")
    except NotConfirmed as error:
        return _show(page, request, {"from": source, "unit": unit}, error)
    say(request, f"{moved} unit{'' if moved == 1 else 's'} moved to profile {profile.name}.")
    return see(link(None, "/profiles/view", name=profile.name))


def _found(page: Page, request: Request) -> Profile:
    name, known = request.query_params.get("name", ""), page.profiles()
    if name not in known:
        raise UnknownName(f"there is no profile {name!r}", do="choose one on the page Profiles")
    return known[name]


def _own(page: Page, request: Request) -> Profile:
    profile = _found(page, request)
    if profile.name in builtin_names():
        raise UsageError(f"{profile.name!r} is a built-in profile and stays as it is", do="make a copy of it")
    return profile


def _profiles(
    page: Page,
    request: Request,
    fields: Mapping[str, str] | None = None,
    error: DriftwatchError | None = None,
) -> Response:
    facts, _ = page.reader.facts()
    used = [u["profile"] for u in facts.units] if facts else []
    known = page.profiles()
    rows = [(p, used.count(name), name in builtin_names()) for name, p in sorted(known.items())]
    return page.html(
        request, "profiles.html", form_status(error), view=page.view(request), rows=rows,
        fields=fields or {"name": "", "from": ""}, wrong=wrong_words(error),
    )  # fmt: skip


def _edit(
    page: Page,
    request: Request,
    base: Profile,
    told: Mapping[str, str],
    made: Profile | None,
    error: DriftwatchError | None = None,
) -> Response:
    found = problems(made) if made is not None else []
    return page.html(
        request, "profile_edit.html", form_status(error), view=page.view(request), profile=base,
        fields={**dict.fromkeys(profile_form.fields_of(base), ""), **told}, wrong=wrong_words(error),
        problems=found, notes=notes(made) if made is not None and not found else [],
        clutch_fields=profile_form.CLUTCH_FIELDS, signal_fields=profile_form.SIGNAL_FIELDS,
    )  # fmt: skip


def routes(page: Page) -> Iterable[Route]:
    """Give the routes of the profiles."""
    return (
        page.get("/profiles", profiles),
        page.post("/profiles", copy),
        page.get("/profiles/view", show),
        page.get("/profiles/file", as_file),
        page.get("/profiles/edit", edit),
        page.post("/profiles/edit", change),
        page.post("/profiles/move", move),
    )
