"""Hand-made analyses for the report tests: invented units, every number set here, no engine involved."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import numpy as np

from driftwatch.assessment.results import Caution, Effect, Finding, Rival, UnitAnalysis, UnitAssessment
from driftwatch.changes.results import Change, UnitFit
from driftwatch.panel.panel import Cell, Event, Panel
from driftwatch.profile.load import builtin
from driftwatch.profile.model import Profile
from driftwatch.service.results import ClutchOutlook
from driftwatch.service.states import Standing

#: A name with everything that could break out of HTML, a script, a calendar line or a spreadsheet cell.
NASTY = "=1+1 <script>alert('x')</script> \"Q\" & שלום 🚚, a;b\\c </script><!--"
START = datetime(2025, 1, 10, 9, 0)
AS_OF = date(2026, 3, 31)
NOISE = {
    "clutch_volume": 0.25,
    "apply_trim": 3.0,
    "release_trim": 3.0,
    "shift_time": 0.012,
    "torque_cut": 1.0,
}
BASE = {"apply_trim": 10.0, "release_trim": -5.0, "shift_time": 0.5, "torque_cut": 20.0}
#: Snapshots 0..14, 30 days and 6000 km apart; a change made just before snapshot 11 is day 325, 1 Dec 2025.
SNAPSHOTS, STEP_AT = 15, 11
CHANGED_ON = date(2025, 11, 20)


def outlook(clutch="pack3", service="clear", used=0.2, p50=None, limit=36.0, volume=26.4, growth=0.5, **more):
    """One pack; `p50` is the distance to the limit in km (p10 is 0.6 of it, p90 1.7 times), 200 km a day."""
    km = (
        {"p10": None, "p50": None, "p90": None}
        if p50 is None
        else {"p10": 0.6 * p50, "p50": p50, "p90": 1.7 * p50}
    )
    due = {k: None if v is None else AS_OF + timedelta(days=round(v / 200)) for k, v in km.items()}
    ahead = 84000.0 + 40000.0 + np.linspace(0, 60000, 13)
    mid = volume + growth * (ahead - ahead[0]) / 10000
    wide = 0.3 + 0.3 * growth * (ahead - ahead[0]) / 10000
    values = {
        "clutch": clutch, "life_start": 0, "life_start_cm3": 24.0, "volume_cm3": volume,
        "growth_cm3_per_10000km": growth, "growth_interval": (0.7 * growth, 1.3 * growth), "limit_cm3": limit,
        "limit_source": "illustrative values of the built-in profile", "used": used, "used_se": 0.03,
        "remaining_km": km, "due_on": due, "chance_within": (10000.0, 0.62 if service == "due" else 0.05),
        "standing": Standing(service, 0.0, 1.0), "reason": f"{clutch} stands at {volume} cm3 of {limit} cm3.",
        "fan_km": ahead, "fan_p10": mid - wide, "fan_p50": mid, "fan_p90": mid + wide,
    }  # fmt: skip
    return ClutchOutlook(**{**values, **more})


def finding(cause="power", probability=0.9, size=None, **more):
    values = {
        "cause": cause, "probability": probability, "after": date(2025, 11, 6), "by": date(2025, 12, 6),
        "clutch": None,
        "modes": ("normal", "tow", "low"), "shifts": ("1-2", "2-3"), "event": None,
        "size": size if size is not None else (Effect("apply_trim", "kPa", 18.0, 14.0, 22.0),),
        "rivals": (Rival("fluid", 0.05),),
        "sentence": f"A {cause} change acted between 6 Nov and 6 Dec 2025.",
    }  # fmt: skip
    return Finding(**{**values, **more})


def caution(kind="overlap", channels=("2-3",), since=date(2025, 12, 6), sentence=None):
    return Caution(
        kind, channels, since, sentence or f"A caution of kind {kind} about {', '.join(channels)}."
    )


def panel(
    unit="U-01", site="North yard", step=None, learn=6.0, events=(), no_tow_after=False,
    profile: Profile | None = None,
    signals=("clutch_volume", "apply_trim", "release_trim", "shift_time", "torque_cut"),
):  # fmt: skip
    """A panel of the generic six-speed; `step` maps (signal, shift, mode; None: all) to a jump."""
    profile = profile or builtin("generic-6")
    cells = [
        Cell("clutch_volume", c.id, "", "cm3") for c in profile.clutches if "clutch_volume" in signals
    ] + [
        Cell(s, sh.id, m, profile.signal(s).unit, sh.applies, sh.releases, sh.is_up)
        for s in signals if s != "clutch_volume" for m in profile.modes for sh in profile.shifts
    ]  # fmt: skip
    t = np.arange(SNAPSHOTS)
    taken = np.array([START + timedelta(days=30 * int(k)) for k in t], dtype="datetime64[us]")
    odometer = 40000.0 + 6000.0 * t
    truth, values = np.zeros((SNAPSHOTS, len(cells))), np.zeros((SNAPSHOTS, len(cells)))
    for i, cell in enumerate(cells):
        if cell.signal == "clutch_volume":
            pack = profile.clutch(cell.channel)
            level = pack.new_volume_cm3 + (0.55 if cell.channel == "pack3" else 0.1) * t * 0.6
        else:
            level = np.full(SNAPSHOTS, BASE[cell.signal] * (1 + 0.1 * (i % 7)))
        for (signal, shift, mode), size in (step or {}).items():
            if signal == cell.signal and shift in (None, cell.channel) and mode in (None, cell.mode):
                level = level + size * (t >= STEP_AT)
        truth[:, i] = level
        values[:, i] = level + NOISE[cell.signal] * np.sin(1.7 * t + 2.3 * i)
    usable = np.isfinite(values)
    counts = np.full(values.shape, learn)
    counts[:, [i for i, c in enumerate(cells) if c.signal == "clutch_volume"]] = np.nan
    if no_tow_after:
        late = np.ix_(t >= STEP_AT, [i for i, c in enumerate(cells) if c.mode == "tow"])
        usable[late], counts[late] = False, 0.0
    made = Panel(
        unit=unit, profile=profile, taken_at=taken, days=(30.0 * t).astype(float), odometer_km=odometer,
        fluid_temp_c=np.full(SNAPSHOTS, 82.0), cells=tuple(cells), values=values, learn_counts=counts,
        usable=usable,
        slips=np.zeros(usable.shape, dtype=bool), events=tuple(events), site=site,
    )  # fmt: skip
    return made, truth


def analysis(
    unit="U-01",
    state="steady",
    findings=(),
    clutches=None,
    cautions=(),
    with_fit=True,
    snapshots=SNAPSHOTS,
    **panel_args,
):
    """One unit's whole walk, by hand."""
    made, truth = panel(unit, **panel_args)
    noise = np.array([NOISE[c.signal] for c in made.cells])
    changes = ()
    if panel_args.get("step"):
        size = truth[STEP_AT] - truth[STEP_AT - 1]
        changes = (Change("step", STEP_AT, (STEP_AT, STEP_AT), size, noise / 2, 30.0),)
    fit = UnitFit(
        fitted=truth, fitted_se=np.broadcast_to(noise / 2, truth.shape).copy(), slope=np.zeros(len(noise)),
        slope_se=noise / 10, noise_sd=noise, changes=changes,
    )  # fmt: skip
    if clutches is None:
        clutches = tuple(
            outlook(c.id, limit=c.limit_cm3, volume=c.new_volume_cm3 + 1) for c in made.profile.clutches
        )
    said = UnitAssessment(
        unit, made.profile.name, snapshots, date(2025, 1, 10), date(2026, 3, 6), 124000.0, 200.0, state,
        f"The unit is {state}.", tuple(findings), tuple(clutches), tuple(cautions),
    )  # fmt: skip
    return UnitAnalysis(made, fit if with_fit else None, said)


