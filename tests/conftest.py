"""What every test module shares: the settings of hypothesis and the shipped tables."""

import os

import pytest
from hypothesis import settings

from decoder.tables import Tables
from decoder.tables import shipped as shipped_tables

# No deadlines: the machines that run these tests differ, and a slow one proves nothing.
settings.register_profile("dev", deadline=None)
settings.register_profile("ci", deadline=None, derandomize=True, print_blob=True)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "dev"))


@pytest.fixture(scope="session")
def shipped() -> Tables:
    """The tables as shipped, without any overlay of the machine that runs the tests."""
    return shipped_tables()
