"""What the browser's tests share."""

from __future__ import annotations

import pytest

from tests.tui.builders import FakeSession, make_session


@pytest.fixture(scope="module")
def session(tmp_path_factory: pytest.TempPathFactory) -> FakeSession:
    """A decoded capture of a card with a fault, one for each module."""
    return make_session(tmp_path_factory.mktemp("session"))
