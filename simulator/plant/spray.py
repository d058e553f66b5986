"""The spray system: controller, pump, line, check valve, nozzles, tank."""

from math import isinf, sin, sqrt
from typing import Final

from rules.facts import Command, CommandKind, Spray
from simulator.plant.faults import Faults

WATER_KG_M3: Final = 998.2  # at 20 degC, IAPWS-95; nozzles are rated on it
_NOMINAL_V: Final = 13.6
_COAST_S: Final = 0.06  # a small diaphragm pump without drive; common practice, no source
_REGULATOR_RISE: Final = 0.08  # how much a bypass regulator's pressure rises when flow stops
_NOTHING: Final = 1e-6  # mL/min; below it a lag would run on into denormal numbers
_PICK_UP_ML: Final = 25.0  # below this the pump draws air
_BISECTIONS: Final = 16  # 1400 kPa / 2**16 is far below the sensor's 1 kPa


def operating_point(
    conductance: float,
    shut_off_kpa: float,
    free_flow_ml_min: float,
    limit_kpa: float,
    against_kpa: float,
) -> tuple[float, float]:
    """Return where pump and nozzles meet: flow in mL/min, line pressure in kPa gauge.

    Pump: ``p = shut_off * (1 - q / free_flow)``, held below ``limit``. Nozzles:
    ``q = conductance * sqrt(p - against)``.

    Args:
        conductance: Of all nozzles, mL/min per square root of kPa, > 0.
        shut_off_kpa: Pump pressure at no flow, kPa gauge, >= 0.
        free_flow_ml_min: Pump flow at no pressure, > 0.
        limit_kpa: Regulator, kPa gauge (infinite: none).
        against_kpa: Boost plus check valve, kPa.

    Source: square-root law of an orifice (Bernoulli), straight pump curve.
    """
    held_kpa = min(shut_off_kpa, limit_kpa)
    if held_kpa <= against_kpa:
        return 0.0, held_kpa
    slope = shut_off_kpa / free_flow_ml_min
    resistance = 1.0 / (conductance * conductance)
    head_kpa = shut_off_kpa - against_kpa
    flow = (sqrt(slope * slope + 4.0 * resistance * head_kpa) - slope) / (2.0 * resistance)
    pressure_kpa = shut_off_kpa - slope * flow
    if pressure_kpa > limit_kpa:
        return conductance * sqrt(limit_kpa - against_kpa), limit_kpa
    return flow, pressure_kpa


def command_share(command: Command, boost_kpa: float, duty_pct: float) -> float:
    """Return what the spray controller asks for, as a share of full flow, 0 to 1.

    FIXED gives 1; its rate is applied where full flow is known. A command that a log would bring
    (LOG_FLOW, LOG_PERCENT) comes from a controller of its own here: in proportion to boost.

    Args:
        command: The controller's law.
        boost_kpa: Boost it measures, kPa gauge.
        duty_pct: Injector duty it measures, percent.
    """
    if boost_kpa <= command.start_boost_kpa:
        return 0.0
    kind = command.kind
    if kind is CommandKind.FIXED:
        return 1.0
    if kind is CommandKind.INJECTOR_DUTY:
        span = command.full_duty_pct - command.start_duty_pct
        return min(1.0, max(0.0, (duty_pct - command.start_duty_pct) / span))
    if kind is CommandKind.MAP:
        i, up = _bracket(command.map_boost_kpa, boost_kpa)
        j, right = _bracket(command.map_duty_pct, duty_pct)
        i1 = min(i + 1, len(command.map_boost_kpa) - 1)
        j1 = min(j + 1, len(command.map_duty_pct) - 1)
        rows = command.map_pct
        low = rows[i][j] + right * (rows[i][j1] - rows[i][j])
        high = rows[i1][j] + right * (rows[i1][j1] - rows[i1][j])
        return 0.01 * (low + up * (high - low))
    full_kpa = command.full_boost_kpa
    if isinf(full_kpa):
        full_kpa = command.start_boost_kpa + 100.0
    return min(1.0, (boost_kpa - command.start_boost_kpa) / (full_kpa - command.start_boost_kpa))


def _bracket(axis: tuple[float, ...], x: float) -> tuple[int, float]:
    """Return the index below ``x`` on a rising axis and the share of the way to the next."""
    if x <= axis[0]:
        return 0, 0.0
    for i in range(len(axis) - 1):
        if x < axis[i + 1]:
            return i, (x - axis[i]) / (axis[i + 1] - axis[i])
    return len(axis) - 1, 0.0


def leaking_point(
    conductance: float,
    leak: float,
    shut_off_kpa: float,
    free_flow_ml_min: float,
    limit_kpa: float,
    against_kpa: float,
) -> tuple[float, float, float]:
    """Return where the pump meets nozzles and a leak: nozzle flow, leak flow, line pressure.

    As ``operating_point``, with a second opening of conductance ``leak`` to the air outside.

    Source: the same laws; the pressure at which both openings take what the pump gives, bisected.
    """
    low_kpa, high_kpa = 0.0, min(shut_off_kpa, limit_kpa)
    at_limit = high_kpa
    for _ in range(_BISECTIONS):
        kpa = at_limit
        nozzle = conductance * sqrt(max(kpa - against_kpa, 0.0))
        leaked = leak * sqrt(max(kpa, 0.0))
        if nozzle + leaked > free_flow_ml_min * max(1.0 - kpa / max(shut_off_kpa, 1e-9), 0.0):
            high_kpa = kpa
        else:
            low_kpa = kpa
        at_limit = 0.5 * (low_kpa + high_kpa)
    return nozzle, leaked, kpa


