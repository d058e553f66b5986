"""The facts of a rig, as the rules want them: plain floats, unit in the name, already checked.

How each is written in a rig file (TOML, text quantities with units), and within what range, is said
once in ``simulator.rig.keys``: plant and monitor both need it, and nothing here touches files.
Whoever builds these by hand gets no checks but those of ``rules.step.from_rig``, which must be safe
to divide by.
"""

from dataclasses import dataclass, field
from enum import IntEnum
from math import inf
from typing import Final, Literal, get_args

ActionWord = Literal["no_action", "warn", "pull_timing", "cut_boost"]
_WORDS: Final[tuple[ActionWord, ...]] = get_args(ActionWord)


class Action(IntEnum):
    """What is done to the engine, mildest first."""

    NO_ACTION = 0
    WARN = 1
    PULL_TIMING = 2
    CUT_BOOST = 3

    @property
    def word(self) -> ActionWord:
        """The action's name in files and on wires."""
        return _WORDS[self]

    @classmethod
    def named(cls, word: ActionWord) -> "Action":
        """Return the action of a name."""
        return cls(_WORDS.index(word))


class CommandKind(IntEnum):
    """Where the commanded flow comes from."""

    LOG_FLOW = 0  # the log has it in mL/min
    LOG_PERCENT = 1  # the log has it in percent of full flow
    FIXED = 2  # full flow, or a fixed rate, above a boost switch point
    BOOST = 3  # in proportion to boost, between two boosts
    INJECTOR_DUTY = 4  # in proportion to injector duty, above a switch point
    MAP = 5  # percent of full flow by boost x injector duty, bilinear


class Charger(IntEnum):
    """What makes the boost. The rules don't care; the plant does."""

    NONE = 0
    TURBOCHARGER = 1
    CENTRIFUGAL = 2  # belt-driven supercharger whose boost grows with the square of speed
    DISPLACEMENT = 3  # belt-driven supercharger whose boost is nearly the same at every speed


@dataclass(frozen=True, slots=True)
class Engine:
    """A petrol engine.

    ``volumetric_efficiency`` is a ratio at full load (0.5 to 1.3); ``petrol_octane`` the fuel's
    research octane number. Charger, compression and octane are for the plant.
    ``full_boost_from_rpm`` is the engine speed from which a pull has full boost.
    """

    displacement_l: float
    cylinders: int
    redline_rpm: float
    volumetric_efficiency: float = 0.95
    ambient_kpa: float = 101.325
    charger: Charger = Charger.TURBOCHARGER
    compression_ratio: float = 9.5
    petrol_octane: float = 98.0
    full_boost_from_rpm: float | None = None


@dataclass(frozen=True, slots=True)
class Vehicle:
    """The car around the engine, for the plant, and for torque told from how a car gains speed.

    ``gears`` are the gearbox's ratios from first up (at most 8), ``drag_area_m2`` is drag
    coefficient times frontal area, ``rolling`` the rolling resistance as a share of the weight,
    ``driveline_efficiency`` a ratio, of gearbox and final drive together. ``engine_inertia_kg_m2``
    is that of all that turns with the crank; where nothing is said, 89 kg m2 for each m3 of
    displacement (a 1.8 L four with its flywheel: 0.16). Defaults are common practice, no source.
    """

    mass_kg: float = 1400.0
    drag_area_m2: float = 0.70
    gears: tuple[float, ...] = (3.40, 2.05, 1.43, 1.08, 0.86, 0.72)
    final_drive: float = 3.9
    tyre_radius_m: float = 0.31
    rolling: float = 0.013
    driveline_efficiency: float = 0.92
    engine_inertia_kg_m2: float | None = None


@dataclass(frozen=True, slots=True)
class Injectors:
    """Fuel injectors, one injection a cycle. Rated at a pressure across the injector."""

    count: int
    rated_ml_min: float
    rated_kpa: float = 300.0
    fuel_kpa: float = 300.0
    dead_time_ms: float = 1.0