def event(kind="power", amount=60.0, unit="N.m", note="", id_="E7", on=CHANGED_ON):
    return Event(
        id_, np.datetime64(datetime(on.year, on.month, on.day, 8, 0), "us"), kind, amount, unit, note
    )


POWER_STEP = {
    ("apply_trim", None, None): 18.0,
    ("release_trim", None, None): 12.0,
    ("torque_cut", None, None): 5.0,
}
LOAD_STEP = {("apply_trim", None, "tow"): 20.0, ("shift_time", None, "tow"): 0.06}


def fleet(n=24):
    """A fleet with one of everything, the rest steady."""
    made = [
        analysis(
            NASTY, "worn", site="Yard <b>&</b>",
            clutches=(outlook("pack3", "due", 0.97, 1200.0, volume=35.6),),
        ),
        analysis(
            "U-02", "worn",
            clutches=(
                outlook("pack3", "due", 1.03, 0.0, volume=36.4), outlook("pack2", limit=43.6, volume=33.0)
            ),
        ),
        analysis("U-03", "worn", clutches=(outlook("pack4", "plan", 0.8, 11000.0, limit=40.5, volume=37.9),)),
        analysis(
            "U-04", "worn", clutches=(outlook("pack5", "watch", 0.6, 33000.0, limit=73.0, volume=64.2),)
        ),
        analysis("U-05", "attention", cautions=(caution("overlap"), caution("authority", ("3-4",)))),
        analysis("U-06", "attention", findings=(finding("pressure", 0.82),)),
        analysis(
            "U-07", "changed", findings=(finding("power", 0.91, event="E7"),), step=POWER_STEP,
            events=(event(),),
        ),
        analysis("U-08", "settling", findings=(finding("load", 0.7),), cautions=(caution("unlearned"),)),
        analysis("U-09", "steady", cautions=(caution("stale", ()),)),
        analysis("U-10", "too_few", snapshots=3, clutches=(), with_fit=False),
    ]  # fmt: skip
    made += [analysis(f"U-{k:02d}") for k in range(11, n + 1)]
    return tuple(made)
