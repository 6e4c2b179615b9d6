"""A simulator of fleets, written apart from the program, its statistics and the other simulators.

It was made from the trade's general account and from the forms of the files, without a look at any of
those. Everything is invented: no number belongs to a real transmission. It knows one profile, `generic-6`.

    from tests.bench.dailyworld import make_fleet
    fleet = make_fleet(units=40, seed=1, difficulty="usual")

Every unit is run day by day. Each cell (signal, shift, mode) has a true need, made of the unit's own level,
power, load, age of the fluid, wear of the applied pack, supply pressure, season and wandering with memory.
The controller moves its learned value towards that need by so much for every shift that it learns from. Wear
lies on a grid of distance and has a closed form, so that the true remaining distance is exact.

The walk: `dials` (how hard) -> `shared` (what the units of a fleet have in common) -> `calendar` (driving and
readings out) -> `acts` (what happens) -> `wearing` (volumes) and `needs` (what each cell asks for) -> `use`
(how often each cell learns) -> `controller` (what was learned) -> `readout` (what the tool shows) -> `slips`
(what is lost or mistyped) and `log` (what people write down) -> `fleet` (frames and truth).
"""

from tests.bench.dailyworld.dials import DIALS, Dial
from tests.bench.dailyworld.fleet import PROFILE, make_fleet

__all__ = ["DIALS", "PROFILE", "Dial", "make_fleet"]