@dataclass(frozen=True, slots=True)
class Nozzle:
    """One or more equal spray nozzles, rated on water at a pressure across the nozzle."""

    rated_ml_min: float
    rated_kpa: float
    count: int = 1


@dataclass(frozen=True, slots=True)
class Pump:
    """A pump with a straight pressure-flow curve.

    ``shut_off_kpa`` is its gauge pressure at no flow, ``free_flow_ml_min`` its flow at no pressure;
    ``regulated_kpa`` is where a regulator or pressure switch holds it (infinite: none).
    ``run_down_s`` is the time in which full flow falls to nil once the pump stops: its own coasting
    and what hoses give back. 0.16 s is a small diaphragm pump with 3 m of stiff hose (common
    practice, no source). ``ripple_share`` is how far its strokes swing the pressure at its outlet
    either way, half of peak to peak over the mean, at nominal speed; 0.12 is a small diaphragm pump
    without a damper (common practice, no source). ``follows_command``: the command sets its speed,
    as a share of the nominal one, and there is neither valve nor regulator; else a valve opens for
    a share of the time, behind a pump at nominal speed.
    """

    shut_off_kpa: float
    free_flow_ml_min: float
    regulated_kpa: float = inf
    run_down_s: float = 0.16
    ripple_share: float = 0.12
    follows_command: bool = False


@dataclass(frozen=True, slots=True)
class Spray:
    """The spray system.

    ``fluid_kg_m3`` is the density of the mix at 20 degC; ``check_valve_kpa`` is taken off the
    pressure across the nozzles.
    """

    nozzles: tuple[Nozzle, ...]
    pump: Pump
    fluid_kg_m3: float = 998.2
    methanol_mass_pct: float = 0.0
    check_valve_kpa: float = 0.0
    tank_ml: float = 5000.0


@dataclass(frozen=True, slots=True)
class FlowSensor:
    """What the flow sensor shows of the spray, and how well that is known.

    Attributes:
        delay_s: From a step of the command until the reading moves.
        delay_within_s: How far off, either way, that may be (less than it).
        lag_s: From there to 63 % of the step.
        lag_within_s: How far off, either way, that may be (less than it).
        gain_within: Share by which the reading may be off, either way, sensor and rig together.
        noise: Standard deviation of a reading, as a share of it.
        noise_lasts_s: How long that takes to fall out of step with itself (correlation time).
        floor_ml_min: Smaller flows are not told from none.
        starts_after_ml: What passes, after a rest, before the reading moves: two pulses of a
            turbine. Common practice, no source, that a small one gives some 22 a millilitre.
        refresh_s: How long it holds a reading until it gives a new one; 0: new in every row.
    """

    delay_s: float = 0.08
    delay_within_s: float = 0.04
    lag_s: float = 0.1
    lag_within_s: float = 0.05
    gain_within: float = 0.08
    noise: float = 0.04
    noise_lasts_s: float = 0.05
    floor_ml_min: float = 20.0
    starts_after_ml: float = 0.1
    refresh_s: float = 0.0


@dataclass(frozen=True, slots=True)
class LineSensor:
    """What the line's pressure sensor shows of the spray, where the car has one.

    Attributes:
        lag_s: Time in which its reading follows the pressure (first order).
        gain_within: Share by which a healthy line may be off what the rig makes of pump and
            nozzles, either way.
        noise: Standard deviation of a reading, ripple of the pump's strokes included, as a share.
        noise_lasts_s: How long that takes to fall out of step with itself.
    """

    lag_s: float = 0.01
    gain_within: float = 0.15
    noise: float = 0.05
    noise_lasts_s: float = 0.02


