"""The rules of judgment of a wiggle test. Every number of a rule stands here.

Disturbance: one thing on one channel that a sound harness does not do. At rest and in continuity: the level leaves
where it rests and comes back (an interruption), or stays away. Turning: teeth missing, edges that no tooth made,
an edge that came too early or too late for its neighbours, silence. Of the feed: any time for which it was low.

Event: disturbances of any channel that follow one another within JOIN_S are one event: a contact that bounces. Its
duration is that of the longest single interruption in it, and puts it into one class. While turning, an interruption
that swallowed edges is known between two bounds only; the middle is given, and both bounds.

Wiggle: one stretch of one place between marks; a place that is marked again, also right after itself, is moved again.
An event within HUMAN_S of the mark between two wiggles of one place may be of either: it counts for the one that has
none of its own, where the other keeps another. A stretch shorter than SHORTEST_S was no wiggle, nor was one of which
less than half was seen by the rig. `hands off` is the background. `moving on` is the time in which the hands go from
one place to the next: its events, and what lies before the first mark, belong to no place, unless near the mark of one.

Whose event: hands begin to move up to HUMAN_S before or after the mark. Further than that from a mark an event belongs
to the place of its stretch. Nearer, it belongs to the one of both places that made more events a second away from its
marks, all its stretches taken together; where both made equally many, to the moved place rather than to hands off; then
to the one that made more from HUMAN_S before to HUMAN_S after its stretches; then to the place of its stretch.

A place stands

    confirmed   events in at least CONFIRMING separate wiggles, and hands off was watched (for longer than the human
                delay at both its ends) and stayed quiet
    suspect     any event, but not all of that
    quiet       no event in any wiggle. The 95 % upper bound on the chance of an event a wiggle says how hard it was
                looked for: exact binomial (Clopper and Pearson, one-sided), 1 - 0.05^(1/n) for none in n wiggles
    untested    no wiggle at all

Interference: disturbances that keep to an ignition's or an alternator's order of the crank, as enough extra edges among
them show it, are named so; they are no event of a place, and do not disturb hands off. It takes about twenty; a contact
that opens in step with the engine's firing cannot be told from it while it turns.

Which conductor. All channels are stamped by one clock, and no effect comes before its cause:

    feed        the feed was low, and every disturbance of a signal began while it was low or until RECOVER_S after, in
                which a sensor starts again; or the feed alone
    signal      one signal, the feed up (or not watched). Held high it is open, where a pull-up takes it there, or
                short to a feed; held low it is short to ground
    both        a signal was disturbed before the feed let go or without it, in the same event as the feed; or two
                signals overlap with the feed up: shared ground, or a connector that lets go of several wires
    cam, aux    the same as signal, for the cam's signal and the spare channel, where the crank is watched too
    (continuity) the conductors' own names, joined by + where several opened in one event

The feed's filter lets its edge come later than the signal's by up to SKEW_S, which counts as at once.

What cannot be seen: while a line is at the level an interruption would take it to, nothing changes. How much of the
time that was is given for each level and class of duration.
"""

from __future__ import annotations

HANDS_OFF, BETWEEN = "hands off", "moving on"

JOIN_S = 0.02
"""The board's own contact events end after the same time without a change."""
STAYS_S = 10.0
"""A level that held for so long is where the line rests now; the event is then at least this long."""
HUMAN_S = 0.5
SHORTEST_S = 0.5
CONFIRMING = 3
"""Common practice, no source: each event reproduced at least three times."""
CONFIDENCE = 0.95

SKEW_S = 40e-6
"""Four time constants of the feed's filter of 10 µs: its edge is through its threshold by then."""
RECOVER_S = 5e-3
"""A sensor is back at work within milliseconds of its feed: common practice, no source."""

CLASSES = (("1us", 1e-6), ("10us", 1e-5), ("100us", 1e-4), ("1ms", 1e-3), ("10ms", 1e-2))
"""Classes of a contact's disturbance, each from its own duration up to the next: as graded for IEC 60512-2-5 (test 2e)
and EIA-364-46."""
SHORTER = "under_1us"


def class_of(duration_s: float) -> str:
    """The class that a duration falls in."""
    name = SHORTER
    for candidate, from_s in CLASSES:
        if duration_s >= from_s * (1 - 1e-9):  # a duration in ticks that means exactly the limit
            name = candidate
    return name
