"""A car on a scripted drive, closed loop: what the failsafe does changes what happens next."""

from collections import deque
from collections.abc import Callable, Iterator
from math import inf, isnan
from typing import Final

from rules.channels import Sample
from rules.facts import Rig
from simulator.plant.air import evaporation_drop_k
from simulator.plant.driver import Driver
from simulator.plant.engine import Engine
from simulator.plant.faults import Faults
from simulator.plant.knock import Knock, paid_deg, spray_octane_per_g_kg
from simulator.plant.noise import Coloured, generator
from simulator.plant.script import Scenario
from simulator.plant.sensors import BOOST_FILTER_S, THERMISTOR_S, Sensors
from simulator.plant.spray import SpraySystem
from simulator.plant.truth import Truth

Decide = Callable[[Sample], tuple[float, float]]

REACTION_S: Final = 0.06  # engine controller: receive, schedule, fire; common practice, no source
LONGEST_STEP_S: Final = 0.0025
_SPREAD: Final = 0.2  # of this car's delay and lag about the rig's
_GAIN_SPREAD: Final = 0.04
_IN_INTAKE: Final = 0.8  # share of the spray that evaporates before the intake sensor
_AMBIENT_HUMIDITY: Final = 0.006  # kg/kg, a mild day
_REFERENCE_SOAK_K: Final = 9.0  # the day of the tune
_UNEVENNESS: Final = 0.5  # common practice, no source
_NO_CEILING_KPA: Final = 400.0  # what the engine controller reports where none is asked for
_TIP_IN_S: Final = 0.25
_TIP_IN_DEG: Final = 3.0
_EVAPORATION_S: Final = 0.04


