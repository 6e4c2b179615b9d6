"""The demo's invented fleet: 24 units in which every cause acts, some of it unlogged, some at once.

Nothing in it is real: units, depots, dates and values are made up here, from fixed seeds, so that the same
files come out each time. Make them with `python -m driftwatch.simulate.scenario FOLDER`.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np

from driftwatch.profile.load import builtin
from driftwatch.profile.model import Profile
from driftwatch.simulate import demo_files
from driftwatch.simulate.demo_units import (
    FOLLOWUP_ON,
    FOLLOWUP_UNIT,
    OWNER_ON,
    OWNER_UNIT,
    SOUTH,
    Sketch,
    sketches,
)
from driftwatch.simulate.difficulty import USUAL
from driftwatch.simulate.frames import SimulatedFleet, gather
from driftwatch.simulate.learning import UnitRun, simulate_unit, stream
from driftwatch.simulate.plan import UnitPlan
from driftwatch.simulate.wear import wear_path

#: The demo is told as of this day; nothing in it is later, but for one mistyped date.
DEMO_AS_OF = date(2026, 10, 31)
DEMO_SEED = 20261031
DEMO_DIFFICULTY = replace(USUAL, slips=1e-4, missing_signal=0.0, missing_mode=0.0)

_OWNER_DAY, _FOLLOWUP_DAY = date.fromisoformat(OWNER_ON), date.fromisoformat(FOLLOWUP_ON)


@dataclass(frozen=True)
class DemoFiles:
    """The demo's files, and what to show with them.

    Attributes
    ----------
    folder : Path
    units, snapshots, shop_sheet, shop_mapping, events, readme : Path
        `shop_sheet` is a wide workbook, to be read through `shop_mapping`.
    as_of : date
        The day the demo is told as of.
    month : str
        The month to review.
    owner_unit, owner_event_kind, owner_event_on : str, str, date
        The owner's unit and the change that the owner asks about.
    followup_unit, followup_event_kind, followup_event_on : str, str, date
        The shop's unit and the change it follows up.

    """

    folder: Path
    units: Path
    snapshots: Path
    shop_sheet: Path
    shop_mapping: Path
    events: Path
    readme: Path
    as_of: date = DEMO_AS_OF
    month: str = f"{DEMO_AS_OF:%Y-%m}"
    owner_unit: str = OWNER_UNIT
    owner_event_kind: str = "load"
    owner_event_on: date = _OWNER_DAY
    followup_unit: str = FOLLOWUP_UNIT
    followup_event_kind: str = "power"
    followup_event_on: date = _FOLLOWUP_DAY

    @property
    def imports(self) -> tuple[tuple[Path, Path | None], ...]:
        """Files in the order in which to import them, each with its mapping if it needs one."""
        return (
            (self.units, None),
            (self.snapshots, None),
            (self.shop_sheet, self.shop_mapping),
            (self.events, None),
        )


def demo_fleets() -> tuple[SimulatedFleet, SimulatedFleet]:
    """Simulate the demo's two transmission types, with the truth: units of the long file, of the sheet."""
    six, eight = builtin("generic-6"), builtin("generic-8")
    runs = [
        _run(sketch, eight if sketch.site == SOUTH else six, number)
        for number, sketch in enumerate(sketches())
    ]
    return gather([r for r in runs if r.plan.profile is six]), gather(
        [r for r in runs if r.plan.profile is eight]
    )


