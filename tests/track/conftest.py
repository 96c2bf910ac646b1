"""Known limits of the tracker, each told in DEVELOPERS.md; a test that always passes must leave this list."""

import pytest

NOT_ALWAYS: dict[str, str] = {
    "test_either_resolution": "while cranking, a run of missing teeth on a plain wheel may be counted one off",
}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if "tests/track/" in item.nodeid and item.name in NOT_ALWAYS:
            item.add_marker(pytest.mark.xfail(reason=NOT_ALWAYS[item.name], strict=False))
