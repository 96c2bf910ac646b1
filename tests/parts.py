"""Parts a test needs and a machine may lack: skipped there, failed where everything is promised to be present."""

import os

import pytest


def need(name: str, present: bool) -> None:
    """Skip the running test when a part is absent; fail it when TOOTHWISE_REQUIRE is set."""
    if present:
        return
    if os.environ.get("TOOTHWISE_REQUIRE"):
        pytest.fail(f"{name} is missing, and TOOTHWISE_REQUIRE asks for it")
    pytest.skip(f"needs {name}")
