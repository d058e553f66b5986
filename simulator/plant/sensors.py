"""From the true state to what the log says: lag, pulses, gain, noise, quantisation, faults."""

from math import floor, sin, sqrt
from typing import Final

from rules import channels as ch
from rules.step.arithmetic import larger, smaller
from rules.step.vector import Vector
from simulator.plant import faults as fk
from simulator.plant.layout import (
    F_CHANNEL,
    F_KIND,
    F_NOW,
    F_ONSET_S,
    FAULT_WIDTH,
    K_FLOW_GAIN,
    K_FLOW_NOISE,
    K_N_FAULTS,
    K_SAMPLE_S,
    K_SENSOR_LAG_S,
    K_SENT,
    N_BOOST,
    N_FLOW,
    N_LINE,
    S_ASKED_SHARE,
    S_BOOST_ERROR,
    S_CEILING_KPA,
    S_COMMANDED,
    S_DONE_DEG,
    S_DUTY_PCT,
    S_FLOW_READING,
    S_HELD,
    S_KNOCK_DEG,
    S_LAST_PULSE_S,
    S_NEXT_READ_S,
    S_PHASE,
    S_PULSE_READING,
    S_SEEN_LAMBDA,
    S_SENSED_BOOST,
    S_SENSED_DRY,
    S_SENSED_INTAKE,
    S_SENSED_LINE,
    S_SLOSH_ML,
    S_SPARK_DEG,
    S_SPEED_RPM,
    S_SUPPLY_V,
    S_TANK_ML,
    S_THROTTLE,
    U_SENSOR,
    W_BOOST,
    W_DRY,
    W_FLOW,
    W_INTAKE,
    W_LAMBDA,
    W_LINE,
    W_SENSOR,
    W_SPEED,
    W_SUPPLY,
    X_NO_CUT,
)

BOOST_FILTER_S: Final = 0.01
THERMISTOR_S: Final = 0.3
LINE_FILTER_S: Final = 0.01
FLOW_CORRELATION_S: Final = 0.05
PULSES_PER_ML: Final = 22.0  # a small turbine wheel; common practice, no source
_LINE_CORRELATION_S: Final = 0.03
_BOOST_KPA: Final = 0.7
_SPEED_RPM: Final = 6.0
_THERMISTOR_K: Final = 0.08
_SUPPLY_V: Final = 0.03
_LINE_KPA: Final = 4.0
_LAMBDA: Final = 0.004
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
}
PER_UNIT, EVERY_S, BOTTOM, TOP, SHORT, OPEN = (
    tuple(_SENSORS[name][i] for name in ch.CHANNEL_NAMES) for i in range(6)
)


def meter(s: Vector, flow_ml_min: float, now_s: float, dt_s: float) -> None:
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
    s[S_PHASE] += pulses
    if s[S_PHASE] >= 1.0:
        whole = floor(s[S_PHASE])
        s[S_PHASE] -= whole
        edge_s = now_s - dt_s * s[S_PHASE] / pulses
        period_s = larger(edge_s - s[S_LAST_PULSE_S], 1e-5)
        s[S_PULSE_READING] = whole * 60.0 / PULSES_PER_ML / period_s
        s[S_LAST_PULSE_S] = edge_s
        return
    quiet_s = now_s - s[S_LAST_PULSE_S]
    if quiet_s * s[S_PULSE_READING] * PULSES_PER_ML > 60.0:
        s[S_PULSE_READING] = 60.0 / PULSES_PER_ML / quiet_s
    if s[S_PULSE_READING] < _LEAST_READING_ML_MIN:
        s[S_PULSE_READING] = 0.0


def sensor_rates(
    k: Vector, s: Vector, d: Vector, boost_kpa: float, charge_c: float, dry_c: float, line: float
) -> None:
    """Work out how fast the sensors' own lags let their readings follow (first order).

    Args:
        k: Constants.
        s: State.
        d: Rates, per second.
        boost_kpa: True boost, kPa gauge.
        charge_c: True charge temperature, degC.
        dry_c: The same before the spray.
        line: True line pressure, kPa gauge.
    """
    d[S_SENSED_BOOST] = (boost_kpa - s[S_SENSED_BOOST]) / BOOST_FILTER_S
    d[S_SENSED_INTAKE] = (charge_c - s[S_SENSED_INTAKE]) / THERMISTOR_S
    d[S_SENSED_DRY] = (dry_c - s[S_SENSED_DRY]) / THERMISTOR_S
    d[S_SENSED_LINE] = (line - s[S_SENSED_LINE]) / LINE_FILTER_S
    d[S_FLOW_READING] = (s[S_PULSE_READING] - s[S_FLOW_READING]) / k[K_SENSOR_LAG_S]


def coloured(old: float, normal: float, correlation_s: float, dt_s: float) -> float:
    """Return the next value of unit noise whose correlation falls to 1/e in a time.

    Source: first-order autoregression; ``1 / (1 + z + z^2/2 ...)`` stands for exp(-z).
    """
    z = dt_s / correlation_s
    keep = 1.0 / (1.0 + z * (1.0 + 0.5 * z * (1.0 + z / 3.0)))
    return keep * old + sqrt(1.0 - keep * keep) * normal


