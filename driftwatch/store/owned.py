"""What a store keeps besides data: its own transmission profiles and the settings that were changed."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import duckdb

from driftwatch.errors import NotConfirmed, UnknownName, UsageError
from driftwatch.profile.load import builtin, builtin_names, parse_profile, to_toml
from driftwatch.profile.model import Profile
from driftwatch.quantities import conversion, convertible, to_unit
from driftwatch.settings import Settings
from driftwatch.store import clock
from driftwatch.store.job import count

#: Units of measure in which the views for SQL show the usual signals; their columns are named after them.
VIEW_UNITS = {
    "clutch_volume": "cm3",
    "apply_trim": "kPa",
    "release_trim": "kPa",
    "shift_time": "s",
    "torque_cut": "%",
}

#: So many of a pack's last volumes say what it is at. They are far from what a profile has it at where they
#: are outside by more than this share of its way from new to its limit.
LAST_VOLUMES, FAR_OUTSIDE = 5, 0.5

_AUDIT = "INSERT INTO audit VALUES (?, ?, ?, '', NULL, '', '', '', '', ?, ?, ?, NULL, NULL, NULL, NULL)"


def settings_of(con: duckdb.DuckDBPyConnection) -> Settings:
    """Give the store's settings; names that this version does not know are left alone."""
    kept = dict(con.execute("SELECT name, value FROM settings").fetchall())
    defaults = Settings()
    known = {
        name: type(getattr(defaults, name))(value) for name, value in kept.items() if hasattr(defaults, name)
    }
    return replace(defaults, **known)


def change_setting(con: duckdb.DuckDBPyConnection, name: str, value: Any, who: str = "") -> Settings:
    """Change one setting, and keep what it was.

    Raises
    ------
    UsageError
        If there is no such setting, the value cannot be right, or the zone of a store with data is to change:
        times are kept as local times, and would all mean something else.

    """
    before = settings_of(con)
    after = before.with_value(name, value)
    old, new = str(getattr(before, name)), str(getattr(after, name))
    if old == new:
        return after
    if name == "zone" and count(
        con, "SELECT (SELECT count(*) FROM snapshots) + (SELECT count(*) FROM events)"
    ):
        raise UsageError(
            "the zone cannot change once the store has data: times are kept as local times",
            do="make a new store, set its zone, and import the files again",
        )
    con.execute("DELETE FROM settings WHERE name = ?", [name])
    con.execute("INSERT INTO settings VALUES (?, ?, ?, ?)", [name, new, clock.now_utc(), who])
    con.execute(_AUDIT, [clock.now_utc(), who, "setting", name, old, new])
    return after


def profiles_of(con: duckdb.DuckDBPyConnection) -> dict[str, Profile]:
    """Give all profiles that units of this store can have, by name: the built-in ones and its own."""
    known = {name: builtin(name) for name in builtin_names()}
    for name, text in con.execute("SELECT name, toml FROM profiles ORDER BY name").fetchall():
        known[name] = parse_profile(text, f"profile {name} in the store")
    return known


def add_profile(con: duckdb.DuckDBPyConnection, profile: Profile, who: str = "") -> None:
    """Keep a profile in the store; the same one again changes nothing, a changed one replaces.

    Raises
    ------
    UsageError
        If it has a built-in profile's name with other content, or no longer fits readings that were taken
        under it (a signal in another unit; a shift, pack or mode less).

    """
    known = profiles_of(con)
    old = known.get(profile.name)
    if old == profile:
        return
    if profile.name in builtin_names():
        raise UsageError(
            f"{profile.name!r} is a built-in profile and cannot be replaced",
            do="give your profile another name",
        )
    text = to_toml(profile)
    if old is not None:
        _refuse_if_unfit(con, old, profile, "u.profile = ?", profile.name)
        con.execute("DELETE FROM profiles WHERE name = ?", [profile.name])
        con.execute(_AUDIT, [clock.now_utc(), who, "profile", profile.name, to_toml(old), text])
    con.execute("INSERT INTO profiles VALUES (?, ?, ?, ?)", [profile.name, text, clock.now_utc(), who])
    sync_signal_units(con, profiles_of(con))


def sync_signal_units(con: duckdb.DuckDBPyConnection, profiles: dict[str, Profile]) -> None:
    """Keep beside the data in which unit each profile in use keeps its signals, for the views.

    A signal that the views do not know, or that cannot be converted, is shown as it is kept.
    """
    used = [name for (name,) in con.execute("SELECT DISTINCT profile FROM units ORDER BY 1").fetchall()]
    rows = []
    for profile in (profiles[name] for name in used if name in profiles):
        for signal in profile.signals:
            wanted = VIEW_UNITS.get(signal.name, signal.unit)
            fits = convertible(signal.unit, wanted)
            factor, shift = conversion(signal.unit, wanted) if fits else (1.0, 0.0)
            rows.append(
                (profile.name, signal.name, signal.unit, wanted if fits else signal.unit, factor, shift)
            )
    held = con.execute("FROM signal_units ORDER BY profile, signal").fetchall()
    if held == sorted(rows):
        return
    con.execute("DELETE FROM signal_units")
    if rows:
        con.executemany("INSERT INTO signal_units VALUES (?, ?, ?, ?, ?, ?)", sorted(rows))


