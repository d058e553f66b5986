"""What loggers call their columns: words and abbreviations of the trade; units as written there.

Common practice, no source: English, and what German and French loggers write. A name alone never
decides; see ``guessing``.
"""

import re
import unicodedata
from functools import cache
from typing import Final, NamedTuple

from monitor.sources.lines.unit_row import known_unit
from rules.channels import CHANNEL_BY_NAME
from simulator.rig import quantity_of
from simulator.strict import UNITS

STRONG, FAIR, WEAK = 3, 2, 1

# Sets of words that the tables below name; "*" stands for any letters. Accents are taken off first.
_SETS: Final = {
    # They make a column somebody's wish, not a reading.
    "WISH": "target|tgt|desired|des|demand|demanded|setpoint|command|commanded|cmd|req|request|"
    "requested|soll|sollwert|consigne|wanted",
    "ENGINE": "eng|engine|crank|crankshaft|motor|moteur|kurbelwelle|vilebrequin",
    "SPRAY": "spray|wi|wmi|wm|water|meth|methanol|nozzle|nozzles|wasser|eau|wet",
    "FLOW": "flow|flowrate|rate|delivered|delivery|durchfluss|volumenstrom|debit",
    "SHARE": "duty|dc|pwm|cycle|output|percent|pct|tastverh*|tv|rapport cyclique|commande",
    "PRESSURE": "press|pressure|p|druck|pression",
    "HOT": "temp|temperature|t|temperatur|lufttemp*",
    "LINE": "line|pump|fluid|leitung|pumpe|pompe|ligne",
    "DRY": "dry|pre|before|ahead|upstream|vor|avant|trocken|sec",
    "CHARGE": "iat|act|mat|ait|ansaug*|ladeluft*",
    "INTAKE": "intake|inlet|charge|manifold|man|plenum|admission|collecteur|saugrohr|lade",
}
# Channel, how much a name says that has a word of each set.
_CHANNELS: Final = """
engine_speed_rpm 3 rpm|nmot|*drehzahl|n mot|regime|revs|tach|tacho
engine_speed_rpm 3 ENGINE & speed|spd|turns
boost_kpa 3 map|mgp|boost|ladedruck|saugrohrdruck|saug|suralimentation
boost_kpa 3 INTAKE & PRESSURE
boost_kpa 3 manifold & absolute|gauge
injector_duty_pct 3 idc|injdc|injduty
injector_duty_pct 3 inj|injector|injectors|injection|injecteur* & SHARE|open
injector_duty_pct 2 ti & SHARE
injector_duty_pct 2 ev & tastverh*|tv
injector_duty_pct 3 einspr* & SHARE|auslastung
dry_intake_c 3 HOT|CHARGE & DRY & CHARGE|SPRAY|INTAKE|air
intake_c 3 CHARGE
intake_c 3 INTAKE|lufttemp* & HOT
intake_c 2 air|luft & HOT|SPRAY|INTAKE
knock 3 knock|knk|klopf*|cliquetis|kr|detonation|ping
commanded_ml_min 3 SPRAY|FLOW & WISH
command_pct 3 SPRAY|pump|valve|solenoid|pumpe|ventil|pompe & SHARE|WISH
delivered_ml_min 3 SPRAY & FLOW
delivered_ml_min 2 FLOW
delivered_ml_min 1 SPRAY
timing_deg 3 ign|ignition|spark|timing|advance|adv|zund*|zzp|avance
timing_deg 2 zw
lambda_ratio 3 lambda|lam
lambda_ratio 2 wideband|o2|mixture
throttle_pct 3 tps|throttle|drosselkl*|dk|papillon
tank_ml 2 tank|reservoir|behalter
tank_ml 2 SPRAY & level|lvl|fullstand|niveau
tank_switch 3 tank|level|reservoir|fullstand|niveau & low|switch|float|sw|empty|schalter|contact
tank_switch 3 tank|behalter & leer
line_kpa 3 SPRAY|LINE & PRESSURE
line_kpa 3 pumpdruck|pumpendruck|leitungsdruck|wasserdruck|spray line
supply_v 3 bat|batt|battery|batterie|vbat|ubat|supply|bordspannung|bordnetz*|alim|alimentation
supply_v 2 ub
supply_v 3 pump|pumpe|pompe|system & volt|volts|voltage|v|spannung|tension
confirmed_retard_deg 3 confirm|confirmed & retard|timing
confirmed_ceiling_kpa 3 confirm|confirmed & ceiling|boost|limit
"""
# Names that mean a channel only by themselves; those of weight 1 mean several things.
_BARE: Final = """
throttle_pct 2 th
engine_speed_rpm 1 n
injector_duty_pct 1 duty|dc|d|duty cycle|tv
command_pct 1 duty|dc|d|duty cycle|tv|command|commande
supply_v 1 volt|volts|voltage|spannung|tension
"""
# What flowdebt has no channel for, though a word in its name may be one of a channel's.
_OTHERS: Final = """
coolant temperature: coolant|clt|ect|cooling|kuhlmittel*|kuhlwasser*|liquide refroidissement
coolant temperature: wassertemp*|water temp|water temperature|eau moteur
oil: oil|ol|oel|oldruck|oltemp*|oeldruck|oeltemp*|huile
exhaust: egt|exhaust|abgas*|echappement|turbine|emap|back pressure|backpressure
fuel: fuel press|fuel pressure|fuel level|fuel flow|fuel temp|fuel trim|fuel pump|fuel rate
fuel: fuel line|rail|kraftstoff*|carburant|stft|ltft|ethanol|flex
air mass: maf|air flow|airflow|air mass|luftmasse*|debit d air|debit air
another shaft: driveshaft|drive shaft|prop|propshaft|shaft|cardan*|kardan*|arbre|roller|camshaft
another shaft: transmission|trans|gearbox|boite|getriebe*|nockenwelle*|abtrieb*
another shaft: rad*drehzahl|turbo*drehzahl|lader*drehzahl|lufter*drehzahl|pumpe*drehzahl
another shaft: turbo|turbocharger|supercharger|compressor|blower & speed|rpm|regime|vitesse
another shaft: pump|pompe & rpm|regime
engine speed's own limit, or its change: rpm|rev|revs & limit|limiter|launch|shift|delta|gradient|d
vehicle speed: vehicle|wheel|road|car|ground|vitesse|geschwindigkeit|vss|kmh|mph
vehicle speed: gps & speed|spd|v|km|kph|kn
position: gps|latitude|longitude
ambient: baro*|ambient|atmospheric|atm|outside|umgebung*|aussen*|exterieur*|weather
air/fuel ratio: afr|air fuel
another part: gear*|gang|rapport engage|clutch|brake|pedal|app|steer*|lat|lon
another part: accel*|g force|yaw|cam|vvt|idle|iac|cpu|lap|alternator|fan|ecu temp*|turbo speed
another part: trim|correction|error|tcs|cut|dwell|pulse width|pulsewidth|pw|turbo rpm
boost control: wastegate|wg|wgdc|boost control|boost solenoid|boost duty|boost dc|boost valve
"""
_FLOW: Final = "delivered_ml_min"
_WISHED_FLOW: Final = "commanded_ml_min"
_SPEED: Final = "engine_speed_rpm"
_PRESSURES: Final = frozenset({"boost_kpa", "line_kpa"})
_WISHED_ROLES: Final = frozenset({"commanded_ml_min", "command_pct"})
AMBIENT: Final = "ambient"

