"""Invented logs with strange headers and units: what each column truly is.

A line is ``header | units row | channel or what else | unit``; a unit that ends in "abs" counts
from vacuum. None of it is a product's.
"""

from typing import Any, Final, NamedTuple

import numpy as np

from monitor.commission.columns import Column
from rules.channels import CHANNEL_BY_NAME
from simulator.rig import quantity_of
from tests.kit.invented_drive import AIR_KPA, Drive

ODD_LOGS: Final[dict[str, str]] = {
    "plain English": """
        RPM | | engine_speed_rpm | rpm
        MAP (kPa) | | boost_kpa | kPa abs
        Inj Duty (%) | | injector_duty_pct | %
        IAT (C) | | intake_c | degC
        Knock Retard | | knock | deg
        WI target | | commanded_ml_min | mL/min
        WI flow (ml/min) | | delivered_ml_min | mL/min
        Lambda | | lambda_ratio | 1
        TPS (%) | | throttle_pct | %
        CLT (C) | | coolant | degC""",
    "US units": """
        Engine RPM | | engine_speed_rpm | rpm
        Boost (psi) | | boost_kpa | psi
        IDC % | | injector_duty_pct | %
        Charge Temp (F) | | intake_c | degF
        Meth Flow (gph) | | delivered_ml_min | gal/h
        Meth Line Press (psi) | | line_kpa | psi
        AFR | | afr | 1
        Coolant (F) | | coolant | degF
        Batt V | | supply_v | V""",
    "German": """
        Motordrehzahl [1/min] | | engine_speed_rpm | rpm
        Saugrohrdruck [mbar] | | boost_kpa | mbar abs
        Einspritzventil Tastverhältnis [%] | | injector_duty_pct | %
        Ansauglufttemperatur [°C] | | intake_c | degC
        Wasser Durchfluss [l/h] | | delivered_ml_min | L/h
        Wasser Durchfluss soll [l/h] | | commanded_ml_min | L/h
        Kühlmitteltemperatur [°C] | | coolant | degC
        Zündwinkel [°KW] | | timing_deg | deg
        Drosselklappe [%] | | throttle_pct | %
        Klopfregelung [Grad] | | knock | deg""",
    "French": """
        Régime moteur (tr/min) | | engine_speed_rpm | rpm
        Pression collecteur (bar abs) | | boost_kpa | bar abs
        Rapport cyclique injecteurs (%) | | injector_duty_pct | %
        Temp. air admission (°C) | | intake_c | degC
        Débit eau (ml/min) | | delivered_ml_min | mL/min
        Consigne débit eau (ml/min) | | commanded_ml_min | mL/min
        Avance (°) | | timing_deg | deg
        Papillon (%) | | throttle_pct | %
        Temp. liquide refroidissement (°C) | | coolant | degC""",
    "a row of units": """
        N | 1/min | engine_speed_rpm | rpm
        pBoost | hPa | boost_kpa | mbar
        tiInj duty | % | injector_duty_pct | %
        tAnsaug | °C | intake_c | degC
        Q_spray | cc/min | delivered_ml_min | cc/min
        lam | - | lambda_ratio | 1
        tCoolant | °C | coolant | degC""",
    "snake case": """
        engine_speed_rpm_x1 | | engine_speed_rpm | rpm
        manifold_abs_press_psia | | boost_kpa | psi abs
        spray_flow_ml_min | | delivered_ml_min | mL/min
        spray_cmd_pct | | command_pct | %
        intake_air_temp_degf | | intake_c | degF
        pre_spray_air_temp_degf | | dry_intake_c | degF
        throttle_pos_pct | | throttle_pct | %""",
    "no units at all": """
        rpm | | engine_speed_rpm | rpm
        boost | | boost_kpa | psi
        duty | | injector_duty_pct | %
        iat | | intake_c | degF
        flow | | delivered_ml_min | gal/h
        tps | | throttle_pct | %
        clt | | coolant | degF""",
    "called kPa, is psi": """
        Speed (rpm) | | engine_speed_rpm | rpm
        MAP (kPa) | | boost_kpa | psi abs
        Injector duty % | | injector_duty_pct | %
        IAT (°C) | | intake_c | degF
        Water flow (mL/min) | | delivered_ml_min | mL/min""",
    "called boost, is absolute": """
        Tacho | rpm | engine_speed_rpm | rpm
        Boost pressure | kPa | boost_kpa | kPa abs
        Inj. open | % | injector_duty_pct | %
        Spray delivered | mL/s | delivered_ml_min | mL/s
        Air temp | C | intake_c | degC""",
    "two of each": """
        RPM | | engine_speed_rpm | rpm
        MAP [kPa] | | boost_kpa | kPa abs
        Boost [bar] | | boost_kpa | bar
        IAT 1 [°C] | | dry_intake_c | degC
        IAT 2 [°C] | | intake_c | degC
        Lambda 1 | | lambda_ratio | 1
        Target boost [bar] | | target | bar
        Wastegate duty [%] | | wastegate | %
        Spray flow [ml/min] | | delivered_ml_min | mL/min""",
    "terse": """
        n | | engine_speed_rpm | rpm
        p | | boost_kpa | kPa abs
        dc | | injector_duty_pct | %
        t | | intake_c | degC
        q | | delivered_ml_min | L/h""",
    "camel case": """
        EngineSpeed | | engine_speed_rpm | rpm
        ManifoldPressure_kPa_g | | boost_kpa | kPa
        FuelInjectorDutyPct | | injector_duty_pct | %
        IntakeAirTemp_C | | intake_c | degC
        WaterInjFlow_LPH | | delivered_ml_min | L/h
        WaterInjPressure_bar | | line_kpa | bar
        WaterTankLevel_L | | tank_ml | L
        WaterTemp_C | | coolant | degC""",
    "spray system's own": """
        nozzle flow cc/min | | delivered_ml_min | cc/min
        pump duty % | | command_pct | %
        pump pressure psig | | line_kpa | psi
        boost psig | | boost_kpa | psi
        tank low | | tank_switch | 1
        pump volts | | supply_v | V""",
    "shares for percent": """
        Engine Speed [rpm] | | engine_speed_rpm | rpm
        MAP [bar] | | boost_kpa | bar abs
        Throttle | | throttle_pct | 1
        Injector Duty Cycle | | injector_duty_pct | 1
        Flow Rate [L/min] | | delivered_ml_min | L/min
        Intake Air [K] | | intake_c | K""",
}  # fmt: skip


