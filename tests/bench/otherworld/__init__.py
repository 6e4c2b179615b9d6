"""A second simulator of fleets, written apart from `driftwatch.simulate` and from the statistics.

It was made from the trade's general account of what a controller learns and what each cause leaves behind,
without a look at the other simulator or at the model, so that the scorecard does not only measure how well
two things by the same hand agree. Everything is invented: no number belongs to a real transmission.

    from tests.bench.otherworld import make_fleet
    fleet = make_fleet("generic-6", units=40, seed=1, difficulty="usual")

The walk: `dials` (how hard) -> `world` (coefficients of this fleet and of each unit) -> `calendar` (driving
and readings out) -> `story` (what happens, and what is logged) -> `wearing` (volumes) and `needs` (what each
shift asks for) -> `controller` (what was learned of it and read out) -> `trouble` (what is lost or mistyped)
-> `fleet` (frames and truth).
"""

from tests.bench.otherworld.dials import DIALS, Dial
from tests.bench.otherworld.fleet import OtherFleet, make_fleet

__all__ = ["DIALS", "Dial", "OtherFleet", "make_fleet"]
