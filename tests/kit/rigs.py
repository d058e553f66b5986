"""Hand-made rigs for tests of the rules, and a small driver that feeds a guard."""

from collections.abc import Mapping
from dataclasses import replace
from math import exp, inf, nan
from typing import Any, Final

from rules.channels import CHANNEL_BY_NAME, CHANNELS, Sample
from rules.facts import (
    Action,
    ChannelTerms,
    ChargeSensor,
    Command,
    CommandKind,
    DebtTerms,
    Engine,
    FlowSensor,
    Injectors,
    Ladder,
    Limits,
    Nozzle,
    Paid,
    Pump,
    Rig,
    Spray,
    Watch,
)
from rules.guard import Guard
from rules.step.state import Decision

NAN: Final = nan
QUIET: Final = Watch(
    over_ml=inf,
    knock_persists_for_s=inf,
    logger_stuck_after_s=inf,  # made-up readings stand still
    disagree_share=inf,
    contradicted_share=inf,
)
ESSENTIAL: Final = ("boost_kpa", "delivered_ml_min", "commanded_ml_min")
ALL_CHANNELS: Final = tuple(channel.name for channel in CHANNELS)


def terms(*names: str, stuck_after_s: float = inf) -> tuple[ChannelTerms, ...]:
    """Return channel terms with the common defaults for the channels named."""
    return tuple(
        ChannelTerms(name, c.low, c.high, c.max_age_s, stuck_after_s)
        for name in names
        for c in (CHANNEL_BY_NAME[name],)
    )


def rig(
    *,
    spray: Mapping[str, Any] | None = None,
    command: Mapping[str, Any] | None = None,
    paid: Mapping[str, Any] | None = None,
    debt: Mapping[str, Any] | None = None,
    ladder: Mapping[str, Any] | None = None,
    limits: Mapping[str, Any] | None = None,
    channels: tuple[ChannelTerms, ...] | None = None,
    watch: Mapping[str, Any] | None = None,
    flow_sensor: Mapping[str, Any] | None = None,
    charge_sensor: Mapping[str, Any] | None = None,
) -> Rig:
    """Return a small invented rig, with the named facts changed.

    Without changes the log says what is commanded, spray pays for 10 deg at 150 kPa and 5 deg at
    100 kPa, and the engine holds 80 kPa dry. The findings beside debt, blindness and limits are
    quiet unless ``watch`` is given (an empty mapping: their defaults).
    """
    return Rig(
        name="test rig",
        engine=Engine(displacement_l=2.0, cylinders=4, redline_rpm=7000.0),
        injectors=Injectors(count=4, rated_ml_min=650.0),
        spray=replace(
            Spray(
                nozzles=(Nozzle(rated_ml_min=700.0, rated_kpa=690.0),),
                pump=Pump(shut_off_kpa=1600.0, free_flow_ml_min=8000.0, regulated_kpa=1000.0),
            ),
            **(spray or {}),
        ),
        command=replace(
            Command(
                kind=CommandKind.LOG_FLOW,
                start_boost_kpa=50.0,
                full_boost_kpa=150.0,
                start_duty_pct=20.0,
                full_duty_pct=80.0,
                map_boost_kpa=(50.0, 100.0, 200.0),
                map_duty_pct=(20.0, 80.0),
                map_pct=((0.0, 40.0), (30.0, 70.0), (60.0, 100.0)),
            ),
            **(command or {}),
        ),
        paid=replace(Paid((50.0, 150.0), (0.0, 10.0), dry_limit_kpa=80.0), **(paid or {})),
        debt=replace(DebtTerms(), **(debt or {})),
        ladder=replace(Ladder(), **(ladder or {})),
        limits=replace(Limits(), **(limits or {})),
        channels=terms(*ESSENTIAL) if channels is None else channels,
        watch=QUIET if watch is None else replace(Watch(), **watch),
        flow_sensor=replace(FlowSensor(), **(flow_sensor or {})),
        charge_sensor=replace(ChargeSensor(), **(charge_sensor or {})),
    )


def of_kind(kind: CommandKind, **changes: Any) -> Rig:
    """Return the test rig with another kind of spray control, all channels mapped."""
    command = {"kind": kind, **changes.pop("command", {})}
    return rig(command=command, **{"channels": terms(*ALL_CHANNELS), **changes})


class Drive:
    """Feeds a guard at an even pace: what is delivered is a share of what is expected.

    Args:
        facts: What the guard knows.
        dt_s: From one sample to the next, s.
        time_s: The first sample's time, s.
        long: Step compiled, which is worth loading for minutes of samples; the same to the bit.
    """

    def __init__(
        self, facts: Rig, dt_s: float = 0.01, time_s: float = 0.0, *, long: bool = False
    ) -> None:
        self.guard = Guard(facts)
        if long:
            self.guard.use_compiled()
        self.dt_s = dt_s
        self.time_s = time_s
        self.last = self.guard.decision()

    def run(
        self,
        for_s: float,
        share: float = 1.0,
        **readings: float,
    ) -> list[Decision]:
        """Feed ``for_s`` seconds at 150 kPa and 500 mL/min commanded; ``readings`` override.

        Args:
            for_s: How long, s.
            share: Delivered flow as a share of the flow expected by the last decision.
            readings: Other readings, or other values for the three above (``NOT_SENT`` too).
        """
        decisions = []
        for _ in range(round(for_s / self.dt_s)):
            values = {
                "boost_kpa": 150.0,
                "commanded_ml_min": 500.0,
                "delivered_ml_min": share * self.last.expected_ml_min,
                **readings,
            }
            self.last = self.guard.step(Sample(self.time_s, **values))
            decisions.append(self.last)
            self.time_s += self.dt_s
        return decisions

    def fail(self, for_s: float, share: float, **readings: float) -> list[Decision]:
        """Feed ``for_s`` seconds in which the flow falls to ``share`` as the sensor's lag shows it.

        ``run`` lets the reading fall at once, which is more than any sensor does.
        """
        lag_s, decisions = self.guard.rig.flow_sensor.lag_s, []
        for i in range(round(for_s / self.dt_s)):
            shown = share + (1.0 - share) * exp(-(i + 1) * self.dt_s / lag_s)
            decisions += self.run(self.dt_s, share=shown, **readings)
        return decisions

    def fade(self, until: Action) -> list[Decision]:
        """Let the flow fade by a tenth a second, from all of it, until this action is taken."""
        decisions: list[Decision] = []
        while self.last.action < until:
            decisions += self.run(self.dt_s, share=1.0 - 0.1 * self.dt_s * len(decisions))
        return decisions


def healthy(facts: Rig, **readings: float) -> Drive:
    """Return a drive that has run two healthy seconds in boost."""
    drive = Drive(facts)
    drive.run(2.0, **readings)
    return drive


def first(decisions: list[Decision], action: int) -> int:
    """Return the index of the first decision with at least this action; -1 where there is none."""
    return next((i for i, d in enumerate(decisions) if d.action >= action), -1)