class Truth(NamedTuple):
    """What a column truly is."""

    channel: str
    unit: str
    absolute: bool


def log_of(name: str, drive: Drive) -> tuple[list[Column], dict[str, Truth]]:
    """Return an odd log's columns, and by header what each is; no channel where it is none."""
    columns, truths = [], {}
    for line in ODD_LOGS[name].strip().split("\n"):
        header, word, channel, unit = (part.strip() for part in line.split("|"))
        unit, _, absolute = unit.partition(" ")
        columns.append(Column(header, word, as_logged(drive, channel, unit, bool(absolute))))
        known = channel if channel in CHANNEL_BY_NAME else ""
        truths[header] = Truth(known, unit, bool(absolute))
    return columns, truths


def as_logged(drive: Drive, channel: str, unit: str, absolute: bool = False) -> Any:
    """Return a channel's readings in a log's unit, in steps a logger has."""
    kind = {"coolant": "intake_c", "target": "boost_kpa", "wastegate": "throttle_pct"}.get(
        channel, "lambda_ratio" if channel == "afr" else channel
    )
    values = drive.by_channel[{"coolant": "coolant_c", "afr": "lambda_ratio"}.get(channel, kind)]
    if channel == "afr":
        values = 14.7 * values
    if absolute:
        values = values + AIR_KPA
    factor, offset = quantity_of(CHANNEL_BY_NAME[kind]).linear(unit)
    logged = (values - offset) / factor
    size = float(np.max(np.abs(logged))) or 1.0
    step = 10.0 ** np.floor(np.log10(size / 1000.0))
    return np.round(logged / step) * step
