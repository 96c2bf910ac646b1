"""Pin to finding through the firmware, the pseudo-terminal and the link: the short form of bench_chain.py."""

from __future__ import annotations

from tests.benchmarks.bench_chain import found, places, swept, through
from tests.cli.test_start import virtual_rig_is_here
from tests.parts import need


def test_a_healthy_signal_through_the_whole_chain_gives_no_event() -> None:
    need("the virtual rig", virtual_rig_is_here())
    outcome = through(swept(150, set()))
    assert outcome.result.events == []
    assert outcome.arrived == outcome.sent
    assert outcome.result.revolutions == 150


def test_teeth_left_out_come_out_with_tooth_and_revolution() -> None:
    need("the virtual rig", virtual_rig_is_here())
    put = places(150, 20, seed=5)
    outcome = through(swept(150, {(r, t + i) for r, t, n in put for i in range(n)}))
    assert found(outcome.result) == put
    assert len(outcome.result.events) == len(put)