@dataclass(frozen=True, slots=True)
class ChargeSensor:
    """What the intake temperature behind the spray shows of it.

    Attributes:
        drop_k: How far full spray cools a warm charge, K (0: not judged).
        drop_within: Share by which that may be off, either way.
        rise_k: How far full boost warms the dry charge at once, K; of account only where there is
            no dry intake temperature (0: without one the charge isn't judged).
        rise_within: Share by which that may be off, either way.
        soak_k_s: The most by which an intercooler that soaks up heat warms it besides, K/s.
        lag_s: Time in which the reading follows spray and boost (first order).
        lag_within_s: How far off, either way, that may be (less than it).
        noise_k: Standard deviation of a reading round what is expected, K.
        noise_lasts_s: How long that takes to fall out of step with itself.
    """

    drop_k: float = 0.0
    drop_within: float = 0.5
    rise_k: float = 0.0
    rise_within: float = 0.25
    soak_k_s: float = 4.0
    lag_s: float = 0.4
    lag_within_s: float = 0.25
    noise_k: float = 0.8
    noise_lasts_s: float = 0.3


@dataclass(frozen=True, slots=True)
class Command:
    """How much spray is asked for; which fields count depends on ``kind``.

    FIXED: ``rate_ml_min`` (infinite = full flow) above ``start_boost_kpa``.
    BOOST: 0 to 100 % between ``start_boost_kpa`` and ``full_boost_kpa``.
    INJECTOR_DUTY: 0 to 100 % between ``start_duty_pct`` and ``full_duty_pct``, above
    ``start_boost_kpa``.
    MAP: ``map_pct[i][j]`` at ``map_boost_kpa[i]`` and ``map_duty_pct[j]``, above
    ``start_boost_kpa``.
    ``start_boost_kpa`` is always the *onset*: spray matters above it.
    """

    kind: CommandKind
    start_boost_kpa: float
    full_boost_kpa: float = inf
    start_duty_pct: float = 0.0
    full_duty_pct: float = 100.0
    rate_ml_min: float = inf
    map_boost_kpa: tuple[float, ...] = ()
    map_duty_pct: tuple[float, ...] = ()
    map_pct: tuple[tuple[float, ...], ...] = ()


@dataclass(frozen=True, slots=True)
class Paid:
    """What the spray paid for: timing added by boost, and the boost the engine holds dry."""

    boost_kpa: tuple[float, ...]
    timing_deg: tuple[float, ...]
    dry_limit_kpa: float


@dataclass(frozen=True, slots=True)
class DebtTerms:
    """How sure the evidence must be to pull timing, and how large the debt to cut boost.

    Attributes:
        false_pull_every_h: Hours of spraying wanted between two pulls of timing that are false.
        cut_s: Debt that cuts boost, as seconds of full flow.
        cut_ml: The same in mL; whichever is less counts.
    """

    false_pull_every_h: float = 100.0
    cut_s: float = 0.4
    cut_ml: float = inf


@dataclass(frozen=True, slots=True)
class Ladder:
    """How actions are sized, held and released."""

    margin: float = 1.2
    step_deg: float = 0.5
    max_retard_deg: float = 20.0
    shortfall_outlasts_s: float = 1.5
    release_below_kpa: float = 20.0
    release_after_s: float = 2.0
    acknowledge_to_release: bool = False
    on_blind: Action = Action.CUT_BOOST
    blind_after_s: float = 0.3
    give_back_deg_s: float = 10.0


