"""What a column's name says: its unit, its nought, the channels it speaks for."""

import pytest

from monitor.commission.words import FAIR, STRONG, WEAK, read_name, unit_of


@pytest.mark.parametrize(
    ("header", "word", "unit", "absolute"),
    [
        ("MAP (kPa)", "", "kPa", None),
        ("MAP", "psia", "psi", True),
        ("Boost", "psig", "psi", False),
        ("Pression collecteur (mbar abs)", "", "mbar", True),
        ("ManifoldPressure_kPa_g", "", "kPa", False),
        ("IAT_F", "", "degF", None),
        ("Motordrehzahl [1/min]", "", "rpm", None),
        ("Meth Flow gph", "", "gal/h", None),
        ("spray_flow_ml_min", "", "mL/min", None),
        ("air after spray, °F", "", "°F", None),
        ("Zündwinkel [°KW]", "", "deg", None),
        ("TPS%", "", "%", None),
        ("RPM", "", "", None),
        ("Flow (post filter)", "", "", None),
        ("F", "", "", None),
    ],
)
def test_units_and_noughts(header: str, word: str, unit: str, absolute: bool | None) -> None:
    """In brackets, at the end, in a row of units; in the trade's spellings."""
    named = read_name(header, word)
    assert (named.unit, named.absolute) == (unit, absolute)


@pytest.mark.parametrize(
    "header",
    [
        *(
            "Water temp",
            "Coolant",
            "Kühlmitteltemperatur",
            "Oil pressure",
            "EGT 1",
            "Fuel pressure",
        ),
        *("MAF", "Vehicle speed", "Baro", "AFR", "Wastegate duty", "Boost solenoid duty", "Gear"),
        *(
            "Pulse width ms",
            "Short trim",
            "Pedal position",
            "GPS speed",
            "Turbo speed",
            "Ethanol %",
        ),
    ],
)
def test_what_flowdebt_has_no_channel_for(header: str) -> None:
    """Named as what it is, though a word in it may be a channel's."""
    assert read_name(header).other


@pytest.mark.parametrize(("header", "word"), [("Kurbel [1/min]", ""), ("Eng Rev", "rpm")])
def test_what_turns_may_be_the_engine(header: str, word: str) -> None:
    """A unit of rotation alone is a weak sign; not where the name says what it is."""
    assert read_name(header, word).roles == {"engine_speed_rpm": WEAK}
    assert read_name("Turbo speed", "1/min").other


@pytest.mark.parametrize("header", ["Boost target kPa", "Desired lambda", "Ladedruck soll"])
def test_a_wish_is_no_reading(header: str) -> None:
    """Of all that is wished for, only spray is a channel."""
    assert read_name(header).roles == {}
    assert read_name("Spray target").roles["commanded_ml_min"] == STRONG


@pytest.mark.parametrize(
    ("header", "word", "channel"),
    [
        ("WM Cmd gph", "", "commanded_ml_min"),
        ("WM Soll [%]", "", "command_pct"),
        ("WM Line psig", "", "line_kpa"),
        ("Fluid psi", "", "line_kpa"),
        ("Leitung [bar]", "", "line_kpa"),
        ("Tach", "", "engine_speed_rpm"),
        ("TI_DUTY", "%", "injector_duty_pct"),
        ("EV-Tastverh. [%]", "", "injector_duty_pct"),
        ("TH", "%", "throttle_pct"),
        ("TH [%]", "", "throttle_pct"),
        ("ZW [°KW]", "", "timing_deg"),
        ("UB", "V", "supply_v"),
        ("U Bordnetz [V]", "", "supply_v"),
        ("WMI_LVL", "L", "tank_ml"),
        ("WM Tank leer []", "", "tank_switch"),
    ],
)
def test_abbreviations_of_the_trade(header: str, word: str, channel: str) -> None:
    """None of them weak, so that it is not asked about; the unit decides where two words fit."""
    said = read_name(header, word)
    assert said.roles[channel] >= FAIR
    assert said.other == ""


@pytest.mark.parametrize(
    ("header", "what"),
    [
        *(("GPS Lat", "position"), ("GPS Lon", "position"), ("GPS Breite [°]", "position")),
        *(("GPS MPH", "vehicle speed"), ("GPS speed", "vehicle speed")),
        *(("Fuel line psi", "fuel"), ("Brake line psi", "another part"), ("G_LAT", "another part")),
    ],
)
def test_what_it_is_instead(header: str, what: str) -> None:
    """A place is no speed, and not every line is the spray's."""
    assert read_name(header).other == what


def test_a_unit_needs_its_kind() -> None:
    """Single letters mean a unit only where the column's kind has it."""
    assert unit_of("C", ("temperature",)) == "degC"
    assert unit_of("C", ("flow",)) == ""
    assert unit_of("", ("flow",)) == ""
    assert unit_of("[l/h]", ("flow",)) == "l/h"


@pytest.mark.parametrize(
    "header",
    [
        *("Driveshaft [rpm]", "DriveShaft RPM", "Propshaft [1/min]", "Wheel speed FL (rpm)"),
        *("Turbo Speed [rpm]", "TurboRPM", "Turbocharger speed (rpm)", "Cam speed (rpm)"),
        *("Camshaft rpm", "Gearbox input speed (rpm)", "Transmission RPM", "Pump Speed [rpm]"),
        *("Supercharger RPM", "Blower rpm", "Raddrehzahl", "Turbodrehzahl [1/min]"),
        *("Nockenwellendrehzahl", "Getriebedrehzahl", "Régime turbo (tr/min)", "Dyno roller rpm"),
        *("Rev limit rpm", "Launch RPM", "dRPM", "OSS (rpm)", "TISS [rpm]", "Extruder (tr/min)"),
    ],
)
def test_what_else_turns_is_never_taken_for_the_engine(header: str) -> None:
    """It has a name of its own, or is asked about; what the engine is called stays sure."""
    said = read_name(header)
    assert said.other or said.roles.get("engine_speed_rpm", 0) < FAIR


@pytest.mark.parametrize(
    "header", ["Engine RPM", "Speed (rpm)", "Motor RPM", "Crankshaft speed (rpm)", "n mot"]
)
def test_the_engines_own_speed_stays_sure(header: str) -> None:
    """By its name, or by a speed's in rpm."""
    said = read_name(header)
    assert (said.other, said.roles.get("engine_speed_rpm")) == ("", STRONG)


def test_columns_of_one_name_are_read_by_it() -> None:
    """What tells them apart says nothing of what they hold."""
    for header in ("intake_c", "MAP (kPa)", "RPM"):
        assert read_name(f"{header}#2") == read_name(header)


def test_a_wish_in_a_unit_of_flow_is_the_spray_asked_for() -> None:
    """Where it names nothing else; without a unit it may be anything."""
    assert read_name("cmd [cc/min]").roles == {"commanded_ml_min": FAIR}
    assert read_name("cmd").roles == {}
    assert read_name("Fuel target [mL/min]").roles == {}


def test_volts_by_themselves_may_be_the_supply() -> None:
    """Of a sensor, just as well: it is asked."""
    assert read_name("volts").roles == {"supply_v": WEAK}
    assert read_name("MAP volts").roles.get("supply_v") is None
