"""What a trainee's viewer was told of its drill, and what every pane of that screen has: this."""

from monitor.attach.drilling import Brief, Debriefing, DrillState, Phase
from monitor.attach.protocol import Hello, Message
from monitor.screen.view import Pane
from simulator.drill.words import Failsafe


class Told:
    """Keeps the newest of each; a drive that begins anew begins with nothing.

    Attributes:
        brief: What is told before the drive; None before it came.
        state: How the drive stands.
        debrief: Its truth, once it is over.
        calling: Whether the list of calls takes letters.
    """

    def __init__(self) -> None:
        self.brief: Brief | None = None
        self.state: DrillState | None = None
        self.debrief: Debriefing | None = None
        self.calling = False

    def take(self, message: Message) -> None:
        """Take a message; what is none of a drill's is passed over."""
        match message:
            case Hello():
                self.state = self.debrief = None
                self.calling = False
            case Brief():
                self.brief = message
            case DrillState():
                self.state = message
                self.calling &= message.phase in (Phase.DRIVING, Phase.PAUSED)
            case Debriefing():
                self.debrief = message

    @property
    def phase(self) -> Phase | None:
        """How far the drive is; None where that isn't known."""
        return None if self.state is None else self.state.phase

    @property
    def may_begin(self) -> bool:
        """Whether this trainee begins, ends and goes on to the next; else an instructor does."""
        return self.brief is not None and self.brief.may_begin

    @property
    def unhelped(self) -> bool:
        """Whether nothing acts on the engine but the trainee."""
        return self.brief is not None and self.brief.failsafe is Failsafe.OFF

    def shows(self, what: str) -> bool:
        """Return whether ``events``, ``evidence``, ``causes`` or ``advice`` isn't held back."""
        return self.brief is not None and what in self.brief.shows

    def call_in_words(self, word: str) -> str:
        """Return a call as people read it."""
        calls = [] if self.brief is None else self.brief.calls
        return next((one.words for one in calls if one.word == word), word)


class DrillPane(Pane):
    """A pane that draws what was told; first among the bases of one.

    Args:
        told: What was told.
        id: Its id.
    """

    def __init__(self, told: Told, *, id: str) -> None:  # noqa: A002  # Textual's own word
        super().__init__(id=id)
        self._told = told
