"""Known limits of the tracker, each told in DEVELOPERS.md; a test that begins to pass must leave this list."""

import pytest

KNOWN = {
    "test_noise_and_then_a_start[-100.0]": "a trailing edge before the first tooth is told as a contact",
}
NOT_ALWAYS = {
    "test_either_resolution": "while cranking, a run of missing teeth on a plain wheel may be counted one off",
}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if "tests/track/" not in item.nodeid:
            continue
        if item.name in KNOWN:
            item.add_marker(pytest.mark.xfail(reason=KNOWN[item.name], strict=True))
        elif item.name in NOT_ALWAYS:
            item.add_marker(pytest.mark.xfail(reason=NOT_ALWAYS[item.name], strict=False))