def change_profile(
    con: duckdb.DuckDBPyConnection, unit: str, name: str, who: str, *, anyway: bool = False
) -> bool:
    """Let a unit use another profile, and keep which it was; runs in the transaction of the caller.

    Returns
    -------
    bool
        False if it was so already.

    Raises
    ------
    UnknownName
        If there is no such profile.
    UsageError
        If the unit's readings do not fit that profile (a signal in another unit; a shift, pack or mode less).
    NotConfirmed
        If they fit it in name only (see `_doubts_of`), and not `anyway`.

    """
    known = profiles_of(con)
    if name not in known:
        raise UnknownName(f"there is no profile {name!r}", do=f"there are {', '.join(sorted(known))}")
    was, file, line = con.execute(
        "SELECT profile, file_id, line FROM units WHERE unit = ?", [unit]
    ).fetchall()[0]
    if was == name:
        return False
    _refuse_if_unfit(con, known[was], known[name], "s.unit = ?", unit)
    doubts = _doubts_of(con, unit, known[was], known[name])
    if doubts and not anyway:
        raise NotConfirmed(
            f"profile {name!r} seems to be another transmission: {'; '.join(doubts)}", f"unit {unit}"
        )
    con.execute("UPDATE units SET profile = ?, file_id = NULL, line = NULL WHERE unit = ?", [name, unit])
    con.execute(
        "INSERT INTO audit VALUES (?, ?, 'unit', ?, NULL, '', '', '', '', 'profile', ?, ?, ?, ?, NULL, NULL)",
        [clock.now_utc(), who, unit, was, name, file, line],
    )
    sync_signal_units(con, known)
    return True


def _doubts_of(con: duckdb.DuckDBPyConnection, unit: str, old: Profile, new: Profile) -> list[str]:
    """Say why a profile that has the names of a unit's readings may still be of another transmission.

    Either shifts of the same name work with other packs, so that what was read of one pack would be blamed on
    another; or the last volumes are far from all that the profile has a pack at, from new to its limit.
    """
    read = con.execute(
        """SELECT DISTINCT c.channel FROM readings r JOIN cells c USING (cell_id)
        JOIN snapshots s USING (snapshot_id) WHERE s.unit = ?""",
        [unit],
    ).fetchall()
    channels, shifts = {channel for (channel,) in read}, {s.id: s for s in old.shifts}
    pairs = [(shifts[s.id], s) for s in new.shifts if s.id in shifts and s.id in channels]
    moved = [(a, b) for a, b in pairs if (a.applies, a.releases) != (b.applies, b.releases)]
    doubts = []
    if moved:
        a, b = moved[0]
        doubts.append(
            f"other packs work in {', '.join(b.id for _, b in moved)} (in {b.id}, {a.applies} comes on and "
            f"{a.releases} goes off, there {b.applies} and {b.releases})"
        )
    volumes = con.execute(
        """SELECT channel, median(value) FROM (
            SELECT c.channel, r.value FROM readings r JOIN cells c USING (cell_id)
            JOIN snapshots s USING (snapshot_id) WHERE s.unit = ? AND c.signal = 'clutch_volume'
            QUALIFY row_number() OVER (PARTITION BY c.channel ORDER BY s.taken_at_local DESC) <= ?)
        GROUP BY channel ORDER BY channel""",
        [unit, LAST_VOLUMES],
    ).fetchall()
    for pack, stored in volumes:
        clutch, measure = new.clutch(pack), new.signal("clutch_volume").unit
        limit, volume = clutch.limit_cm3, to_unit(stored, measure, "cm3")
        if clutch.new_volume_cm3 is None or limit is None:
            continue
        beyond = max(clutch.new_volume_cm3 - volume, volume - limit)
        if beyond > FAR_OUTSIDE * (limit - clutch.new_volume_cm3):
            doubts.append(
                f"{pack} was read at {volume:.1f} cm3, and is there {clutch.new_volume_cm3:g} cm3 new and "
                f"{limit:g} cm3 at its limit"
            )
    return doubts


def _refuse_if_unfit(con: duckdb.DuckDBPyConnection, old: Profile, new: Profile, of: str, value: str) -> None:
    """Refuse a profile that readings taken under another do not fit; `of` is the condition for them."""
    used = con.execute(
        f"""SELECT DISTINCT c.mode, c.channel, c.signal FROM readings r
        JOIN cells c USING (cell_id) JOIN snapshots s USING (snapshot_id) JOIN units u USING (unit)
        WHERE {of}""",
        [value],
    ).fetchall()
    units = {s.name: s.unit for s in new.signals}
    channels = {c.id for c in new.clutches} | {s.id for s in new.shifts}
    for mode, channel, signal in used:
        if units.get(signal) != old.signal(signal).unit:
            reason = f"{signal} was taken in {old.signal(signal).unit}"
        elif channel not in channels:
            reason = f"there are readings of {channel}"
        elif mode and mode not in new.modes:
            reason = f"there are readings in mode {mode}"
        else:
            continue
        raise UsageError(
            f"profile {new.name!r} does not fit the readings in the store: {reason}",
            do="give it another name, or put in what is missing",
        )
