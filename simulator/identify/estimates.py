"""What a log says of a car: numbers with their intervals, or why there is none."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from rules.channels import CHANNEL_NAMES, COLUMN_OF, NOT_SENT, ROW_WIDTH, TIME
from rules.facts import Command, CommandKind


@dataclass(frozen=True, slots=True)
class Series:
    """A log as a rig reads it.

    Attributes:
        t_s: Time of each row, s, ascending, (n,).
        columns: By channel of ``rules.channels``, in the unit its name carries; NaN where a row
            says nothing of it, each (n,).
    """

    t_s: Any
    columns: Mapping[str, Any]

    def column(self, name: str) -> Any:
        """Return a channel, (n,); all NaN where the log has none."""
        found = self.columns.get(name)
        return np.full(len(self.t_s), np.nan) if found is None else np.asarray(found, float)

    def rows(self) -> Any:
        """Return the same as a guard takes it, (n, ROW_WIDTH)."""
        rows = np.full((len(self.t_s), ROW_WIDTH), NOT_SENT)
        rows[:, TIME] = self.t_s
        rows[:, -1] = 0.0
        for name in CHANNEL_NAMES:
            values = self.column(name)
            rows[:, COLUMN_OF[name]] = np.where(np.isfinite(values), values, NOT_SENT)
        return rows

    def between(self, begin: int, end: int) -> "Series":
        """Return some of its rows."""
        return Series(
            self.t_s[begin:end], {n: np.asarray(c)[begin:end] for n, c in self.columns.items()}
        )


@dataclass(frozen=True, slots=True)
class Estimate:
    """One number of a car.

    Attributes:
        key: The rig file's key, its tables before it with dots; ``flow_sensor.gain`` and others
            that no rig has are told beside it.
        unit: What the numbers are in: a unit the rig file takes, or that which the key carries.
        value: The number; None where the log doesn't tell.
        low: Lower end of the interval of nominal 90 %; None where there is no interval.
        high: Its upper end.
        from_: What it rests on, for people.
        why_not: Why there is no number, or no interval of one: a sentence.
    """

    key: str
    unit: str
    value: float | None = None
    low: float | None = None
    high: float | None = None
    from_: str = ""
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class Pull:
    """One stretch of spray in the logs.

    Attributes:
        series: Which of the logs.
        begins_s: When spray is first asked for, in that log's time.
        ends_s: When it last is.
        left_out: Why it isn't used, a clause; empty where it is.
    """

    series: int
    begins_s: float
    ends_s: float
    left_out: str = ""


@dataclass(frozen=True, slots=True)
class Law:
    """A command law that a log speaks for.

    Attributes:
        command: As the rig would say it.
        rivals: Kinds that this log can't tell from it.
        numbers: Its keys.
        rig_holds: Whether the rig's own law explains the log as well.
        by_log: Whether it was fitted to a logged command (else to the flow).
    """

    command: Command
    rivals: tuple[CommandKind, ...]
    numbers: tuple[Estimate, ...]
    rig_holds: bool
    by_log: bool


@dataclass(frozen=True, slots=True)
class Identified:
    """What some logs say of one car.

    Attributes:
        pulls: Every stretch of spray, and whether it was used.
        left_out: What was left out and why, sentences.
        numbers: By key; where half or more isn't healthy, all say so.
        doubts: What seems wrong with the logs or the rig, sentences.
        law: How the spray controller reckons its command; None where the rig says that the log has
            it, or where ``command.kind`` among the numbers says why not.
    """

    pulls: tuple[Pull, ...]
    left_out: tuple[str, ...]
    numbers: Mapping[str, Estimate]
    doubts: tuple[str, ...]
    law: Law | None = None