# Units as loggers write them, beyond what ``known_unit`` takes: the rig's unit, and for a pressure
# whether it counts from vacuum.
_MORE_UNITS: Final = {
    **{"psig": "psi", "psia": "psi", "psi a": "psi", "psi g": "psi", "psi abs": "psi"},
    **{"kpag": "kPa", "kpaa": "kPa", "kpa abs": "kPa", "kpa a": "kPa", "kpa g": "kPa"},
    **{"kpa gauge": "kPa", "psi gauge": "psi", "bar gauge": "bar", "kpa absolute": "kPa"},
    **{"barg": "bar", "bara": "bar", "bar abs": "bar", "bar a": "bar", "bar g": "bar"},
    **{"mbar abs": "mbar", "hpa abs": "hPa", "bar rel": "bar", "kpa rel": "kPa"},
    **{"u/min": "rpm", "tr/min": "rpm", "upm": "rpm", "r/min": "rpm", "1/min": "rpm"},
    **{"gph": "gal/h", "gpm": "gal/min", "lph": "L/h", "lpm": "L/min", "us gal/h": "gal/h"},
    **{"ccm": "cc/min", "cm3/min": "mL/min", "mlpm": "mL/min", "cm3": "mL", "litre": "L"},
    **{"ml min": "mL/min", "cc min": "cc/min", "l h": "L/h", "l min": "L/min", "gal h": "gal/h"},
    **{"ml s": "mL/s", "liters": "L", "litres": "L", "ccpm": "cc/min"},
    **{"btdc": "deg", "°btdc": "deg", "deg btdc": "deg", "°kw": "deg", "grad": "deg"},
    **{"°ca": "deg", "deg ca": "deg", "°v": "deg", "degr": "deg", "kw": "deg"},
    **{"prozent": "%", "pourcent": "%", "counts": "count", "lambda": "1", "λ": "1"},
}
_FROM_VACUUM: Final = re.compile(
    r"(^|\W)(abs(olute?|olut)?|a)\W*$|(psi|kpa|bar)a\W*$", re.IGNORECASE
)
_FROM_AIR: Final = re.compile(
    r"(^|\W)(gauge|g|rel(ativ\w*)?)\W*$|(psi|kpa|bar)g\W*$", re.IGNORECASE
)
_NUMBERED: Final = re.compile(r"#[0-9]+$")  # what tells columns of one name apart
_BRACKETED: Final = re.compile(r"[(\[{<]([^)\]}>]*)[)\]}>]")
_CAMEL: Final = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])|(?<=[A-Za-z])(?=[0-9])")