def read(
    k: Vector, s: Vector, faults: Vector, draws: Vector, at: int, time_s: float, row: Vector
) -> None:
    """Fill a row with what the sensors say now.

    Args:
        k: Constants.
        s: State.
        faults: The faults; those of sensors act here.
        draws: This sample's noise starts at ``at``.
        at: See ``draws``.
        time_s: Time of the sample, seconds.
        row: One row, in the layout of ``rules.channels``.
    """
    sample_s = k[K_SAMPLE_S]
    s[N_FLOW] = coloured(s[N_FLOW], draws[at + W_FLOW], FLOW_CORRELATION_S, sample_s)
    s[N_BOOST] = coloured(s[N_BOOST], draws[at + W_BOOST], BOOST_FILTER_S, sample_s)
    s[N_LINE] = coloured(s[N_LINE], draws[at + W_LINE], _LINE_CORRELATION_S, sample_s)
    s[S_BOOST_ERROR] = _BOOST_KPA * s[N_BOOST]
    flow = s[S_FLOW_READING] * k[K_FLOW_GAIN] * (1.0 + k[K_FLOW_NOISE] * s[N_FLOW])
    row[ch.TIME] = time_s
    row[ch.ENGINE_SPEED] = s[S_SPEED_RPM] + _SPEED_RPM * draws[at + W_SPEED]
    row[ch.BOOST] = s[S_SENSED_BOOST] + s[S_BOOST_ERROR]
    row[ch.INJECTOR_DUTY] = s[S_DUTY_PCT]
    row[ch.INTAKE] = s[S_SENSED_INTAKE] + _THERMISTOR_K * draws[at + W_INTAKE]
    row[ch.KNOCK] = s[S_KNOCK_DEG]
    row[ch.COMMANDED] = s[S_COMMANDED]
    row[ch.COMMAND_PCT] = 100.0 * s[S_ASKED_SHARE]
    row[ch.DELIVERED] = larger(flow, 0.0)
    row[ch.TIMING] = s[S_SPARK_DEG]
    row[ch.LAMBDA] = s[S_SEEN_LAMBDA] + _LAMBDA * draws[at + W_LAMBDA]
    row[ch.THROTTLE] = 100.0 * s[S_THROTTLE]
    row[ch.TANK] = larger(0.0, s[S_TANK_ML] + s[S_SLOSH_ML])
    row[ch.LINE] = larger(0.0, s[S_SENSED_LINE] + _LINE_KPA * s[N_LINE])
    row[ch.SUPPLY] = s[S_SUPPLY_V] + _SUPPLY_V * draws[at + W_SUPPLY]
    row[ch.DRY_INTAKE] = s[S_SENSED_DRY] + _THERMISTOR_K * draws[at + W_DRY]
    # What the engine controller says it does.
    row[ch.CONFIRMED_RETARD] = s[S_DONE_DEG]
    ceiling_kpa = TOP[ch.CONFIRMED_CEILING - 1]
    if s[X_NO_CUT] == 0.0:
        ceiling_kpa = smaller(s[S_CEILING_KPA], ceiling_kpa)
    row[ch.CONFIRMED_CEILING] = ceiling_kpa
    row[ch.CLOCK_PACE] = ch.NOT_SENT
    row[ch.OPERATOR] = ch.OPERATOR_NOTHING
    for i in range(int(k[K_N_FAULTS])):
        f = i * FAULT_WIDTH
        if faults[f + F_NOW] != 0.0 and fk.SENSOR_STUCK <= faults[f + F_KIND] < fk.WIRE_NOISE:
            _spoil(s, faults, f, draws, at, time_s, row)
    for c in range(ch.N_CHANNELS):
        if k[K_SENT + c] == 0.0:
            row[1 + c] = ch.NOT_SENT
        elif time_s < s[S_NEXT_READ_S + c]:
            row[1 + c] = s[S_HELD + c]
        else:
            value = floor(row[1 + c] * PER_UNIT[c] + 0.5) / PER_UNIT[c]
            row[1 + c] = value
            s[S_HELD + c] = value
            s[S_NEXT_READ_S + c] = time_s + EVERY_S[c] - 1e-6


def _spoil(
    s: Vector, faults: Vector, f: int, draws: Vector, at: int, time_s: float, row: Vector
) -> None:
    """Put one sensor's fault into the row."""
    c = int(faults[f + F_CHANNEL])
    kind = int(faults[f + F_KIND])
    amount = faults[f + F_NOW]
    span = TOP[c] - BOTTOM[c]
    since_s = time_s - faults[f + F_ONSET_S]
    value = row[1 + c]
    if kind == fk.SENSOR_STUCK:
        value = s[S_HELD + c]
    elif kind == fk.SENSOR_SHORT:
        value = SHORT[c]
    elif kind == fk.SENSOR_OPEN:
        value = OPEN[c]
    elif kind == fk.SENSOR_OFFSET:
        value += amount * span
    elif kind == fk.SENSOR_GAIN:
        value *= 1.0 + amount
    elif kind == fk.SENSOR_DRIFT:
        value += amount * span * since_s / 60.0
    elif kind == fk.SENSOR_NOISE:
        value += amount * span * draws[at + W_SENSOR]
    elif kind == fk.SENSOR_SPIKES:
        if draws[at + U_SENSOR] < amount:
            value = BOTTOM[c] + span * draws[at + U_SENSOR] / amount
    elif kind == fk.SENSOR_OSCILLATION:
        value += amount * span * sin(18.85 * since_s)
    elif since_s / 0.4 - floor(since_s / 0.4) < amount:  # a loose joint
        value = OPEN[c]
    row[1 + c] = smaller(larger(value, BOTTOM[c]), larger(TOP[c], row[1 + c]))
