"""Working the alarms from the keyboard: the keys, the questions they ask, and what is sent."""

import re
from abc import abstractmethod
from typing import Final

from monitor.attach.message_parts import StandingAlarm
from monitor.attach.protocol import LONGEST_WORD, Command, Notice
from monitor.screen.base import BaseDashboard
from monitor.screen.controls import Control, offers
from monitor.screen.panes.alarm_page import AlarmPage
from monitor.screen.view import Page
from monitor.words.literal import plain, shortened
from rules.alarms.alarm import LONGEST_SHELF_S, AlarmState

PAGE: Final = "alarms"
OPEN: Final = f"page('{PAGE}')"
SHELF_MIN: Final = "5"
LONGEST_SHELF_MIN: Final = LONGEST_SHELF_S / 60.0
_MINUTES: Final = re.compile(r"[0-9]{1,4}(\.[0-9]{1,3})?", re.ASCII)
_NARROW: Final = 100  # cells; below, the footer leaves out what can wait

ALARM_CONTROLS: Final = (
    Control(
        "a",
        "a",
        "acknowledge",
        "acknowledge",
        "acknowledge all (on the list: the chosen); actions may wait for it",
        30,
    ),
    Control("l", "l", OPEN, "alarms", "list the alarms: states, causes, what to check", 35),
    Control("A", "A", "acknowledge_all", "all", "acknowledge all alarms", 31),
    Control("r", "r", "reset_alarm", "reset", "reset the chosen alarm's latch", 32),
    Control(
        "h",
        "h",
        "shelve_alarm",
        "shelve",
        "shelve the chosen alarm (silence it for minutes), or unshelve it",
        33,
    ),
    Control(
        "o",
        "o",
        "service_alarm",
        "take out",
        "take the chosen alarm out of service, or return it",
        34,
    ),
    Control(
        "n",
        "n",
        "normal_alarms",
        "normal too",
        "list also the alarms that nothing is wrong with",
        75,
    ),
    Control(
        "",
        "A r h o n",
        "alarm_list_keys",
        "on the list",
        "on the list: A all at once; the chosen: r reset, h shelve, o take out; n normal ones",
        asks=False,
    ),
)
# What the footer leaves out while the page is open; the help and the finder have it.
_WAITS: Final = ("", "detach", "freeze", "ring", "span", "theme", "units", "page('counts')")
_ON_THE_PAGE: Final = (
    "acknowledge_all",
    "reset_alarm",
    "shelve_alarm",
    "service_alarm",
    "normal_alarms",
)


