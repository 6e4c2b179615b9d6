"""A third simulator of fleets, written apart from `driftwatch.simulate`, `otherworld` and the statistics.

No size of any effect is tabulated in it. The controller commands pressures from its own tables: nominal
friction, the torque that the engine reports, the fill of a new pack. What a clutch really needs follows from
real torque, friction, fill and supply pressure, and the learned trim is the difference, approached shift by
shift. A cause alters a physical state, and what each cell then shows follows from `needs`. Everything is
invented: no number belongs to a real transmission.

    from tests.bench.derivedworld import make_fleet
    fleet = make_fleet(units=40, seed=1, difficulty="usual")

The walk: `arrangement` (packs, shifts, cells) and `dials` (how hard) -> `design` (what a fleet shares) ->
`plans` (who meets what) -> `driving` (kilometres and roads), `build` (tolerances), `wear` (packs) and `needs`
(real pressure against the tables) -> `controller` (what is learned and read out) -> `unit` (one transmission
from day to day) -> `told` (readings and log with their gaps and slips) -> `fleet` (frames and truth).
"""

from tests.bench.derivedworld.arrangement import PROFILE
from tests.bench.derivedworld.dials import DIALS, Dial
from tests.bench.derivedworld.fleet import make_fleet

__all__ = ["DIALS", "PROFILE", "Dial", "make_fleet"]
