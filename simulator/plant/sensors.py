"""From the true state to what the log says: lag, pulses, strokes, gain, noise, steps, faults."""

from collections.abc import Sequence
from math import cos, floor, pi, sin, sqrt
from typing import Final

from rules import channels as ch
from rules.step.arithmetic import larger, smaller
from simulator.plant.constants import Constants
from simulator.plant.faults import FaultNow
from simulator.plant.noise import Draw
from simulator.plant.script import FaultKind
from simulator.plant.state import Rates, State

BOOST_FILTER_S: Final = 0.01
THERMISTOR_S: Final = 0.3
LINE_FILTER_S: Final = 0.01
PULSES_PER_ML: Final = 22.0  # a small turbine wheel; common practice, no source
_LINE_CORRELATION_S: Final = 0.03
_BOOST_KPA: Final = 0.7
_SPEED_RPM: Final = 6.0
_THERMISTOR_K: Final = 0.08
_SUPPLY_V: Final = 0.03
_LINE_KPA: Final = 4.0
_LAMBDA: Final = 0.004
_TURN: Final = 2.0 * pi
_STOPPED_ML_MIN: Final = 2.0  # slower than this the wheel stands still
_LEAST_READING_ML_MIN: Final = 5.0  # a meter shows nothing rather than less
# By channel: steps a unit in which it is sent; seconds between readings (0: every sample; a slow
# one repeats itself); bottom and top of the range; what it reads shorted to ground
# (a thermistor: hot) and with an open wire (a thermistor: cold; pulses: none; 5 V sensors: top).
_SENSORS: Final[dict[str, tuple[float, float, float, float, float, float]]] = {
    "engine_speed_rpm": (1.0, 0.0, 0.0, 12000.0, 0.0, 0.0),
    "boost_kpa": (10.0, 0.0, -101.0, 350.0, -101.0, 350.0),
    "injector_duty_pct": (10.0, 0.0, 0.0, 100.0, 0.0, 0.0),
    "intake_c": (10.0, 0.05, -40.0, 160.0, 160.0, -40.0),
    "knock": (10.0, 0.0, 0.0, 20.0, 0.0, 0.0),
    "commanded_ml_min": (1.0, 0.0, 0.0, 3000.0, 0.0, 0.0),
    "command_pct": (10.0, 0.0, 0.0, 100.0, 0.0, 0.0),
    "delivered_ml_min": (1.0, 0.0, 0.0, 3000.0, 0.0, 0.0),
    "timing_deg": (10.0, 0.0, -20.0, 60.0, -20.0, -20.0),
    "lambda_ratio": (1e3, 0.02, 0.5, 2.0, 0.5, 0.5),
    "throttle_pct": (10.0, 0.0, 0.0, 100.0, 0.0, 100.0),
    "tank_ml": (1.0, 0.2, 0.0, 8000.0, 0.0, 8000.0),
    "line_kpa": (1.0, 0.0, 0.0, 2000.0, 0.0, 2000.0),
    "supply_v": (1e2, 0.05, 0.0, 16.0, 0.0, 0.0),
    "dry_intake_c": (10.0, 0.05, -40.0, 160.0, 160.0, -40.0),
    "confirmed_retard_deg": (10.0, 0.0, 0.0, 40.0, 0.0, 0.0),
    "confirmed_ceiling_kpa": (10.0, 0.0, 0.0, 400.0, 0.0, 0.0),
    # Its contact opens as the float sinks, so that a broken wire reads low.
    "tank_switch": (1.0, 0.0, 0.0, 1.0, 0.0, 1.0),
}
PER_UNIT, EVERY_S, BOTTOM, TOP, SHORT, OPEN = (
    tuple(_SENSORS[name][i] for name in ch.CHANNEL_NAMES) for i in range(6)
)


