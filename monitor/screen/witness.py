"""What feels whether spray arrives, as the screen shows it: one entry for each kind of car."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from monitor.screen.picture import Picture
from monitor.screen.trace import Floats
from monitor.words.units import Units


@dataclass(frozen=True, slots=True)
class Witness:
    """A channel of ``rules.channels.WITNESSES``, as plot, tile and help show it.

    Attributes:
        channel: Its name.
        sensor: What senses it.
        amiss: How no plausible car reads, when spray is missing.
        title: Of its plot.
        unit: Metric.
        reading: Its column of the trace.
        due: Column of what it should read.
        signs: What reading and due are called in the plot.
        speaks_low: Whether less than is due speaks of missing spray.
        speaks_high: Whether more does.
    """

    channel: str
    sensor: str
    amiss: str
    title: str
    unit: str
    reading: str
    due: str
    signs: tuple[str, str]
    speaks_low: bool = True
    speaks_high: bool = False

    @property
    def is_flow(self) -> bool:
        """Whether the spray itself is measured."""
        return self is FLOW

    def series(
        self, picture: Picture, units: Units, column: Callable[[str], Floats]
    ) -> dict[str, Floats]:
        """Return ``reading``, ``due``, and from ``least`` to ``most`` what is plausible.

        Args:
            picture: What the guard says of the rig.
            units: What to give them in.
            column: Returns a column of the trace.
        """
        due = column(self.due)
        found = {"reading": column(self.reading), "due": due, "least": due, "most": due}
        if self.is_flow:
            for name in ("least", "most", "commanded"):
                found[name] = column(f"{name}_ml_min")
        elif self is LINE and picture.hello is not None:
            within = picture.hello.scale.line_within
            found |= {"least": (1.0 - within) * due, "most": (1.0 + within) * due}
        zero, one = units.value(0.0, self.unit), units.value(1.0, self.unit)
        return {name: zero + (one - zero) * values for name, values in found.items()}

    def judged(self, picture: Picture) -> bool:
        """Whether missing spray could be told now: by a flow always, else while anything is due."""
        return self.is_flow or getattr(picture.decision, self.due) is not None

    def top(self, picture: Picture) -> float:
        """Return the top of its axis, in its unit: what the rig can give, or its limit."""
        hello = picture.hello
        if hello is None:
            return 0.0
        tops = {FLOW.channel: hello.scale.flow_ml_min, LINE.channel: hello.scale.line_kpa}
        return tops.get(self.channel, hello.limits.get(self.channel, 0.0))

    def missing(self, drawn: dict[str, Floats], tolerance: float) -> Floats:
        """Return how far the reading speaks of missing spray, in its unit; 0 where it doesn't.

        Args:
            drawn: As from ``series``.
            tolerance: What is none to speak of.
        """
        reading = drawn["reading"]
        with np.errstate(invalid="ignore"):
            low = self.speaks_low & (drawn["least"] - reading > tolerance)
            high = self.speaks_high & (reading - drawn["most"] > tolerance)
        return np.where(low | high, drawn["due"] - reading, 0.0)


FLOW: Final = Witness(
    "delivered_ml_min",
    "flow sensor",
    "so little",
    "Spray flow",
    "mL/min",
    "delivered_ml_min",
    "expected_ml_min",
    ("delivered", "expected"),
)
LINE: Final = Witness(
    "line_kpa",
    "line pressure sensor",
    "so low, or so high",
    "Line pressure",
    "kPa",
    "value_line_kpa",
    "line_due_kpa",
    ("reading", "due"),
    speaks_high=True,
)
CHARGE: Final = Witness(
    "intake_c",
    "intake temperature sensor",
    "so hot",
    "Intake temperature",
    "°C",
    "value_intake_c",
    "charge_due_c",
    ("reading", "due under spray"),
    speaks_low=False,
    speaks_high=True,
)
_BY_CHANNEL: Final = {witness.channel: witness for witness in (FLOW, LINE, CHARGE)}


def witness_of(picture: Picture) -> Witness:
    """Return the witness of the car that is watched; the flow before that is known."""
    return _BY_CHANNEL.get(picture.hello.witness, FLOW) if picture.hello else FLOW
