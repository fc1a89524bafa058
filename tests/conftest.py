"""Shared by all tests: nothing of the person's own settings may leak in."""

from __future__ import annotations

import pytest


@pytest.fixture(autouse=True)
def _plain_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("COLLARGAP_CATALOG", "COLLARGAP_TRACEBACK", "FORCE_COLOR"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("COLUMNS", "100")