class DelayLag:
    """A transport delay followed by a first-order lag.

    Args:
        delay_s: Delay, seconds, >= 0 (rounded to whole steps).
        lag_s: Time constant, seconds, >= 0.
        dt_s: Step, seconds, > 0.
    """

    __slots__ = ("_gain", "_index", "_ring", "value")

    def __init__(self, delay_s: float, lag_s: float, dt_s: float) -> None:
        self._ring = [0.0] * max(1, round(delay_s / dt_s))
        self._index = 0
        self._gain = dt_s / (lag_s + dt_s)
        self.value = 0.0

    def push(self, x: float) -> float:
        """Take the input of this step; return the output."""
        ring = self._ring
        self.value += self._gain * (ring[self._index] - self.value)
        if self.value < _NOTHING:
            self.value = 0.0
        ring[self._index] = x
        self._index += 1
        if self._index == len(ring):
            self._index = 0
        return self.value


class SpraySystem:
    """State and outputs of the spray system.

    Attributes:
        share: What the controller asks for, share of full flow.
        commanded_ml_min: The same as a flow, by the controller's own reckoning.
        nozzle_ml_min: True flow out of the nozzles.
        healthy_ml_min: What that flow would be without any fault.
        sensed_ml_min: What an ideal flow sensor with this car's delay and lag would read.
        line_kpa: True line pressure, gauge.
        tank_ml: Fluid left.
        supply_v: Voltage at the pump.
        empty: Whether the pump draws air because the tank ran out by itself.
    """

    __slots__ = (
        "_air",
        "_command",
        "_conductance",
        "_healthy",
        "_leak_ml_min",
        "_nozzle",
        "_sensor",
        "_speed",
        "_spray",
        "_time_s",
        "commanded_ml_min",
        "empty",
        "healthy_ml_min",
        "line_kpa",
        "nozzle_ml_min",
        "sensed_ml_min",
        "share",
        "supply_v",
        "tank_ml",
    )

    def __init__(
        self,
        spray: Spray,
        command: Command,
        tank_ml: float,
        delay_s: float,
        lag_s: float,
        dt_s: float,
    ) -> None:
        self._spray = spray
        self._command = command
        lightness = sqrt(WATER_KG_M3 / spray.fluid_kg_m3)
        self._conductance = lightness * sum(
            nozzle.count * nozzle.rated_ml_min / sqrt(nozzle.rated_kpa) for nozzle in spray.nozzles
        )
        # What leaves the nozzles leads what the sensor reports; common practice, no source.
        self._nozzle = DelayLag(0.6 * delay_s, 0.5 * lag_s, dt_s)
        self._healthy = DelayLag(0.6 * delay_s, 0.5 * lag_s, dt_s)
        self._sensor = DelayLag(delay_s, lag_s, dt_s)
        self._speed = 1.0  # pump speed over nominal
        self._air = 0.0
        self._leak_ml_min = 0.0  # what leaves by a split, not by the nozzles
        self._time_s = 0.0
        self.tank_ml = tank_ml
        self.share = 0.0
        self.commanded_ml_min = 0.0
        self.nozzle_ml_min = 0.0
        self.healthy_ml_min = 0.0
        self.sensed_ml_min = 0.0
        self.line_kpa = 0.0
        self.supply_v = 13.8
        self.empty = False

    def full_flow_ml_min(self, boost_kpa: float) -> float:
        """Return the flow of the healthy system at 100 % command against this boost, mL/min."""
        pump = self._spray.pump
        flow, _ = operating_point(
            self._conductance,
            pump.shut_off_kpa,
            pump.free_flow_ml_min,
            pump.regulated_kpa,
            boost_kpa + self._spray.check_valve_kpa,
        )
        return flow

    def step(
        self,
        dt_s: float,
        boost_kpa: float,
        measured_boost_kpa: float,
        measured_duty_pct: float,
        faults: Faults,
    ) -> None:
        """Advance by one step.

        Args:
            dt_s: Step, seconds.
            boost_kpa: True manifold pressure, kPa gauge.
            measured_boost_kpa: What the spray controller measures.
            measured_duty_pct: What it measures of the injectors.
            faults: What is wrong at this moment.
        """
        command = self._command
        share = command_share(command, measured_boost_kpa, measured_duty_pct)
        assumed_ml_min = self.full_flow_ml_min(measured_boost_kpa)
        if share > 0.0 and command.kind is CommandKind.FIXED and assumed_ml_min > 0.0:
            share = min(1.0, command.rate_ml_min / assumed_ml_min)
        healthy = share * self.full_flow_ml_min(boost_kpa)
        if faults.controller_silent:
            share = 0.0
        self.share = share
        self.commanded_ml_min = share * assumed_ml_min
        flow = self._hydraulics(dt_s, share, boost_kpa, faults)
        passed = flow + self._leak_ml_min if faults.split_after > 0.0 else flow
        self.sensed_ml_min = self._sensor.push(passed)
        self.healthy_ml_min = self._healthy.push(healthy)
        self.nozzle_ml_min = self._nozzle.push(flow)
        self.tank_ml = max(
            0.0, self.tank_ml - (self.nozzle_ml_min + self._leak_ml_min) / 60.0 * dt_s
        )

    def _hydraulics(self, dt_s: float, share: float, boost_kpa: float, faults: Faults) -> float:
        """Return the flow the pump makes now; set line pressure and supply voltage.

        The controller's valve opens for ``share`` of the time, so mean flow is that share of the
        flow with it open, and mean line pressure lies between open and shut.
        """
        running = 1.0 if share > 0.0 and faults.pump_drive else 0.0
        sag_v = 0.35 * running * (0.4 + 0.6 * share)
        loaded = 1.0 - running * (1.0 - faults.supply_share)  # a bad joint costs under load alone
        self.supply_v += dt_s / 0.05 * ((13.8 - sag_v) * loaded - self.supply_v)
        drive = self.supply_v / _NOMINAL_V if faults.pump_drive else 0.0
        self._speed += dt_s / _COAST_S * (drive - self._speed)
        pump = self._spray.pump
        squared = self._speed * self._speed
        shut_off_kpa = pump.shut_off_kpa * squared * faults.pump_share
        clog = faults.nozzle_share
        limit_kpa = pump.regulated_kpa * (1.0 + _REGULATOR_RISE * (1.0 - clog))
        nozzles = max(self._conductance * clog, 1e-9)
        if faults.methanol_lost > 0.0:  # denser, so less of it passes
            density = self._spray.fluid_kg_m3
            denser = density + faults.methanol_lost * (WATER_KG_M3 - density)
            nozzles *= sqrt(density / denser)
        free_ml_min = max(pump.free_flow_ml_min * self._speed, 1e-9)
        against_kpa = boost_kpa + self._spray.check_valve_kpa
        flow, open_kpa = operating_point(
            nozzles, shut_off_kpa, free_ml_min, limit_kpa * faults.pump_share, against_kpa
        )
        shut_kpa = min(shut_off_kpa, limit_kpa * (1.0 + 0.5 * _REGULATOR_RISE))
        self._leak_ml_min = 0.0
        split = faults.split_before + faults.split_after
        if split > 0.0 and share > 0.0:
            # The pump runs on while the spray valve is shut, and all it gives then leaks.
            leak = split * self._conductance
            held_kpa = limit_kpa * faults.pump_share
            flow, leaked, open_kpa = leaking_point(
                nozzles, leak, shut_off_kpa, free_ml_min, held_kpa, against_kpa
            )
            _, shut_leaked, shut_kpa = leaking_point(
                0.0, leak, shut_off_kpa, free_ml_min, held_kpa, against_kpa
            )
            self._leak_ml_min = share * leaked + (1.0 - share) * shut_leaked
        liquid = self._liquid(dt_s, faults)
        flow *= liquid
        self._leak_ml_min *= liquid
        mean_kpa = 0.0
        if share > 0.0:
            if faults.stuck_share > share:
                share = faults.stuck_share
            mean_kpa = (share * open_kpa + (1.0 - share) * shut_kpa) * (1.0 - self._air)
        lag_s = 0.06 if mean_kpa > self.line_kpa else 0.12
        self.line_kpa += dt_s / lag_s * (mean_kpa - self.line_kpa)
        drawn = self._drawn_ml_min(boost_kpa, faults) if share == 0.0 else 0.0
        return share * flow + drawn

    def _drawn_ml_min(self, boost_kpa: float, faults: Faults) -> float:
        """Return what a manifold in vacuum draws while the pump rests."""
        if boost_kpa >= 0.0 or self.tank_ml < _PICK_UP_ML:
            return 0.0
        past_valve_kpa = -boost_kpa - self._spray.check_valve_kpa
        siphoned = faults.siphon_share * sqrt(-boost_kpa)
        stuck = faults.stuck_share * sqrt(max(past_valve_kpa, 0.0))
        return self._conductance * max(siphoned, stuck)

    def _liquid(self, dt_s: float, faults: Faults) -> float:
        """Return the share of what passes that is liquid; air makes it ripple."""
        self._time_s += dt_s
        if faults.tank_lost:
            self.tank_ml = max(0.0, self.tank_ml - 4.0 * dt_s * (self.tank_ml + 5.0))
        self.empty = self.tank_ml < _PICK_UP_ML
        own = 1.0 - self.tank_ml / _PICK_UP_ML if self.empty and not faults.tank_lost else 0.0
        air = max(faults.air_share, own)
        self._air = air
        if air == 0.0:
            return 1.0
        slug = sin(34.0 * self._time_s) + 0.6 * sin(81.0 * self._time_s)
        return max(0.0, (1.0 - air) * (1.0 + 2.2 * air * slug))
