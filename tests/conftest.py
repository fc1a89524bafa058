"""Shared by all tests: nothing of the person's own settings may leak in."""

from __future__ import annotations

import signal

import pytest


@pytest.fixture(scope="session", autouse=True)
def _ctrl_c_works() -> None:
    """In the background a shell has us ignore Ctrl-C, and with us every process that a test starts."""
    if signal.getsignal(signal.SIGINT) == signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(autouse=True)
def _plain_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("COLLARGAP_CATALOG", "COLLARGAP_TRACEBACK", "FORCE_COLOR"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("COLUMNS", "100")