@dataclass(frozen=True, slots=True)
class Limit:
    """A channel's limit: above ``above`` for ``for_s`` raises a finding that takes ``action``."""

    above: float = inf
    for_s: float = 0.1
    action: Action = Action.WARN


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of the four channels every tuner watches."""

    boost_kpa: Limit = field(default_factory=Limit)
    injector_duty_pct: Limit = field(default_factory=Limit)
    intake_c: Limit = field(default_factory=Limit)
    knock: Limit = field(default_factory=Limit)


@dataclass(frozen=True, slots=True)
class Watch:
    """When the findings beside debt, blindness and limits speak up.

    Attributes:
        no_command_above_kpa: Boost at which the logged command can't be nil (infinite: not judged).
        no_command_for_s: It is nil there for this long.
        over_ml: Spray that arrives beyond what was asked for, added up as the debt is (infinite:
            not judged).
        over_action: What that leads to.
        knock_persists_for_s: Knock stays above its limit for this long though timing is pulled.
        tank_reserve_ml: Tank level below this (0: not judged).
        tank_time_s: Spraying time left below this (0: not judged).
        confirm_within_s: What a confirmation may take beyond the controller's reaction time.
        confirm_timing_deg: How much less retard may be confirmed than was asked for.
        confirm_boost_kpa: How much more boost the confirmed ceiling may allow.
        not_followed_action: What an action that isn't confirmed leads to.
        logger_stuck_after_s: Every channel that comes stands still under boost for this long, or
            four times as long with the engine turning (infinite: not judged).
        disagree_share: How far, as a share of full flow, the logged command may be from the rig's
            own rule (infinite: not judged).
        contradicted_share: How much more air than the boost reading, as a share of it, injector
            duty at this engine speed may speak for (infinite: not judged).
        cross_check_for_s: Either is so for this long, and acts as blindness does.
    """

    no_command_above_kpa: float = inf
    no_command_for_s: float = 0.3
    over_ml: float = 3.0
    over_action: Action = Action.PULL_TIMING
    knock_persists_for_s: float = 0.6
    tank_reserve_ml: float = 0.0
    tank_time_s: float = 0.0
    confirm_within_s: float = 0.2
    confirm_timing_deg: float = 0.6
    confirm_boost_kpa: float = 5.0
    not_followed_action: Action = Action.CUT_BOOST
    logger_stuck_after_s: float = 0.5
    disagree_share: float = 0.25
    contradicted_share: float = 0.6
    cross_check_for_s: float = 0.3


@dataclass(frozen=True, slots=True)
class FaultIntervals:
    """The time budget in ISO 26262-1 terms.

    ``reaction_s`` is how long the engine controller takes to do what is asked (fault reaction
    time); ``tolerant_s`` how long the engine survives the fault with nothing done (fault tolerant
    time interval), both seconds.
    """

    reaction_s: float = 0.06
    tolerant_s: float = 0.6


@dataclass(frozen=True, slots=True)
class ChannelTerms:
    """What this rig says of a channel it maps.

    ``stuck_after_s`` is how long a fine reading may stand still under boost (the flow: where spray
    is due), infinite where an unchanging reading proves nothing; ``most_per_s`` is infinite where
    any jump is possible.
    """

    name: str
    low: float
    high: float
    max_age_s: float
    stuck_after_s: float = inf
    most_per_s: float = inf


@dataclass(frozen=True, slots=True)
class Rig:
    """A car, its spray system and its limits."""

    name: str
    engine: Engine
    injectors: Injectors
    spray: Spray
    command: Command
    paid: Paid
    debt: DebtTerms
    ladder: Ladder
    limits: Limits
    channels: tuple[ChannelTerms, ...]
    flow_sensor: FlowSensor = field(default_factory=FlowSensor)
    line_sensor: LineSensor = field(default_factory=LineSensor)
    charge_sensor: ChargeSensor = field(default_factory=ChargeSensor)
    watch: Watch = field(default_factory=Watch)
    fault_intervals: FaultIntervals = field(default_factory=FaultIntervals)
    vehicle: Vehicle = field(default_factory=Vehicle)

    @property
    def unboosted(self) -> bool:
        """Whether nothing boosts: all that spray pays for lies at or below the air outside."""
        return max(self.paid.boost_kpa, default=0.0) <= 0.0

    @property
    def engine_inertia_kg_m2(self) -> float:
        """Inertia of all that turns with the crank: as the rig says, else by displacement."""
        stated = self.vehicle.engine_inertia_kg_m2
        return 89.0 * (self.engine.displacement_l * 1e-3) if stated is None else stated
