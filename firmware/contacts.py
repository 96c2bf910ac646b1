"""Watching a harness at rest and for continuity: contact events told and sounded by the board itself.

What comes into a ring is looked at by its first and last word alone, so a chattering contact costs no more than
a single one; the edges themselves go to the host as ever.
"""

import wire
from clock import later_ms, now_ms, since_ms
from flow import Channel, Flow
from panel import SOUNDS, Panel
from post import Post

_QUIET_MS = 20  # a contact event is over when nothing came for so long
_MOST_MS = 100
WALK_MS = 1000
"""How often the pattern walks when not told otherwise: a walk takes about a millisecond, blind on the watched channels."""

_TURNING = wire.WATCHES.index("turning")
_CONTINUITY = wire.WATCHES.index("continuity")
_WALKING = wire.reason_id("walking")


class Contact:
    """Level changes of one channel that belong together, not told yet."""

    def __init__(self) -> None:
        self.count = 0
        self.first = 0
        self.last = 0
        self.level = 0
        self.began_ms = 0
        self.ms = 0


class Contacts:
    def __init__(self, flow: Flow, post: Post, panel: Panel, conductors) -> None:  # type: ignore[no-untyped-def]
        self.watch = _TURNING
        self.conductors = conductors  # None: this board has no pins for continuity
        self._flow = flow
        self._capture = flow.capture
        self._post = post
        self._panel = panel
        self._contacts = [Contact() for _ in flow.channels]
        self._watched = flow.channels
        self._walks: dict[tuple[int, int], int] = {}
        self._walk_every_ms = 0
        self._walk_ms = now_ms()

    def set_watch(self, watch: int, conductors: int = 0, walk_ms: int = WALK_MS) -> None:
        """Watch all channels, or those of so many conductors. walk_ms: 0 never walks."""
        self.watch = watch
        self._walk_every_ms = walk_ms
        self._walk_ms = now_ms()
        self._watched = self._flow.channels[:conductors] if conductors else self._flow.channels
        self._walks = {}
        for ch, contact in zip(self._flow.channels, self._contacts):
            ch.seen = ch.ring.poll()
            ch.unseen_lost = 0
            contact.count = 0
        if self.conductors:
            self.conductors.feed(conductors)

    def turn(self) -> None:
        """Before the edges are sent: look at what is new, walk when it is time."""
        if self.watch == _TURNING:
            return
        for ch in self._watched:
            self._look(ch, self._contacts[ch.number])
        if self.watch == _CONTINUITY and self._walk_every_ms:
            now = now_ms()
            if since_ms(self._walk_ms, now) >= 0 and self._walk():
                self._walk_ms = later_ms(now, self._walk_every_ms)

    def sound(self, name: str) -> None:
        """Sound from the board itself, and say so."""
        if self._panel.sound(name):
            now = self._capture.now()
            self._post.event(wire.SOUND, wire.ALL_CHANNELS, SOUNDS.index(name), 1, now, now)

    def _look(self, ch: Channel, contact: Contact) -> None:
        if ch.unseen_lost:
            now = self._capture.now()
            self._add(ch, contact, ch.unseen_lost, ch.blind_start, now, contact.level)
            ch.unseen_lost = 0
        waiting = ch.ring.poll()
        if waiting > ch.seen:
            word = self._flow.word_at(ch, waiting - 1)
            first = self._flow.tick_of(self._flow.word_at(ch, ch.seen))
            self._add(ch, contact, waiting - ch.seen, first, self._flow.tick_of(word), word & 1)
            ch.seen = waiting
        if contact.count:
            now = now_ms()
            if since_ms(contact.ms, now) >= _QUIET_MS or since_ms(contact.began_ms, now) >= _MOST_MS:
                kind = wire.OPEN if self.watch == _CONTINUITY else wire.CONTACT
                if self._post.offer(
                    wire.EVENT,
                    wire.pack_event(kind, ch.number, contact.level, contact.count, contact.first, contact.last),
                ):
                    contact.count = 0

    def _add(self, ch: Channel, contact: Contact, count: int, first: int, last: int, level: int) -> None:
        now = now_ms()
        if not contact.count:
            contact.first = first
            contact.began_ms = now
        contact.count += count
        contact.last = last
        contact.level = level
        contact.ms = now
        if self.watch == _CONTINUITY:
            self.sound("open")
        else:
            self.sound("feed" if wire.CHANNELS[ch.number] == "feed" else "contact")

    def _walk(self) -> bool:
        """Look for shorts, if the watched channels are quiet. False: not now."""
        tick = self._capture.now()
        for ch in self._watched:
            if ch.blind or ch.ring.check():
                return False
        for ch in self._watched:
            self._flow.set_until(ch, tick)
        shorts = self.conductors.walk()
        self._capture.now()  # what the walk itself did is in the rings now
        for ch in self._watched:
            self._flow.lose(ch, _WALKING)
            ch.unseen_lost = 0  # and is no contact
        resume = self._capture.late()  # after the last flush: nothing lost can be later
        for ch in self._watched:
            ch.blind_resume = resume
        for pair in shorts:
            self._walks[pair] = self._walks.get(pair, 0) + 1
            self._post.event(wire.SHORT, pair[0], pair[1], self._walks[pair], tick, resume)
            self.sound("short")
        for pair in list(self._walks):
            if pair not in shorts:
                del self._walks[pair]
        return True
