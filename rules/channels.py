"""The channels a guard can read, and the layout of one sample.

A sample is a flat row of floats, so that the same decision code can step a plain list (live)
and a matrix row (replay, bench): time first, then one column for each channel, then how the
source's clock runs, then the operator's column. Two values have a meaning of their own:

- ``NOT_SENT``: the sample says nothing about this channel (the last good value ages).
- NaN: the channel reported, and what it reported is not a number (never healthy).
"""

from dataclasses import dataclass
from typing import Final, NamedTuple

NOT_SENT: Final = float("-inf")
INFINITE: Final = float("inf")

# From here on (278 000 years from nought) neighbouring floats are more than 1 ms apart: adding the
# time between two rows would change nothing, and time could stand still unseen.
TIME_BOUND_S: Final = 2.0**43
TICK_BOUND_S: Final = 2.0 * TIME_BOUND_S  # ticks for silence go on behind any reading
LATE_S: Final = 1.0  # so far back a row is late; further, and the clock has stepped
AHEAD_S: Final = 10.0  # so far ahead in one go, and the clock has stepped


def is_time(time_s: float) -> bool:
    """Whether a number can be a reading's time: no NaN, and fine enough to tell 1 ms apart."""
    return -TIME_BOUND_S < time_s < TIME_BOUND_S


# What the operator's column can say. Recorded like any channel, so a replay sees the same hand.
OPERATOR_NOTHING: Final = 0.0
OPERATOR_ACKNOWLEDGE: Final = 1.0


@dataclass(frozen=True, slots=True)
class Channel:
    """What is known of a channel before a rig says more.

    Attributes:
        name: Field's name, with its unit.
        unit: Unit of every value past the edge of the program.
        low: Lowest plausible value, inclusive.
        high: Highest plausible value, inclusive.
        max_age_s: A value older than this is stale.
        label: How the screen and the explanations call it.
        stuck_after_s: How long a reading in fine steps may stand still (flow and line pressure
            where spray is due, others under boost); infinite where that proves nothing. A living
            one reads a little differently each time; one in coarse steps, or read seldom, is given
            longer.
    """

    name: str
    unit: str
    low: float
    high: float
    max_age_s: float
    label: str
    stuck_after_s: float = INFINITE


# Ranges, ages and stand-still times are common practice, no source; a rig may change each.
CHANNELS: Final = (
    Channel("engine_speed_rpm", "rpm", 0.0, 12000.0, 0.5, "engine speed"),
    Channel("boost_kpa", "kPa", -101.4, 450.0, 0.3, "boost", 3.0),
    Channel("injector_duty_pct", "%", 0.0, 130.0, 0.5, "injector duty"),
    Channel("intake_c", "degC", -40.0, 250.0, 1.0, "intake temperature"),
    Channel("knock", "deg", 0.0, 1000.0, 0.5, "knock"),
    Channel("commanded_ml_min", "mL/min", 0.0, 6000.0, 0.3, "commanded flow"),
    Channel("command_pct", "%", 0.0, 100.0, 0.3, "spray command"),
    Channel("delivered_ml_min", "mL/min", 0.0, 6000.0, 0.3, "delivered flow", 0.5),
    Channel("timing_deg", "deg", -40.0, 80.0, 0.5, "ignition timing"),
    Channel("lambda_ratio", "1", 0.4, 5.0, 1.0, "lambda"),
    Channel("throttle_pct", "%", -5.0, 105.0, 0.5, "throttle"),
    Channel("tank_ml", "mL", 0.0, 60000.0, 5.0, "tank"),
    Channel("line_kpa", "kPa", -101.4, 3000.0, 0.5, "line pressure", 1.0),
    Channel("supply_v", "V", 0.0, 60.0, 1.0, "pump supply"),
    Channel("dry_intake_c", "degC", -40.0, 300.0, 1.0, "dry intake temperature"),
    # What the engine controller says it does of what it was asked to; ``timing_deg`` is no such.
    Channel("confirmed_retard_deg", "deg", -5.0, 80.0, 0.5, "confirmed retard"),
    Channel("confirmed_ceiling_kpa", "kPa", -101.4, 1000.0, 0.5, "confirmed boost ceiling"),
    # 0 while there is enough, 1 once it is low: nothing between is plausible.
    Channel("tank_switch", "1", 0.0, 1.0, 5.0, "tank switch"),
)
CHANNEL_NAMES: Final = tuple(channel.name for channel in CHANNELS)
CHANNEL_BY_NAME: Final = {channel.name: channel for channel in CHANNELS}
COLUMN_OF: Final = {name: column for column, name in enumerate(CHANNEL_NAMES, start=1)}