def write_demo(folder: str | Path) -> DemoFiles:
    """Write the demo's files into a folder, which is made if it is not there.

    Parameters
    ----------
    folder : path
        Files of the same names in it are overwritten.

    Returns
    -------
    DemoFiles

    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    north, south = demo_fleets()
    files = DemoFiles(
        folder=folder,
        units=folder / "invented-units.csv",
        snapshots=folder / "invented-snapshots-north-yard.csv",
        shop_sheet=folder / "invented-shop-sheet-south-yard.xlsx",
        shop_mapping=folder / "invented-shop-sheet-south-yard.mapping.toml",
        events=folder / "invented-events.csv",
        readme=folder / "README.txt",
    )
    demo_files.write_units(files.units, (north, south))
    demo_files.write_snapshots(files.snapshots, north)
    demo_files.write_sheet(files.shop_sheet, south)
    demo_files.write_mapping(files.shop_mapping, south)
    demo_files.write_events(files.events, (north, south))
    files.readme.write_text(demo_files.README, encoding="utf-8")
    return files


def _run(sketch: Sketch, profile: Profile, number: int) -> UnitRun:
    seed = np.random.SeedSequence([DEMO_SEED, number])
    plan = _plan(sketch, profile, stream(seed, 100))
    actions = list(plan.actions)
    for k, action in enumerate(actions):
        if action.kind == "wear":
            size = _size_of_wear(replace(plan, actions=tuple(actions)), k, seed)
            actions[k] = replace(action, size=size)
    return simulate_unit(replace(plan, actions=tuple(actions)), seed, DEMO_DIFFICULTY)


def _plan(sketch: Sketch, profile: Profile, rng: np.random.Generator) -> UnitPlan:
    first = np.datetime64(f"{sketch.first}T{7 + rng.integers(0, 9):02d}:{rng.integers(0, 60):02d}", "m")

    def day(on: str) -> float:
        # In the middle of the working day.
        return float((np.datetime64(f"{on}T12:00", "m") - first) / np.timedelta64(1, "m")) / 1440.0

    # About monthly, on whole days, in working hours.
    span = day(sketch.last) - float(rng.integers(0, 8))
    count = round(span / 30.4)
    dates = np.round(np.linspace(0.0, span, count + 1)[1:])
    dates[:-1] += rng.integers(-6, 7, count - 1)
    midnight = (first.astype("datetime64[D]") - first) / np.timedelta64(1, "m") / 1440.0
    read = dates + float(midnight) + rng.integers(7 * 60, 17 * 60, count) / 1440.0
    days = np.unique(np.concatenate([[0.0], read, [day(on) for on in sketch.extra]]))
    acts = [replace(a.action, day=day(a.on)) for a in sketch.acts]
    log = [replace(entry, day=day(a.on) + a.off) for a in sketch.acts for entry in a.log]
    log += [replace(entry, day=day(on)) for on, entry in sketch.idle]
    return UnitPlan(
        unit=sketch.unit,
        profile=profile,
        first=first,
        snapshot_days=days,
        km_per_day=float(sketch.km_per_day),
        first_odometer_km=float(sketch.odometer_km),
        actions=tuple(acts),
        logged=tuple(bool(a.log) for a in sketch.acts),
        log=tuple(sorted(log, key=lambda e: e.day)),
        signals=tuple(s.name for s in profile.signals if s.name not in sketch.without),
        modes=sketch.modes,
        mode_use={"tow": sketch.tow_use},
        site=sketch.site,
        note=f"invented; {sketch.note}" if sketch.note else "invented",
    )


def _size_of_wear(plan: UnitPlan, number: int, seed: np.random.SeedSequence) -> float:
    """Solve for the rate at which the pack has used the wished share of its allowance when its life ends.

    The volume at the end is linear in the rate, so two runs of the wear alone give it.
    """
    action = plan.actions[number]
    pack = [c.id for c in plan.profile.clutches].index(action.packs[0])
    ends = [a.day for a in plan.actions if a.kind == "rebuild" and action.packs[0] in a.packs]
    end = min([*ends, float(plan.snapshot_days[-1])])

    def used(rate: float) -> float:
        acts = tuple(replace(a, size=rate) if k == number else a for k, a in enumerate(plan.actions))
        path = wear_path(replace(plan, actions=acts), stream(seed, 0), DEMO_DIFFICULTY)
        row = int(np.searchsorted(path.days, end))
        first = path.volume[0, pack]
        return float((path.volume[row, pack] - first) / (path.limit[pack] - first))

    low, high = used(0.0), used(1.0)
    return (action.size - low) / (high - low)


if __name__ == "__main__":
    made = write_demo(sys.argv[1] if len(sys.argv) > 1 else "data/demo")
    sys.stdout.write(f"The invented demo files are in {made.folder}\n")
