"""The small transmission of these tests."""

import pytest
from by_hand import six_speed

from driftwatch.profile.model import Profile


@pytest.fixture(scope="session")
def profile() -> Profile:
    return six_speed()
