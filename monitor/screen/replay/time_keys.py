"""The keys that move the time: play, steps, jumps, the typed time, and the cursors A and B."""

from monitor.screen.replay.go_to import goal
from monitor.screen.replay.screen import ReplayKeys
from monitor.words.literal import figure
from simulator.strict import BadInput


class TimeKeys(ReplayKeys):
    """Where the moment is."""

    def action_play(self) -> None:
        """Play, or stand still."""
        self.room.open[1].toggle(self.screen.now_s())
        self.screen.moved()

    def action_rows(self, count: int) -> None:
        """Move by rows."""
        self.room.open[1].step_rows(count, self.screen.now_s())
        self.screen.moved()

    def action_seconds(self, count: int) -> None:
        """Move by seconds; on a page, by ten rows of it."""
        if self.screen.open_page:
            self.screen.action_choose(10 * count)
            return
        self.room.open[1].step_s(float(count), self.screen.now_s())
        self.screen.moved()

    def action_end(self, way: int) -> None:
        """Move to the first or the last row."""
        decided, player = self.room.open
        player.seek_row(decided.rows - 1 if way > 0 else 0, self.screen.now_s())
        self.screen.moved()

    def action_event(self, way: int) -> None:
        """Stand still at the next or previous event, mark or difference."""
        _, player = self.room.open
        found = player.to_event(way, self.screen.now_s(), self.room.stops)
        self.screen.moved()
        if found is None:
            side = "behind" if way > 0 else "before"
            self.screen.say(f"no event, gap or mark {side} this moment")

    def action_rate(self, way: int) -> None:
        """Play faster or slower."""
        _, player = self.room.open
        before = player.rate
        player.change_rate(way, self.screen.now_s())
        if player.rate == before:
            self.screen.say(f"{before:zg}x is the {'highest' if way > 0 else 'lowest'} rate")
        self.screen.redraw()

    def action_goto(self) -> None:
        """Ask where to go."""
        self.screen.run_asking(self._ask_where())

    async def _ask_where(self) -> None:
        decided, _ = self.room.open
        from_s, to_s = (figure(time_s, 2) for time_s in (decided.from_s, decided.to_s))
        async for answer in self.screen.answers(f"Go to ({from_s} to {to_s} s):"):
            if self.go(answer):
                return

    def go(self, typed: str) -> bool:
        """Go to the moment that was typed; return whether it could be, and say why not."""
        if fault := self.go_to(typed):
            self.screen.say(f"go to: {fault}", odd=True)
        return fault is None

    def go_to(self, typed: str) -> str | None:
        """Go to the moment that was typed; return what is wrong with it, or None."""
        room = self.room
        decided, player = room.open
        try:
            to = goal(typed, decided.from_s)
            if to.cursor and to.cursor not in room.cursors:
                raise BadInput(f"cursor {to.cursor.upper()} is not set, expected a time")
            if to.event and to.event > len(decided.events):
                most = len(decided.events)
                raise BadInput(f"found event {to.event}, expected one of {most}")
            wanted_s = room.cursors.get(to.cursor, to.time_s)
            if to.relative:
                wanted_s += player.time_s
            elif not to.event and not decided.from_s <= wanted_s <= decided.to_s + 0.005:
                from_s, to_s = (figure(time_s, 2) for time_s in (decided.from_s, decided.to_s))
                raise BadInput(f"found {figure(wanted_s, 2)} s, expected {from_s} to {to_s} s")
        except BadInput as error:
            return str(error)
        if to.event:
            player.seek_row(decided.raised_at[to.event - 1], self.screen.now_s())
        else:
            player.seek(wanted_s, self.screen.now_s())
        self.screen.moved()
        return None

    def action_cursor(self, letter: str) -> None:
        """Set a cursor here."""
        _, player = self.room.open
        self.room.cursors[letter] = player.time_s
        if len(self.room.cursors) == 2:
            between_s = self.room.cursors["b"] - self.room.cursors["a"]
            self.screen.say(f"A to B: {between_s:+z.2f} s; d shows what changed")
        else:
            said = f"cursor {letter.upper()} at {figure(player.time_s, 2)} s; d compares with here"
            self.screen.say(said)

    def action_to_cursor(self, letter: str) -> None:
        """Go to a cursor."""
        self.go(letter)

    def action_clear(self) -> None:
        """Clear both cursors."""
        if not self.room.cursors:
            self.screen.say("no cursor is set; a and b set them here")
        self.room.cursors.clear()
        self.screen.redraw()