def meter(s: State, flow_ml_min: float, now_s: float, dt_s: float) -> None:
    """Turn the flow meter's wheel, and time its pulses.

    The reading is one pulse's volume over the time since the pulse before; while none comes it can
    be no more than one pulse's volume over the time since the last.

    Args:
        s: State; the raw reading is put into it, mL/min.
        flow_ml_min: Flow through the meter.
        now_s: Time at the end of this step, seconds.
        dt_s: Step, seconds.

    Source: reciprocal counting; a gate counter is too coarse at these flows.
    """
    pulses = flow_ml_min / 60.0 * PULSES_PER_ML * dt_s
    if flow_ml_min < _STOPPED_ML_MIN:
        pulses = 0.0
    s.rotor += pulses
    if s.rotor >= 1.0:
        whole = floor(s.rotor)
        s.rotor -= whole
        edge_s = now_s - dt_s * s.rotor / pulses
        period_s = larger(edge_s - s.last_pulse_s, 1e-5)
        s.pulse_ml_min = whole * 60.0 / PULSES_PER_ML / period_s
        s.last_pulse_s = edge_s
        return
    quiet_s = now_s - s.last_pulse_s
    if quiet_s * s.pulse_ml_min * PULSES_PER_ML > 60.0:
        s.pulse_ml_min = 60.0 / PULSES_PER_ML / quiet_s
    if s.pulse_ml_min < _LEAST_READING_ML_MIN:
        s.pulse_ml_min = 0.0


def stroke(k: Constants, s: State, dt_s: float) -> None:
    """Move the pump on through its strokes, at the speed it has."""
    s.stroke += k.stroke_hz * larger(s.pump, 0.0) * dt_s
    if s.stroke >= 1.0:
        s.stroke -= 1.0


def ripple_kpa(k: Constants, s: State) -> float:
    """Return what the pump's strokes add to the line sensor's reading, behind its filter, kPa.

    Either way it is ``ripple_share`` of the line pressure, less the slower the pump turns.

    Args:
        k: Constants.
        s: State.

    Source: a sine through a first-order filter, settled: ``1 / (1 + i w)``, w the filter's lag
    times the angular speed.
    """
    # Only the sensor feels it, as it stands at the pump's outlet: behind that the hose gives way to
    # each stroke, and a swing of 12 % would take less than 0.2 % off the mean flow of a nozzle.
    # Settled is exact at a steady speed, where steps of 1 ms would leave up to 7 % too much; while
    # the pump starts it is off by no more than the sensor's noise.
    speed = larger(s.pump, 0.0)
    swing_kpa = k.ripple_share * speed * larger(s.line_kpa, 0.0)
    w = _TURN * k.stroke_hz * speed * LINE_FILTER_S
    angle = _TURN * s.stroke
    return swing_kpa * (sin(angle) - w * cos(angle)) / (1.0 + w * w)


def sensor_rates(k: Constants, s: State, d: Rates) -> None:
    """Work out how fast the sensors' own lags let their readings follow (first order)."""
    d.sensed_boost_kpa = (s.boost_kpa - s.sensed_boost_kpa) / BOOST_FILTER_S
    d.sensed_intake_c = (s.charge_c - s.sensed_intake_c) / THERMISTOR_S
    d.sensed_dry_c = (s.dry_c - s.sensed_dry_c) / THERMISTOR_S
    d.sensed_line_kpa = (s.line_kpa - s.sensed_line_kpa) / LINE_FILTER_S
    d.flow_reading_ml_min = (s.pulse_ml_min - s.flow_reading_ml_min) / k.sensor_lag_s


def coloured(old: float, normal: float, correlation_s: float, dt_s: float) -> float:
    """Return the next value of unit noise whose correlation falls to 1/e in a time.

    Source: first-order autoregression; ``1 / (1 + z + z^2/2 ...)`` stands for exp(-z).
    """
    z = dt_s / correlation_s
    keep = 1.0 / (1.0 + z * (1.0 + 0.5 * z * (1.0 + z / 3.0)))
    return keep * old + sqrt(1.0 - keep * keep) * normal


