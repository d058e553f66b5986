"""The engine and what it drives: a mean-value model of one turbocharged petrol car.

Constants without a source in their comment are common practice, chosen to be typical of a
four-cylinder turbocharged road car; the rig scales them through its displacement and boost.
"""

from math import isinf, pi, sqrt
from typing import Final

from rules.facts import Rig
from simulator.plant.air import (
    ZERO_C_K,
    air_flow_kg_s,
    compressor_outlet_k,
    injector_duty_pct,
    intercooler_outlet_k,
)
from simulator.plant.driver import RPM_PER_RAD_S, WHEEL_M, Driver, rpm_per_m_s

_CAR_KG: Final = 1400.0
_ENGINE_KG_M2: Final = 0.16
_DRIVELINE: Final = 0.92
_DRAG_N_S2_M2: Final = 0.42  # half of air density times drag area
_ROLLING_N: Final = 180.0
_IDLE_RPM: Final = 880.0
_LEAK: Final = 0.0088  # throttle opening that idles
_THROTTLE_RPM: Final = 38000.0  # speed at which a full throttle would halve the pressure
_THROTTLE_S: Final = 0.045
_FILLING_S: Final = 0.035
_WASTEGATE_S: Final = 0.07
_WASTEGATE_LEAD_S: Final = 0.06
_SPOOL_OF_REDLINE: Final = 0.42  # full boost is just reached here, given time
_SPOOL_S: Final = 0.16
_COMPRESSOR: Final = 0.74
_SOAK_S: Final = 35.0
_PETROL_KG_L: Final = 0.745
_STOICHIOMETRIC: Final = 14.7
_PETROL_J_KG: Final = 43.5e6
_INDICATED: Final = 0.36
_FRICTION_KPA: Final = 160.0
_METHANOL_AIR: Final = 6.473  # stoichiometric, from its elements
_FULL_LOAD_LAMBDA: Final = 0.80
_LEANEST_PETROL: Final = 0.90
_LEAN_END: Final = 1.95  # a wide-range probe reads no leaner
_MOST_BOOST: Final = 1.9  # what the turbocharger could make, over what the engine is tuned to


