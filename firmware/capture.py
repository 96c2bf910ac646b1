"""What every kind of capture has: a ring of edge words a channel.

A capture is an object with

    kind, tick_hz, rings, channels()   what the hello says
    zero                               rig tick at which the words' time stood at 0
    flags                              wire.COUNTS_DOWN or 0
    start(), stop(), close()           start returns the first tick it vouches for
    now()                              a tick not later than the true one: every edge before it is in its ring
    late()                             a tick not earlier than the true one
    levels()                           bit n is the level of channel n
    turn()                             its own share of a loop turn; True if the next one should come at once
    faults                             what befell it, oldest first: (id of a reason, rig tick)
    trouble()                          id of a reason why the capture must be started anew, or 0

Words are never touched one by one here: they are copied from ring to frame as bytes.
"""


class Ring:
    """Edge words of one channel on their way from capture to frame.

    Loses the oldest words when more than `room` wait; `check` then says more than `room`, and `flush`
    says how many were lost. No word is lost without that.
    """

    def __init__(self, data: memoryview) -> None:
        self.data = data  # bytes, a power of two of them
        self.room = len(data) // 4
        self.next = 0  # place of the oldest word that waits
        self.missed = 0  # edges the capture knows it did not see
        self._put = 0  # words put in since the start, for rings filled by Python

    def poll(self) -> int:
        """Words that wait, at most `room`; cheap, allocates nothing. Not to be trusted after an overrun."""
        return min(self._put, self.room)

    def check(self) -> int:
        """Words put in and not yet dropped: exact, more than `room` after an overrun."""
        return self._put

    def copy(self, frame: bytearray, offset: int, count: int) -> None:
        """Copy the `count` oldest words into a frame; they stay in the ring until dropped."""
        first = min(count, self.room - self.next)
        at = 4 * self.next
        middle = offset + 4 * first
        frame[offset:middle] = self.data[at : at + 4 * first]
        if count > first:
            frame[middle : offset + 4 * count] = self.data[: 4 * (count - first)]

    def drop(self, count: int) -> None:
        """Forget the `count` oldest words."""
        self.next = (self.next + count) & (self.room - 1)
        self._put -= count

    def flush(self) -> int:
        """Forget every word; returns how many they were."""
        count = self.check()
        self.drop(count)
        return count

    def put(self, words: memoryview, count: int) -> None:
        """Append words (bytes); overwrites the oldest when full. For captures that fill their rings in Python."""
        if count > self.room:  # all but the last `room` would be overwritten at once
            self._put += count - self.room
            words = words[4 * (count - self.room) :]
            self.next = (self.next + count - self.room) & (self.room - 1)
            count = self.room
        at = (self.next + self._put) & (self.room - 1)
        first = min(count, self.room - at)
        self.data[4 * at : 4 * (at + first)] = words[: 4 * first]
        if count > first:
            self.data[: 4 * (count - first)] = words[4 * first : 4 * count]
        self._put += count


def plain_ring(words: int) -> Ring:
    """A ring of its own memory; `words` a power of two."""
    return Ring(memoryview(bytearray(4 * words)))