def label_of_channel(name: str) -> str:
    """Return how people are told of a channel; a name that is not known stays as it is."""
    known = CHANNEL_BY_NAME.get(name)
    return name if known is None else known.label


# Columns of a sample row. Channels stand at 1..N_CHANNELS, in the order of CHANNELS. ``CLOCK_PACE``
# says how many seconds of its own a live source's clock was found to run in one of ours, where that
# is wrong; else it is not sent. Whoever reads the source found it; the rules only judge it.
TIME: Final = 0
(
    ENGINE_SPEED,
    BOOST,
    INJECTOR_DUTY,
    INTAKE,
    KNOCK,
    COMMANDED,
    COMMAND_PCT,
    DELIVERED,
    TIMING,
    LAMBDA,
    THROTTLE,
    TANK,
    LINE,
    SUPPLY,
    DRY_INTAKE,
    CONFIRMED_RETARD,
    CONFIRMED_CEILING,
    TANK_SWITCH,
) = range(1, 19)
# What feels whether spray arrives, the best first: the first of them that a rig maps is its
# *witness*, by which alone boost is cut, and without which the monitor is blind. The last one only
# where the rig says how far spray cools the charge.
WITNESSES: Final = (DELIVERED, LINE, INTAKE)
N_CHANNELS: Final = len(CHANNELS)
CLOCK_PACE: Final = N_CHANNELS + 1
OPERATOR: Final = N_CHANNELS + 2
ROW_WIDTH: Final = N_CHANNELS + 3
BESIDE: Final = ("clock_pace", "operator")  # what a row says beside time and channels
ROW_NAMES: Final = ("time_s", *CHANNEL_NAMES, *BESIDE)


class Sample(NamedTuple):
    """One row of readings; every field defaults to "not sent".

    Attributes:
        time_s: Time of the readings, in seconds on any steady time base (see ``is_time``).
        clock_pace: See ``CLOCK_PACE``.
        operator: ``OPERATOR_NOTHING`` or ``OPERATOR_ACKNOWLEDGE``.

    The other fields are the channels, in the units their names carry.
    """

    time_s: float
    engine_speed_rpm: float = NOT_SENT
    boost_kpa: float = NOT_SENT
    injector_duty_pct: float = NOT_SENT
    intake_c: float = NOT_SENT
    knock: float = NOT_SENT
    commanded_ml_min: float = NOT_SENT
    command_pct: float = NOT_SENT
    delivered_ml_min: float = NOT_SENT
    timing_deg: float = NOT_SENT
    lambda_ratio: float = NOT_SENT
    throttle_pct: float = NOT_SENT
    tank_ml: float = NOT_SENT
    line_kpa: float = NOT_SENT
    supply_v: float = NOT_SENT
    dry_intake_c: float = NOT_SENT
    confirmed_retard_deg: float = NOT_SENT
    confirmed_ceiling_kpa: float = NOT_SENT
    tank_switch: float = NOT_SENT
    clock_pace: float = NOT_SENT
    operator: float = OPERATOR_NOTHING


def tick(time_s: float, operator: float = OPERATOR_NOTHING) -> Sample:
    """Return a sample that says only that time has passed (silence is data too)."""
    return Sample(time_s, operator=operator)