def read(
    k: Constants, s: State, faults: Sequence[FaultNow], draw: Draw, time_s: float, row: list[float]
) -> None:
    """Fill a row with what the sensors say now.

    Args:
        k: Constants.
        s: State.
        faults: The faults; those of sensors act here.
        draw: This sample's noise.
        time_s: Time of the sample, seconds.
        row: One row, in the layout of ``rules.channels``.
    """
    sample_s = k.sample_s
    s.flow_noise = coloured(s.flow_noise, draw.flow, k.flow_noise_lasts_s, sample_s)
    s.boost_noise = coloured(s.boost_noise, draw.boost, BOOST_FILTER_S, sample_s)
    s.line_noise = coloured(s.line_noise, draw.line, _LINE_CORRELATION_S, sample_s)
    s.boost_error_kpa = _BOOST_KPA * s.boost_noise
    flow = s.flow_reading_ml_min * k.flow_gain * (1.0 + k.flow_noise * s.flow_noise)
    row[ch.TIME] = time_s
    row[ch.ENGINE_SPEED] = s.speed_rpm + _SPEED_RPM * draw.speed
    row[ch.BOOST] = s.sensed_boost_kpa + s.boost_error_kpa
    row[ch.INJECTOR_DUTY] = s.duty_pct
    row[ch.INTAKE] = s.sensed_intake_c + _THERMISTOR_K * draw.intake
    row[ch.KNOCK] = s.knock_deg
    row[ch.COMMANDED] = s.commanded_ml_min
    row[ch.COMMAND_PCT] = 100.0 * s.asked_share
    row[ch.DELIVERED] = larger(flow, 0.0)
    row[ch.TIMING] = s.spark_deg
    row[ch.LAMBDA] = s.seen_lambda + _LAMBDA * draw.lambda_ratio
    row[ch.THROTTLE] = 100.0 * s.throttle
    row[ch.TANK] = larger(0.0, s.tank_ml + s.slosh_ml)
    line_kpa = k.line_gain * (s.sensed_line_kpa + ripple_kpa(k, s))
    row[ch.LINE] = larger(0.0, line_kpa + _LINE_KPA * s.line_noise)
    row[ch.TANK_SWITCH] = 1.0 if row[ch.TANK] < k.switch_ml else 0.0
    row[ch.SUPPLY] = s.supply_v + _SUPPLY_V * draw.supply
    row[ch.DRY_INTAKE] = s.sensed_dry_c + _THERMISTOR_K * draw.dry
    # What the engine controller says it does.
    row[ch.CONFIRMED_RETARD] = s.done_deg
    ceiling_kpa = TOP[ch.CONFIRMED_CEILING - 1]
    if s.cut_ignored == 0.0:
        ceiling_kpa = smaller(s.ceiling_kpa, ceiling_kpa)
    row[ch.CONFIRMED_CEILING] = ceiling_kpa
    row[ch.CLOCK_PACE] = ch.NOT_SENT
    row[ch.OPERATOR] = ch.OPERATOR_NOTHING
    for i in range(k.fault_count):
        fault = faults[i]
        if fault.now != 0.0 and FaultKind.SENSOR_STUCK <= fault.kind < FaultKind.WIRE_NOISE:
            _spoil(s, fault, draw, time_s, row)
    for c in range(ch.N_CHANNELS):
        if k.sent[c] == 0.0:
            row[1 + c] = ch.NOT_SENT
        elif time_s < s.next_read_s[c]:
            row[1 + c] = s.held[c]
        else:
            value = floor(row[1 + c] * PER_UNIT[c] + 0.5) / PER_UNIT[c]
            row[1 + c] = value
            s.held[c] = value
            s.next_read_s[c] = time_s + EVERY_S[c] - 1e-6


def _spoil(s: State, fault: FaultNow, draw: Draw, time_s: float, row: list[float]) -> None:
    """Put one sensor's fault into the row."""
    c = fault.channel
    kind = fault.kind
    amount = fault.now
    span = TOP[c] - BOTTOM[c]
    since_s = time_s - fault.onset_s
    value = row[1 + c]
    if kind == FaultKind.SENSOR_STUCK:
        value = s.held[c]
    elif kind == FaultKind.SENSOR_SHORT:
        value = SHORT[c]
    elif kind == FaultKind.SENSOR_OPEN:
        value = OPEN[c]
    elif kind == FaultKind.SENSOR_OFFSET:
        value += amount * span
    elif kind == FaultKind.SENSOR_GAIN:
        value *= 1.0 + amount
    elif kind == FaultKind.SENSOR_DRIFT:
        value += amount * span * since_s / 60.0
    elif kind == FaultKind.SENSOR_NOISE:
        value += amount * span * draw.sensor
    elif kind == FaultKind.SENSOR_SPIKES:
        if draw.spike < amount:
            value = BOTTOM[c] + span * draw.spike / amount
    elif kind == FaultKind.SENSOR_OSCILLATION:
        value += amount * span * sin(18.85 * since_s)
    elif since_s / 0.4 - floor(since_s / 0.4) < amount:  # a loose joint
        value = OPEN[c]
    row[1 + c] = smaller(larger(value, BOTTOM[c]), larger(TOP[c], row[1 + c]))
