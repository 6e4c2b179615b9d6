"""A small six-speed arrangement, built in code, so that these tests rest on no file."""

import pytest

from driftwatch.profile.model import Clutch, Profile, Shift, Signal

# Which two packs hold in each gear: a chart whose one-step shifts each swap one pack for one other.
CHART = {1: {1, 5}, 2: {1, 4}, 3: {1, 3}, 4: {1, 2}, 5: {2, 3}, 6: {2, 4}}


def six_speed() -> Profile:
    steps = [(g, g + 1) for g in range(1, 6)] + [(g + 1, g) for g in range(1, 6)]
    shifts = tuple(
        Shift(f"{a}-{b}", f"pack{min(CHART[b] - CHART[a])}", f"pack{min(CHART[a] - CHART[b])}")
        for a, b in steps
    )
    return Profile(
        name="test-6",
        title="Six-speed for tests",
        modes=("normal", "tow", "low"),
        clutches=tuple(
            Clutch(f"pack{i}", new_volume_cm3=v, service_limit_cm3=v * 1.4)
            for i, v in enumerate((36.0, 32.0, 24.0, 28.0, 50.0), start=1)
        ),
        shifts=shifts,
        signals=(
            Signal("clutch_volume", "cm3", 5.0, 140.0, 0.1),
            Signal("apply_trim", "kPa", -120.0, 120.0, 1.0),
            Signal("release_trim", "kPa", -120.0, 120.0, 1.0),
            Signal("shift_time", "s", 0.1, 1.5, 0.005),
            Signal("torque_cut", "%", 0.0, 80.0, 0.5),
        ),
        illustrative=True,
    )


@pytest.fixture(scope="session")
def profile() -> Profile:
    return six_speed()