class Named(NamedTuple):
    """What a column's name says.

    Attributes:
        bare: The name without its unit, small letters, one space between words.
        unit: Unit as written, spelled as a rig spells it; empty where none is.
        absolute: Whether it says that a pressure counts from vacuum; None where it doesn't say.
        roles: Channel to how much the name speaks for it, ``WEAK`` to ``STRONG``.
        other: What it is instead, where it is something flowdebt has no channel for; else empty.
    """

    bare: str
    unit: str
    absolute: bool | None
    roles: dict[str, int]
    other: str


def read_name(header: str, unit_word: str = "") -> Named:
    """Return what a header says, with the word of a units row beneath it, if there is one."""
    header = _NUMBERED.sub("", header.strip())
    if header in CHANNEL_BY_NAME:  # as flowdebt itself writes it, unit and all
        return Named(header, CHANNEL_BY_NAME[header].unit, False, {header: STRONG}, "")
    name, written = _split(header)
    absolute = None
    for text in (unit_word, written, header):
        if absolute is None and _FROM_VACUUM.search(text.strip()):
            absolute = True
        elif absolute is None and _FROM_AIR.search(text.strip()):
            absolute = False
    words = _plain(name)
    if absolute is None and _has(words, "absolute|absolut|absolue|abs"):
        absolute = True
    if absolute is None and _has(words, "gauge|relativ*|uberdruck"):
        absolute = False
    roles, other = _roles(_plain(header), words)
    unit = ""
    for text in (unit_word, written):
        unit = unit or unit_of(text, kinds_of(roles))
    if fits(unit, "flow") and roles.get(_FLOW, 0) == WEAK:
        roles[_FLOW] = FAIR  # "spray" in mL/min can hardly be anything else
    if fits(unit, "flow") and words in _SETS["WISH"].split("|"):
        roles[_WISHED_FLOW] = FAIR  # nor "cmd" in mL/min
    line = _has(words, "SPRAY|LINE") and not _has(words, "WISH")
    if line and fits(unit, "pressure") and not roles.keys() & _PRESSURES:
        roles["line_kpa"] = FAIR  # "line" in psi needs no word for pressure
    if fits(unit, "rotation") and not other and not (roles and _turns_the_engine(words)):
        roles[_SPEED] = WEAK  # by its unit alone: many things turn
    return Named(words, unit, absolute, roles, other)