class Car:
    """One car, one drive, one seed.

    Args:
        rig: The car.
        scenario: The drive and its faults.
        seed: 0 or more; the same seed gives the same samples, bit for bit.

    Attributes:
        truth: What is really happening, updated by each step.
        delay_s: This car's transport delay from command to flow reading.
        lag_s: This car's lag of the flow reading.
        flow_gain: This car's flow reading over the true flow.
    """

    def __init__(self, rig: Rig, scenario: Scenario, seed: int) -> None:
        spread = generator(seed, 0).uniform(-1.0, 1.0, 6).tolist()
        self.delay_s = rig.spray.transport_delay_s * (1.0 + _SPREAD * spread[0])
        self.lag_s = rig.spray.lag_s * (1.0 + _SPREAD * spread[1])
        self.flow_gain = 1.0 + _GAIN_SPREAD * spread[2]
        self.truth = Truth()
        self._rate_hz = scenario.rate_hz
        self._duration_s = scenario.duration_s
        sample_s = 1.0 / scenario.rate_hz
        self._substeps = max(1, -int(-sample_s / LONGEST_STEP_S // 1))
        self._dt_s = sample_s / self._substeps
        self._count = 0
        self._paid = rig.paid
        peak_kpa = scenario.peak_boost_kpa
        if isnan(peak_kpa):
            peak_kpa = rig.paid.boost_kpa[-1] if rig.paid.boost_kpa else 0.0
        driver = Driver(scenario.drive, rig.engine.redline_rpm, seed, 1)
        self._engine = Engine(rig, driver, peak_kpa, scenario.ambient_c)
        self._spray = SpraySystem(
            rig.spray,
            rig.command,
            min(scenario.tank_ml, rig.spray.tank_ml),
            self.delay_s,
            self.lag_s,
            self._dt_s,
        )
        self._faults = Faults(scenario.faults)
        methanol = 0.01 * rig.spray.methanol_mass_pct
        self._full_methanol = methanol
        self._fill(methanol)
        self._kg_s_per_ml_min = rig.spray.fluid_kg_m3 * 1e-6 / 60.0
        self._knock = Knock(rig.paid, 1.1 + 0.2 * spread[3], self._tune(rig, peak_kpa))
        mapped = frozenset(channel.name for channel in rig.channels)
        noise_share = 0.035 + 0.005 * spread[4]
        self._sensors = Sensors(seed, 10, sample_s, self.flow_gain, noise_share, mapped)
        self._wander = Coloured(seed, 2, 1.5, sample_s)
        self._scatter = Coloured(seed, 3, 0.05, sample_s)
        waiting = max(1, round(REACTION_S / self._dt_s))
        self._orders: deque[tuple[float, float]] = deque([(0.0, inf)] * waiting, maxlen=waiting)
        self._cooling_k = 0.0
        self._tip_in_deg = 0.0
        self._seen_boost_kpa = self._engine.boost_kpa
        self._seen_charge_c = self._engine.dry_c
        self._seen_dry_c = self._engine.dry_c
        self._slosh_ml = 0.0
        self._slosh_ml_s = 0.0

    @property
    def finished(self) -> bool:
        """Whether the drive is over."""
        return self._count >= self._duration_s * self._rate_hz - 1e-6

    def step(self, retard_deg: float, boost_ceiling_kpa: float) -> Sample:
        """Advance by one sample and return it.

        Args:
            retard_deg: Ignition retard asked for, degrees, >= 0.
            boost_ceiling_kpa: Boost ceiling asked for, kPa gauge (infinite: none).

        Both act once the engine controller has reacted, 60 ms later.
        """
        order = (retard_deg, boost_ceiling_kpa)
        aim = 1.0 + 0.006 * self._wander.draw()
        scatter_deg = 0.3 * self._scatter.draw()
        dt_s = self._dt_s
        start_s = self._count / self._rate_hz
        for i in range(self._substeps):
            in_force = self._orders[0]
            self._orders.append(order)
            self._advance(start_s + i * dt_s, in_force, aim, scatter_deg)
        self._count += 1
        time_s = round(self._count / self._rate_hz, 4)
        self._evaporate(1.0 / self._rate_hz)
        self._tell(time_s, self._orders[0])
        return self._read(time_s)

    def _tune(self, rig: Rig, peak_kpa: float) -> float:
        """Set the fuel map; return the octane a gram of spray per kg of air earns.

        The car was tuned with full spray at full boost: there spray earns what the table spends.
        """
        air_kg_s = self._engine.full_air_at_kg_s(peak_kpa)
        spray = self._spray.full_flow_ml_min(peak_kpa) * self._kg_s_per_ml_min / air_kg_s
        self._engine.allow_for_methanol(spray * air_kg_s * self._methanol, air_kg_s)
        dry_c = self._engine.dry_charge_c(peak_kpa, 0.75, _REFERENCE_SOAK_K)
        cooling_k = evaporation_drop_k(
            dry_c,
            rig.engine.ambient_kpa + max(peak_kpa, 0.0),
            spray * self._water_share,
            spray * self._methanol_share,
            _AMBIENT_HUMIDITY,
        )
        return spray_octane_per_g_kg(paid_deg(rig.paid, peak_kpa), cooling_k, 1e3 * spray)

    def _fill(self, methanol: float) -> None:
        """Take a mix with this mass share of methanol, 0 to 1."""
        self._water_share = _IN_INTAKE * (1.0 - methanol)
        self._methanol_share = _IN_INTAKE * methanol
        self._methanol = methanol

    def _advance(
        self, now_s: float, in_force: tuple[float, float], aim: float, scatter_deg: float
    ) -> None:
        """Advance the physics by one internal step."""
        dt_s = self._dt_s
        engine, spray, knock, faults = self._engine, self._spray, self._knock, self._faults
        retard_deg, ceiling_kpa = in_force
        engine.driver.update(now_s, dt_s, engine.road_m_s)
        faults.update(now_s, engine.boost_kpa)
        self._fill(self._full_methanol * (1.0 - faults.methanol_lost))
        spray_kg_s = spray.nozzle_ml_min * self._kg_s_per_ml_min
        # While boost rises fast the tune holds timing back, as the spray is still on its way.
        rise_kpa_s = max(0.0, engine.boost_kpa - self._seen_boost_kpa) / BOOST_FILTER_S
        self._tip_in_deg += (
            dt_s / _TIP_IN_S * (min(_TIP_IN_DEG, 0.02 * rise_kpa_s) - self._tip_in_deg)
        )
        tune_deg = retard_deg + self._tip_in_deg
        total_deg = tune_deg + knock.retard_deg
        # Past best torque, timing costs about quadratically; common practice, no source.
        behind_deg = 6.0 + total_deg
        torque_share = max(0.5, 1.0 - 0.0006 * behind_deg * behind_deg)
        engine.step(
            dt_s,
            engine.dry_c - self._cooling_k,
            spray_kg_s * self._methanol,
            torque_share,
            ceiling_kpa,
            aim,
        )
        boost_kpa = engine.boost_kpa
        self._seen_boost_kpa += dt_s / (BOOST_FILTER_S + dt_s) * (boost_kpa - self._seen_boost_kpa)
        measured_kpa = self._seen_boost_kpa + self._sensors.boost_error_kpa
        spray.step(dt_s, boost_kpa, measured_kpa, engine.duty_pct, faults)
        reference_c = engine.dry_charge_c(
            boost_kpa, min(1.0, engine.air_kg_s / engine.full_air_kg_s), _REFERENCE_SOAK_K
        )
        # Knock begins in the worst-served cylinder, and a weak spray is also spread less evenly.
        missing = 1.0 - spray.nozzle_ml_min / max(spray.healthy_ml_min, spray.nozzle_ml_min, 5.0)
        worst = 1.0 - _UNEVENNESS * missing
        knock.step(
            dt_s,
            boost_kpa=boost_kpa,
            over_kpa=max(0.0, boost_kpa - 1.05 * engine.peak_kpa),
            cooling_k=worst * self._cooling_k,
            hotter_k=engine.dry_c - reference_c,
            spray_g_kg=1e3 * worst * spray_kg_s / max(engine.air_kg_s, 1e-3),
            timing_retard_deg=tune_deg,
            scatter_deg=scatter_deg,
        )

    def _evaporate(self, sample_s: float) -> None:
        """Bring the charge cooling and the slow sensors to this sample."""
        engine = self._engine
        air_kg_s = max(engine.air_kg_s, 0.002)
        spray = self._spray.nozzle_ml_min * self._kg_s_per_ml_min / air_kg_s
        drop_k = 0.0
        if spray > 1e-5:
            drop_k = evaporation_drop_k(
                engine.dry_c,
                engine.pressure_kpa,
                min(spray, 0.2) * self._water_share,
                min(spray, 0.2) * self._methanol_share,
                _AMBIENT_HUMIDITY,
            )
        self._cooling_k += sample_s / (_EVAPORATION_S + sample_s) * (drop_k - self._cooling_k)
        lag = sample_s / (THERMISTOR_S + sample_s)
        self._seen_charge_c += lag * (engine.dry_c - self._cooling_k - self._seen_charge_c)
        self._seen_dry_c += lag * (engine.dry_c - self._seen_dry_c)
        # Fluid in the tank swings at about 1.2 Hz when the car accelerates.
        pull = 9.0 * engine.accel_m_s2 - self._slosh_ml
        self._slosh_ml_s += sample_s * (57.0 * pull - 3.0 * self._slosh_ml_s)
        self._slosh_ml += sample_s * self._slosh_ml_s

    def _tell(self, time_s: float, in_force: tuple[float, float]) -> None:
        """Bring the truth to this sample."""
        truth, spray = self.truth, self._spray
        truth.time_s = time_s
        truth.flow_ml_min = spray.nozzle_ml_min
        healthy = spray.healthy_ml_min
        truth.missing = max(0.0, 1.0 - spray.nozzle_ml_min / healthy) if healthy > 5.0 else 0.0
        truth.boost_kpa = self._engine.boost_kpa
        truth.line_kpa = spray.line_kpa
        truth.tank_ml = spray.tank_ml
        truth.charge_c = self._engine.dry_c - self._cooling_k
        truth.knock_harm_deg_s = self._knock.harm
        truth.retard_deg, truth.ceiling_kpa = in_force
        truth.faults = self._faults.active
        if spray.empty and "empty_tank" not in truth.faults:
            truth.faults = (*truth.faults, "empty_tank")

    def _read(self, time_s: float) -> Sample:
        engine, spray = self._engine, self._spray
        load = max(0.0, engine.boost_kpa + 60.0)
        timing_deg = 32.0 - 0.105 * load + paid_deg(self._paid, engine.boost_kpa)
        timing_deg += 4.0 * (engine.speed_rpm / engine.redline_rpm - 0.5)
        timing_deg -= self._knock.retard_deg + self._tip_in_deg + self.truth.retard_deg
        true = {
            "engine_speed_rpm": engine.speed_rpm,
            "boost_kpa": self._seen_boost_kpa,
            "injector_duty_pct": engine.duty_pct,
            "intake_c": self._seen_charge_c,
            "knock": self._knock.retard_deg,
            "commanded_ml_min": spray.commanded_ml_min,
            "command_pct": 100.0 * spray.share,
            "delivered_ml_min": spray.sensed_ml_min,
            "timing_deg": timing_deg,
            "lambda_ratio": engine.lambda_ratio,
            "throttle_pct": 100.0 * engine.throttle,
            "tank_ml": max(0.0, spray.tank_ml + self._slosh_ml),
            "line_kpa": spray.line_kpa,
            "supply_v": spray.supply_v,
            "dry_intake_c": self._seen_dry_c,
            "confirmed_retard_deg": self.truth.retard_deg,
            "confirmed_ceiling_kpa": min(self.truth.ceiling_kpa, _NO_CEILING_KPA),
        }
        faults = self._faults
        true["delivered_ml_min"] *= faults.sensor_share
        return self._sensors.read(time_s, true, faults.sensor_stuck, faults.noise_share)


def run(
    scenario: Scenario, seed: int | None = None, decide: Decide | None = None
) -> Iterator[Sample]:
    """Drive a scenario to its end, sample by sample.

    Args:
        scenario: What to drive.
        seed: 0 or more; None takes the scenario's own.
        decide: Called with each sample; returns the retard (degrees) and the boost ceiling
            (kPa gauge, infinite: none) to ask for from then on. None: the engine is left alone.
    """
    car = Car(scenario.rig, scenario, scenario.seed if seed is None else seed)
    retard_deg, ceiling_kpa = 0.0, inf
    while not car.finished:
        sample = car.step(retard_deg, ceiling_kpa)
        yield sample
        if decide is not None:
            retard_deg, ceiling_kpa = decide(sample)