class Engine:
    """State and outputs of the engine; every attribute without underscore is an output.

    Attributes:
        speed_rpm: Engine speed.
        road_m_s: Road speed.
        accel_m_s2: Its rate of change.
        throttle: Throttle opening, 0 to 1.
        boost_kpa: Manifold pressure, gauge.
        air_kg_s: Air drawn.
        dry_c: Charge temperature before the spray, degC.
        soak_k: How much hotter than the air outside the intercooler's coolant has become.
        duty_pct: Injector duty.
        lambda_ratio: Air over the stoichiometric air of petrol and methanol.
        target_kpa: Boost the controller aims at.
    """

    __slots__ = (
        "_ambient_c",
        "_ambient_kpa",
        "_cut",
        "_displacement_l",
        "_full_load_mixture",
        "_injector_kg_s",
        "_injectors",
        "_integral",
        "_precharge_kpa",
        "_precharge_rate",
        "_pressure_kpa",
        "_spool_air_kg_s",
        "_ve",
        "_wastegate",
        "accel_m_s2",
        "air_kg_s",
        "boost_kpa",
        "driver",
        "dry_c",
        "duty_pct",
        "full_air_kg_s",
        "lambda_ratio",
        "peak_kpa",
        "redline_rpm",
        "road_m_s",
        "soak_k",
        "speed_rpm",
        "target_kpa",
        "throttle",
    )

    def __init__(self, rig: Rig, driver: Driver, peak_kpa: float, ambient_c: float) -> None:
        engine = rig.engine
        self.driver = driver
        self.peak_kpa = peak_kpa
        self.redline_rpm = engine.redline_rpm
        self._ambient_kpa = engine.ambient_kpa
        self._ambient_c = ambient_c
        self._displacement_l = engine.displacement_l
        self._ve = engine.volumetric_efficiency
        self._injectors = rig.injectors
        rate = rig.injectors.rated_ml_min * sqrt(rig.injectors.fuel_kpa / rig.injectors.rated_kpa)
        self._injector_kg_s = rate * 1e-3 * _PETROL_KG_L / 60.0
        full_kpa = self._ambient_kpa + max(peak_kpa, 0.0)
        self.full_air_kg_s = air_flow_kg_s(
            self._ve, self._displacement_l, self.redline_rpm, full_kpa, 320.0
        )
        self._spool_air_kg_s = self.full_air_kg_s * _SPOOL_OF_REDLINE
        self.road_m_s = driver.start_m_s
        self.speed_rpm = max(_IDLE_RPM, self.road_m_s * rpm_per_m_s(driver.gear))
        self.accel_m_s2 = 0.0
        self.throttle = 0.0
        self._pressure_kpa = 0.4 * self._ambient_kpa
        self.boost_kpa = self._pressure_kpa - self._ambient_kpa
        self._precharge_kpa = 0.0  # gauge, between compressor and throttle
        self._full_load_mixture = _FULL_LOAD_LAMBDA
        self._precharge_rate = 0.0  # kPa/s
        self._wastegate = 0.0
        self._integral = 0.0
        self._cut = 1.0
        self.air_kg_s = 0.0
        self.soak_k = 4.0
        self.dry_c = ambient_c + self.soak_k
        self.duty_pct = 0.0
        self.lambda_ratio = 1.0
        self.target_kpa = 0.0

    def allow_for_methanol(self, methanol_kg_s: float, air_kg_s: float) -> None:
        """Set the full-load petrol map so that petrol and methanol together are rich enough.

        Args:
            methanol_kg_s: Methanol that full spray brings.
            air_kg_s: Air that goes with it.

        A careful tuner leaves the petrol itself on the rich side, should the spray fail.
        """
        petrol = 1.0 / _FULL_LOAD_LAMBDA - _METHANOL_AIR * methanol_kg_s / air_kg_s
        self._full_load_mixture = 1.0 / max(petrol, 1.0 / _LEANEST_PETROL)

    @property
    def pressure_kpa(self) -> float:
        """Manifold pressure, absolute, kPa."""
        return self._pressure_kpa

    def dry_charge_c(self, boost_kpa: float, air_share: float, soak_k: float) -> float:
        """Return the charge temperature behind the intercooler, degC.

        Args:
            boost_kpa: Boost before the throttle, kPa gauge.
            air_share: Air flow over the largest, 0 to 1.
            soak_k: Coolant above the air outside, kelvin.
        """
        ambient_k = self._ambient_c + ZERO_C_K
        ratio = 1.0 + max(boost_kpa, 0.0) / self._ambient_kpa
        hot_k = compressor_outlet_k(ambient_k, ratio, _COMPRESSOR)
        effectiveness = 0.88 - 0.16 * air_share
        return intercooler_outlet_k(hot_k, ambient_k + soak_k, effectiveness) - ZERO_C_K

    def full_air_at_kg_s(self, boost_kpa: float) -> float:
        """Return the air drawn at three quarters of the redline at this boost, kg/s."""
        share = (self._ambient_kpa + boost_kpa) / (self._ambient_kpa + max(self.peak_kpa, 0.0))
        return 0.75 * share * self.full_air_kg_s

    def step(
        self,
        dt_s: float,
        charge_c: float,
        methanol_kg_s: float,
        torque_share: float,
        ceiling_kpa: float,
        target_share: float,
    ) -> None:
        """Advance by one step.

        Args:
            dt_s: Step, seconds, 0.001 to 0.01.
            charge_c: Charge temperature after the spray, degC.
            methanol_kg_s: Methanol that burns along.
            torque_share: What ignition timing leaves of the torque, 0 to 1.
            ceiling_kpa: Boost ceiling in force, kPa gauge (infinite: none).
            target_share: Slow wander of the controller's aim, about 1.
        """
        self._charge(dt_s, ceiling_kpa, target_share)
        rpm = self.speed_rpm
        ve = self._ve * (0.84 + 0.64 * rpm / self.redline_rpm * (1.25 - rpm / self.redline_rpm))
        self.air_kg_s = air_flow_kg_s(
            ve, self._displacement_l, rpm, self._pressure_kpa, charge_c + ZERO_C_K
        )
        precharge_kpa = self._precharge_kpa
        air_share = self.air_kg_s / self.full_air_kg_s
        self.dry_c = self.dry_charge_c(precharge_kpa, air_share, self.soak_k)
        heat_k = 0.11 * max(precharge_kpa, 0.0) * min(air_share, 1.2) + 3.0
        self.soak_k += dt_s / _SOAK_S * (heat_k - self.soak_k)
        petrol_kg_s = self._fuel(rpm)
        burnt_kg_s = min(petrol_kg_s, self.air_kg_s / _STOICHIOMETRIC)
        turns_rad_s = max(rpm, 300.0) / RPM_PER_RAD_S
        indicated_nm = _INDICATED * torque_share * burnt_kg_s * _PETROL_J_KG / turns_rad_s
        pumping_kpa = max(0.0, self._ambient_kpa - self._pressure_kpa)
        loss_kpa = _FRICTION_KPA + 12.0 * rpm / 1000.0 + pumping_kpa
        loss_nm = loss_kpa * self._displacement_l / (4.0 * pi)
        needed_kg_s = _STOICHIOMETRIC * petrol_kg_s + _METHANOL_AIR * methanol_kg_s
        mixture = min(_LEAN_END, self.air_kg_s / max(needed_kg_s, 1e-6))
        self.lambda_ratio += dt_s / 0.08 * (mixture - self.lambda_ratio)
        self._drive(dt_s, indicated_nm - loss_nm)

    def _charge(self, dt_s: float, ceiling_kpa: float, target_share: float) -> None:
        """Throttle, turbocharger, wastegate and manifold filling."""
        pedal = self.driver.pedal
        rpm = self.speed_rpm
        self.throttle += dt_s / _THROTTLE_S * (pedal - self.throttle)
        opening = _LEAK + self.throttle * sqrt(self.throttle)
        strangle = rpm / (_THROTTLE_RPM * min(opening, 1.0))
        ratio = 1.0 / sqrt(1.0 + strangle * strangle)
        ambient_kpa = self._ambient_kpa
        self._turbocharger(dt_s, pedal, ceiling_kpa, target_share)
        upstream_kpa = ambient_kpa + self._precharge_kpa
        allowed = 1.0
        if not isinf(ceiling_kpa):  # the electronic throttle holds what the wastegate cannot yet
            allowed = min(1.0, (ambient_kpa + ceiling_kpa) / (upstream_kpa * ratio))
        self._cut += dt_s / _THROTTLE_S * (allowed - self._cut)
        wanted_kpa = max(22.0, upstream_kpa * ratio * self._cut)
        self._pressure_kpa += dt_s / _FILLING_S * (wanted_kpa - self._pressure_kpa)
        self.boost_kpa = self._pressure_kpa - ambient_kpa

    def _turbocharger(
        self, dt_s: float, pedal: float, ceiling_kpa: float, target_share: float
    ) -> None:
        if self.peak_kpa <= 0.0:
            return
        asked = max(0.0, min(1.0, (pedal - 0.25) / 0.6))
        taper = 1.0 - 0.8 * max(0.0, self.speed_rpm / self.redline_rpm - 0.85)
        aim_kpa = self.peak_kpa * asked * taper * target_share
        target_kpa = max(0.0, min(aim_kpa, ceiling_kpa))
        self.target_kpa = target_kpa
        share = max(self.air_kg_s / self._spool_air_kg_s, 0.02)
        # The compressor's pressure grows a little faster than the exhaust flow that drives it.
        could_kpa = self.peak_kpa * min(share**1.15, _MOST_BOOST)
        error = (target_kpa - self._precharge_kpa) / self.peak_kpa
        # Leads the pressure by the wastegate's lag, or every spool-up would overshoot by a tenth.
        error -= _WASTEGATE_LEAD_S * self._precharge_rate / self.peak_kpa
        forward = 1.0 - target_kpa / max(could_kpa, 1e-3)
        if abs(error) < 0.15:
            self._integral = max(-0.2, min(0.2, self._integral - 1.2 * error * dt_s))
        opening = max(0.0, min(1.0, forward - 1.6 * error + self._integral))
        self._wastegate += dt_s / _WASTEGATE_S * (opening - self._wastegate)
        settle_kpa = could_kpa * (1.0 - 0.97 * self._wastegate)
        lag_s = _SPOOL_S / min(max(share, 0.12), 1.6)
        if settle_kpa < self._precharge_kpa:
            lag_s = min(lag_s, 0.3)  # the bypass valve lets pressure go
        self._precharge_rate = (settle_kpa - self._precharge_kpa) / lag_s
        self._precharge_kpa += dt_s * self._precharge_rate

    def _fuel(self, rpm: float) -> float:
        """Set injector duty; return petrol burnt, kg/s."""
        overrun = self.driver.pedal <= 0.0 and rpm > 1.7 * _IDLE_RPM
        if overrun or rpm > self.redline_rpm:
            self.duty_pct = 0.0
            return 0.0
        load = max(0.0, min(1.0, self.boost_kpa / max(self.peak_kpa, 60.0)))
        mixture = 1.0 - (1.0 - self._full_load_mixture) * load
        petrol_kg_s = self.air_kg_s / (_STOICHIOMETRIC * mixture)
        cycles_s = max(rpm, 300.0) / 120.0
        shot_kg = petrol_kg_s / (cycles_s * self._injectors.count)
        pulse_ms = 1e3 * shot_kg / self._injector_kg_s + self._injectors.dead_time_ms
        self.duty_pct = injector_duty_pct(pulse_ms, rpm)
        if self.duty_pct > 100.0:  # an injector can but stay open
            petrol_kg_s *= 100.0 / self.duty_pct
            self.duty_pct = 100.0
        return petrol_kg_s

    def _drive(self, dt_s: float, torque_nm: float) -> None:
        """Engine speed and road speed."""
        driver = self.driver
        per_m_s = rpm_per_m_s(driver.gear)
        resistance_n = _DRAG_N_S2_M2 * self.road_m_s * self.road_m_s
        if self.road_m_s > 0.1:
            resistance_n += _ROLLING_N
        force_n = -resistance_n - driver.brake_m_s2 * _CAR_KG
        mass_kg = _CAR_KG
        if not driver.clutch_open:
            geared = per_m_s * WHEEL_M / RPM_PER_RAD_S
            force_n += torque_nm * geared * _DRIVELINE / WHEEL_M
            mass_kg += _ENGINE_KG_M2 * geared * geared / (WHEEL_M * WHEEL_M)
        self.accel_m_s2 = force_n / mass_kg
        self.road_m_s = max(0.0, self.road_m_s + self.accel_m_s2 * dt_s)
        synchronous_rpm = self.road_m_s * rpm_per_m_s(driver.next_gear)
        if driver.clutch_open:
            aim_rpm = max(synchronous_rpm, _IDLE_RPM)
            self.speed_rpm += dt_s / 0.07 * (aim_rpm - self.speed_rpm)
        elif synchronous_rpm < 1500.0:  # the clutch slips
            aim_rpm = max(synchronous_rpm, 1500.0 if driver.pedal > 0.0 else _IDLE_RPM)
            self.speed_rpm += dt_s / 0.2 * (aim_rpm - self.speed_rpm)
        else:
            self.speed_rpm += min(1.0, dt_s / 0.02) * (synchronous_rpm - self.speed_rpm)
