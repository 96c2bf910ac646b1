"""Known limits of the tracker, each told in DEVELOPERS.md; a test that begins to pass must leave this list."""

import pytest

GENTLE_STOP = "the last teeth before a gentle stop are not handed on"
KNOWN = {
    **{f"test_stop_and_restart[{w}]": GENTLE_STOP for w in ("60-2", "36-1", "36-2", "24-1", "36", "36-2-2-2", "12+1")},
    "test_a_stop_at_the_end_of_the_recording": GENTLE_STOP,
    "test_noise_and_then_a_start[-100.0]": "a trailing edge before the first tooth is told as a contact",
}
NOT_ALWAYS = {
    "test_an_extra_pulse_put_in_and_taken_out": "a dip just behind a tooth's edge may be taken for that edge",
    "test_either_resolution": "while cranking, a run of missing teeth on a plain wheel may be counted one off",
    "test_the_same_teeth_and_events[12-1-cranking]": "a dip just behind a tooth's edge may be taken for that edge",
}


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for item in items:
        if "tests/track/" not in item.nodeid:
            continue
        if item.name in KNOWN:
            item.add_marker(pytest.mark.xfail(reason=KNOWN[item.name], strict=True))
        elif item.name in NOT_ALWAYS:
            item.add_marker(pytest.mark.xfail(reason=NOT_ALWAYS[item.name], strict=False))