class AlarmKeys(BaseDashboard):
    """A dashboard with a page of alarms and the keys to work them.

    What is done goes to the guard as a command; the screen shows what the guard answers, never
    what was only asked.
    """

    _alarm_page: AlarmPage

    def pages(self) -> list[Page]:
        """Add the page of alarms."""
        self._alarm_page = AlarmPage(id=PAGE)
        return [*super().pages(), self._alarm_page]

    @abstractmethod
    def tell_guard(self, command: Command) -> bool:
        """Send a command in this person's name; return whether there is a guard to take it."""

    @property
    def _listing(self) -> bool:
        return self.open_page == PAGE

    # --- what is offered ----------------------------------------------------------------------

    def words(self) -> dict[str, str]:
        """Offer what works the chosen alarm on the page alone."""
        words = super().words()
        if not self._listing:
            return {**words, **dict.fromkeys(_ON_THE_PAGE, "")}
        words[OPEN] = "close"
        if self.picture.gone_why is not None:
            return {**words, **dict.fromkeys(("acknowledge", *_ON_THE_PAGE[:-1]), "")}
        chosen = self._alarm_page.chosen(self.picture.alarms)
        if chosen is not None and chosen.state == AlarmState.SHELVED:
            words["shelve_alarm"] = "unshelve"
        if chosen is not None and chosen.state == AlarmState.OUT_OF_SERVICE:
            words["service_alarm"] = "return"
        if self._alarm_page.normal_too:
            words["normal_alarms"] = "hide normal"
        return words

    def offered(self, *, footer: bool) -> list[Control]:
        """Keep the footer to what matters now; the help names everything."""
        words = self.words()
        if footer:
            words["alarm_list_keys"] = ""
            if self._listing:
                words |= dict.fromkeys(_WAITS, "")
            elif not self.picture.alarms:
                words[OPEN] = ""
            if self.picture.gone_why is not None:  # nothing moves, and nobody is there to be told
                words |= dict.fromkeys(("acknowledge", "detach", "ring"), "")
                words |= {} if self.frozen is not None else {"freeze": ""}
            elif self.size.width < _NARROW:
                words |= {"theme": "", "span": ""}
        return offers(self.CONTROLS, words, footer=footer)

    # --- the keys -----------------------------------------------------------------------------

    def action_choose(self, step: int) -> None:
        """Choose an alarm on the page, an event elsewhere."""
        if self._listing:
            self._alarm_page.choose(self.picture.alarms, step)
            self.redraw()
        else:
            super().action_choose(step)

    def action_acknowledge(self) -> None:
        """Acknowledge the chosen alarm on the page; elsewhere all."""
        if not self._listing:
            self._tell(Command("acknowledge"))
        elif (chosen := self._chosen_alarm()) is not None:
            self._tell(_about("acknowledge", chosen))

    def action_acknowledge_all(self) -> None:
        """Acknowledge all alarms."""
        if self._listing:
            self._tell(Command("acknowledge"))

    def action_reset_alarm(self) -> None:
        """Reset the chosen alarm's latch."""
        if self._listing and (chosen := self._chosen_alarm()) is not None:
            self._tell(_about("reset", chosen))

    def action_normal_alarms(self) -> None:
        """List the alarms that are normal too, or no more."""
        if self._listing:
            self._alarm_page.normal_too = not self._alarm_page.normal_too
            self.redraw()

    def action_shelve_alarm(self) -> None:
        """Ask how long, and shelve the chosen alarm; take one that is shelved off the shelf."""
        if not self._listing or (chosen := self._chosen_alarm()) is None:
            return
        if chosen.state == AlarmState.SHELVED:
            self._tell(_about("unshelve", chosen))
        else:
            self.run_asking(self._shelve(chosen))

    def action_service_alarm(self) -> None:
        """Take the chosen alarm out of service, or return it, once a typed y confirms that."""
        if self._listing and (chosen := self._chosen_alarm()) is not None:
            self.run_asking(self._change_service(chosen))

    async def _shelve(self, alarm: StandingAlarm) -> None:
        most = f"{LONGEST_SHELF_MIN:zg} at most"
        typed = await self.ask(f"Shelve {_short(alarm)} for minutes ({most}):", SHELF_MIN)
        if typed is None:
            self._say("not shelved")
        elif not _MINUTES.fullmatch(typed) or float(typed) == 0.0:
            self._say(f'not shelved: found "{plain(typed, 20)}", expected minutes, {most}')
        else:
            minutes = min(float(typed), LONGEST_SHELF_MIN)
            self._tell(_about("shelve", alarm, for_s=60.0 * minutes))

    async def _change_service(self, alarm: StandingAlarm) -> None:
        back = alarm.state == AlarmState.OUT_OF_SERVICE
        what = "Return to service" if back else "Take out of service"
        typed = await self.ask(f"{what}: {_short(alarm)}? Type y:")
        if typed is not None and typed.casefold() == "y":
            self._tell(_about("return_to_service" if back else "take_out_of_service", alarm))
        else:
            self._say(f"{'not returned' if back else 'not taken out'}: no y was typed")

    # --- odds and ends ------------------------------------------------------------------------

    def _chosen_alarm(self) -> StandingAlarm | None:
        if self.picture.gone_why is not None:  # so nothing is asked that can't be done
            self._say_no_guard()
            return None
        chosen = self._alarm_page.chosen(self.picture.alarms)
        if chosen is None:
            self._say("nothing done: no alarm stands")
        return chosen

    def _tell(self, command: Command) -> None:
        if not self.tell_guard(command):
            self._say_no_guard()

    def _say_no_guard(self) -> None:
        # Beside the events there is little room.
        self._say(f"nothing done: no guard{' is there to be told' if self._listing else ''}")

    def _say(self, text: str) -> None:
        """Answer a key: at the foot of the page, or beside the events."""
        self.picture.notice = (Notice("", text), self.now_s())
        self.redraw()


def _about(do: str, alarm: StandingAlarm, *, for_s: float = 0.0) -> Command:
    return Command(do, alarm=alarm.name[:LONGEST_WORD], for_s=for_s)


def _short(alarm: StandingAlarm) -> str:
    return shortened(plain(alarm.label, 60), 30)
