"""May the outputs be held? Worked out from decisions and their times alone."""

from monitor.outputs.base import REARM_S
from rules.clock_pace import pace_in_words
from rules.explain import what_is_done
from rules.facts import Action, Rig
from rules.findings import FINDINGS
from rules.step.state import Decision

LONGEST_STEP_S = 1.0


class Holder:
    """Holds while nothing is tripped and every essential signal is healthy.

    A single bad reading is forgiven as long as the rig forgives blindness (``blind_after``): an
    output that drops at every glitch is soon disconnected.

    Args:
        rig: The rig.

    Attributes:
        held: Whether outputs may be held.
        why: Why, or why not, in a few words.
    """

    def __init__(self, rig: Rig) -> None:
        self.held = False
        self.why = "nothing is known yet"
        self._patience_s = rig.ladder.blind_after_s
        self._well_s = 0.0
        self._ill_s = self._patience_s
        self._before_s: float | None = None

    def change(self, rig: Rig) -> None:
        """Go by another rig from now on; what is held stays held."""
        self._patience_s = rig.ladder.blind_after_s

    def feed(self, decision: Decision) -> bool:
        """Take a decision; return whether ``held`` changed."""
        before = self.held
        if decision.late and self._before_s is not None:
            return False
        step_s = 0.0 if self._before_s is None else decision.time_s - self._before_s
        self._before_s = decision.time_s
        step_s = min(max(step_s, 0.0), LONGEST_STEP_S)
        if decision.all_healthy:
            self._well_s += step_s
            self._ill_s = 0.0
        else:
            self._well_s = 0.0
            self._ill_s += step_s
        if decision.action >= Action.PULL_TIMING:
            self._well_s = 0.0
            self.held = False
            found = FINDINGS[int(decision.finding)].label
            self.why = f"{found}: {what_is_done(decision)}"
        elif decision.clock_pace != 1.0:  # no patience can be measured by it
            self.held = False
            self.why = f"the source's clock runs {pace_in_words(decision.clock_pace)}"
        elif self._ill_s > self._patience_s:
            self.held = False
            self.why = "an essential signal or the clock is not healthy"
        elif not self.held and self._well_s >= REARM_S:
            self.held = True
            self.why = "all is well"
        return self.held != before
