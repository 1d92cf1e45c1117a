"""What all tests share: a quiet environment and hypothesis without deadlines."""

from __future__ import annotations

import os

import pytest
from hypothesis import HealthCheck, Phase, settings

settings.register_profile("steady", deadline=None, suppress_health_check=[HealthCheck.too_slow])
# A gate must say the same of the same commit twice; new examples are sought wherever somebody runs the tests by hand.
settings.register_profile("gate", settings.get_profile("steady"), derandomize=True, database=None)
settings.register_profile(
    "unshrunk",  # for tests/mutation: that a test fails is all that is asked
    deadline=None,
    suppress_health_check=list(HealthCheck),
    phases=[Phase.explicit, Phase.generate],
    database=None,
)
settings.load_profile("gate" if os.environ.get("CI") else "steady")


@pytest.fixture(autouse=True)
def _plain_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same terminal for everybody: 80 columns, no colour wishes, no debug mode."""
    for name in ("NO_COLOR", "FORCE_COLOR", "BUSLEDGER_DEBUG", "LC_ALL", "LC_CTYPE"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("LANG", "C.UTF-8")
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("LINES", "24")
