"""All measures of a recording in one place, fed as the examination goes along."""

from __future__ import annotations

from collections.abc import Sequence

from toothwise.checks.cam_edges import CamEdges
from toothwise.checks.duty import Duty
from toothwise.checks.full_count import FullCount
from toothwise.checks.gap import Gap
from toothwise.checks.jitter import Jitter
from toothwise.checks.orders import Orders
from toothwise.checks.polarity import Polarity
from toothwise.checks.startup import Startup
from toothwise.checks.stripes import Stripes
from toothwise.checks.wheel_error import WheelError
from toothwise.edges.signal import Clock, Edges
from toothwise.records import Event, Measure
from toothwise.track.teeth import Teeth
from toothwise.wheel.pattern import Wheel


class Measures:
    """Feed teeth and edges of every channel, in order of time; ask once at the end.

    wheel: the crank's. crank: its channel. cam: whether the recording has a cam.
    cam_reference_deg: the cam's edges on a known-good engine, crank degrees. cylinders: the engine's, if known.
    """

    def __init__(
        self,
        wheel: Wheel,
        clock: Clock,
        *,
        crank: str = "crank",
        cam: bool = True,
        cam_reference_deg: Sequence[float] = (),
        cylinders: int | None = None,
    ) -> None:
        self._cam = cam
        self.crank = crank
        self._reference = cam_reference_deg
        self.wheel_error = WheelError(wheel, clock, cylinders)
        self.cam_edges = CamEdges(wheel, clock)
        self._jitter, self._full = Jitter(wheel, clock), FullCount(wheel, clock)
        self._startup, self._duty = Startup(wheel, clock), Duty()
        self._polarity = Polarity(wheel)
        self._stripes, self._orders = Stripes(wheel.teeth), Orders(wheel.slots_a_turn)
        self._wheel = wheel

    def feed(self, channel: str, teeth: Teeth) -> None:
        if channel != self.crank:
            return
        self.wheel_error.add(teeth)
        if self._cam:
            self.cam_edges.add(teeth)
        self._jitter.add(teeth)
        self._full.add(teeth)
        self._startup.add(teeth)
        self.feed_events(teeth.events)

    def feed_events(self, events: tuple[Event, ...]) -> None:
        """Events of the crank that came another way than with its teeth."""
        self._stripes.add(events)
        self._orders.add(events)

    def feed_edges(self, channel: str, edges: Edges) -> None:
        if channel == "cam":
            self.cam_edges.add_edges(edges)
        elif channel == self.crank:
            self._duty.add(edges)
            self._polarity.add(edges)

    def finish(self) -> list[Measure]:
        learnt = self.wheel_error.result()
        out = self.wheel_error.measures(learnt) + (Gap(self._wheel).measures(learnt) if learnt else [])
        out += self._jitter.measures() + self._duty.measures() + self._full.measures() + self._polarity.measures()
        out += self._stripes.measures() + self._orders.measures() + self._startup.measures()
        return out + self.cam_edges.measures(self._reference)
