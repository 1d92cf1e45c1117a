"""The run that varies the judged figures names only figures that there are."""

from __future__ import annotations

import importlib

import pytest

from tests.outside.sensitivity import GROUPS


@pytest.mark.parametrize("group", GROUPS)
def test_each_figure_stands_where_it_is_said_to(group):
    for module, names in GROUPS[group].items():
        stands = importlib.import_module(module)
        assert [name for name in names if not hasattr(stands, name)] == [], module