def _turns_the_engine(words: str) -> bool:
    """Whether a name, without its unit, is an engine speed's, or but says that it is a speed."""
    return (
        words in {"speed", "spd"}
        or _has(words, "ENGINE")
        or _roles(words, words)[0].get(_SPEED) == STRONG
    )


def kinds_of(roles: dict[str, int]) -> tuple[str, ...]:
    """Return the kinds of quantity that these channels are, the likeliest first."""
    best = sorted(roles, key=lambda role: -roles[role])
    return tuple(dict.fromkeys(quantity_of(CHANNEL_BY_NAME[role]).KIND for role in best))


def unit_of(text: str, kinds: tuple[str, ...]) -> str:
    """Return a unit as a rig spells it; empty where a text is none.

    Args:
        text: Such as "kPa", "[psia]", "1/min".
        kinds: Kinds of quantity it may be of, the likeliest first; "C" and "F" need one.
    """
    bare = text.strip().strip("[](){}<>").strip().lower().replace("_", " ")
    if not bare:
        return ""
    if bare in _MORE_UNITS:
        return _MORE_UNITS[bare]
    for kind in (*kinds, ""):
        found = known_unit(bare if kind == "" else text.strip(), kind)
        if found is not None:
            return found
    return ""


def fits(unit: str, kind: str) -> bool:
    """Whether a rig's unit is of a kind of quantity."""
    return unit in UNITS[kind]


def _split(header: str) -> tuple[str, str]:
    """Return a header's name, and the unit written in it, if there is one."""
    every = tuple(UNITS)
    for found in _BRACKETED.finditer(header):
        if unit_of(found[1], every):
            return header[: found.start()] + " " + header[found.end() :], found[1]
    parts = [part for part in re.split(r"([\s_,;:.|-]+)", header) if part]
    for count in (5, 3, 1):  # "ml min", "psi abs", "kPa" at the end
        if len(parts) <= count:
            continue
        tail = " ".join(part for part in parts[-count:] if part.strip(" _,;:.|-"))
        if unit_of(tail, every) and (len(tail) > 1 or tail in "%CFVKLs°"):
            return "".join(parts[:-count]), tail
    if len(header) > 1 and header.rstrip()[-1] == "%":
        return header.rstrip()[:-1], "%"
    return header, ""


def _plain(name: str) -> str:
    """Return a name's words: no accents, small letters, numbers by themselves."""
    flat = unicodedata.normalize("NFKD", name.replace("ß", "ss"))
    flat = "".join(char for char in flat if not unicodedata.combining(char))
    flat = _CAMEL.sub(" ", flat).lower()
    return " ".join(re.findall(r"[a-zλ]+|[0-9]+", flat)).replace("λ", "lambda")


def _has(words: str, pattern: str) -> bool:
    """Whether a name has, for each set of words joined by "&", one of them."""
    return all(_one_of(part.strip()).search(words) for part in pattern.split("&"))


@cache
def _one_of(alternatives: str) -> re.Pattern[str]:
    parts = [_SETS.get(part, part) for part in alternatives.split("|")]
    return re.compile(rf"\b({'|'.join(parts)})\b".replace("*", "[a-z]*"))


def _roles(words: str, bare: str) -> tuple[dict[str, int], str]:
    """Return the channels a name speaks for, and what it is instead, where it is no channel.

    Args:
        words: The name's words, those of its unit among them.
        bare: The name's words without its unit.
    """
    other = ""
    for line in _OTHERS.strip().split("\n"):
        what, _, pattern = line.partition(": ")
        if _has(words, pattern):
            other = what
            break
    wished = _has(words, "WISH")
    roles: dict[str, int] = {}
    for line in _CHANNELS.strip().split("\n"):
        role, weight, pattern = line.split(" ", 2)
        if (not wished or role in _WISHED_ROLES) and _has(words, pattern):
            roles[role] = max(roles.get(role, 0), int(weight))
    for line in _BARE.strip().split("\n"):
        role, weight, pattern = line.split(" ", 2)
        if bare in pattern.split("|"):
            roles[role] = int(weight)
    return roles, other
