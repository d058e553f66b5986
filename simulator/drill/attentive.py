"""An attentive trainee who follows a rule of thumb: the first pull is the measure of the others.

It sees readings alone, as somebody does on a screen: means over a third of a second, looked at ten
times a second, acted on no sooner than a human reacts. It knows nothing of the guard's decisions.
"""

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from math import inf, isfinite
from typing import Final

from rules.channels import CHANNEL_NAMES, NOT_SENT, Sample
from rules.facts import Rig
from rules.step.state import Decision
from simulator.drill.calls import NOTHING_WRONG
from simulator.drill.ride import Ride
from simulator.drill.words import Act

REACTION_S: Final = 0.7
_NAMES_AFTER_S: Final = 1.8  # looked at for so long before it is named
_LOOK_S: Final = 0.1
_MEAN_S: Final = 0.3
_CONFIRMED: Final = 3  # looks in a row
_SETTLED_S: Final = 0.7  # readings lag the command
_STEADY_KPA: Final = 6.0  # from one look to the next
_TOGETHER_S: Final = 2.0  # the engine feels it so soon, if it is felt
_REMEMBERED_S: Final = 3.0
_MISSING: Final = 0.8  # of what the first pull showed
_SURPLUS: Final = 1.2
_KNOCKS: Final = 1.5
_HOTTER_K: Final = 8.0  # within 1.2 s
_LEANER: Final = 0.012
_FAR_LEANER: Final = 0.1


@dataclass(slots=True)
class _Look:
    """Means and swings of the readings over the last moments, by channel."""

    time_s: float
    mean: dict[str, float]
    swing: dict[str, float]
    lost: dict[str, int]
    settled: bool


class Attentive:
    """The trainee.

    Args:
        rig: The car: which readings there are, and from which boost spray is due.
        acts: Whether it also acts, or leaves that to the failsafe.
    """

    due_s = 0.0  # it always looks

    def __init__(self, rig: Rig, *, acts: bool) -> None:
        self._names = [terms.name for terms in rig.channels]
        self._asked = next((n for n in ("commanded_ml_min", "command_pct") if n in self._names), "")
        self._onset_kpa = rig.command.start_boost_kpa
        self._acts = acts
        self._rows: deque[Sample] = deque()
        self._looks: deque[_Look] = deque(maxlen=round(_REMEMBERED_S / _LOOK_S))
        self._measure: dict[tuple[int, ...], dict[str, float]] = {}
        self._learned = False
        self._pulled_s = 0.0
        self._most_kpa = 0.0
        self._settled_s = inf
        self._quiet_s = inf
        self._in_a_row: dict[str, int] = {}
        self._ever: dict[str, float] = {}  # signs that were confirmed, and when first
        self._will_cut = False
        self._due: list[tuple[float, Callable[[Ride], None]]] = []
        self._next_s = 0.0

    def look(self, ride: Ride, told: list[tuple[Sample, Decision]]) -> None:
        """Look at what came, if it is time to, and act or call."""
        self._rows.extend(sample for sample, _ in told)
        now_s = ride.time_s
        if now_s < self._next_s:
            return
        self._next_s = now_s + _LOOK_S
        while self._rows and self._rows[0].time_s < now_s - _MEAN_S:
            self._rows.popleft()
        if not self._rows:
            return
        look = self._seen(now_s)
        self._looks.append(look)
        due = self._due_now(look)
        for sign in self._signs(look, due):
            if sign not in self._ever:
                self._ever[sign] = now_s
                if len(self._ever) == 1:
                    self._due.append((now_s + REACTION_S + _NAMES_AFTER_S, self._name_it))
        if self._acts and not self._will_cut and self._dangerous():
            self._will_cut = True
            self._due.append((now_s + REACTION_S, self._cut))
        if not self._ever and now_s >= ride.scenario.duration_s - 1.0:
            self._due.append((now_s, self._name_it))
            self._ever["nothing"] = now_s
        for when_s, do in [one for one in self._due if one[0] <= now_s]:
            self._due.remove((when_s, do))
            do(ride)

    def _seen(self, now_s: float) -> _Look:
        mean, swing, lost = {}, {}, {}
        for name in self._names:
            column = CHANNEL_NAMES.index(name) + 1
            sent = [row[column] for row in self._rows if row[column] != NOT_SENT]
            read = [one for one in sent if isfinite(one)]
            lost[name] = len(sent) - len(read)
            if read:
                middle = sorted(read)[len(read) // 2]
                mean[name] = middle
                swing[name] = max(abs(one - middle) for one in read)
        boost_kpa = mean.get("boost_kpa", -inf)
        before = self._looks[-1].mean.get("boost_kpa", -inf) if self._looks else -inf
        if not self._sprays(boost_kpa) or abs(boost_kpa - before) > _STEADY_KPA:
            self._settled_s = now_s
        return _Look(now_s, mean, swing, lost, now_s - self._settled_s >= _SETTLED_S)

    def _sprays(self, boost_kpa: float) -> bool:
        return boost_kpa > self._onset_kpa + 15.0

    def _due_now(self, look: _Look) -> dict[str, float] | None:
        """Return what the first pull showed at such a command; None: nothing to compare with."""
        asked = look.mean.get(self._asked, 0.0) if self._asked else 0.0
        if self._pulled_s > 1.0 and not self._sprays(look.mean.get("boost_kpa", -inf)):
            self._learned = True
        if not look.settled:
            return None
        speed = look.mean.get("engine_speed_rpm", 0.0)
        keys = (round(speed / 1000.0), round(asked / 15.0) if self._asked == "command_pct" else 0)
        if not self._learned:
            self._pulled_s += _LOOK_S
            self._most_kpa = max(self._most_kpa, look.mean["boost_kpa"])
            self._measure[keys] = dict(look.mean)
            self._measure[(keys[1], 0, 0)] = dict(look.mean)
            return None
        return self._measure.get(keys) or self._measure.get((keys[1], 0, 0))

    def _signs(self, look: _Look, due: dict[str, float] | None) -> list[str]:
        """Return the signs that are confirmed now."""
        seen = set(self._anyway(look))
        if due is not None:
            seen |= set(self._compared(look, due))
        self._in_a_row = {sign: self._in_a_row.get(sign, 0) + 1 for sign in seen}
        return [sign for sign, looks in self._in_a_row.items() if looks >= _CONFIRMED]

    def _anyway(self, look: _Look) -> list[str]:
        """Return signs that need no measure."""
        mean, found = look.mean, []
        if not self._learned:
            return []
        jumpy = [name for name in self._names if self._jumps(name)]
        if len(jumpy) >= 2:
            found.append("many jump")
        elif jumpy:
            found.append("flow jumps" if jumpy[0] == "delivered_ml_min" else "one jumps")
        asked = mean.get(self._asked, inf) if self._asked else inf
        boost_kpa = mean.get("boost_kpa", -inf)
        nothing_due = asked < 2.0 if self._asked else boost_kpa < self._onset_kpa - 30.0
        if not nothing_due:
            self._quiet_s = look.time_s
        elif look.time_s - self._quiet_s > 1.0 and mean.get("delivered_ml_min", 0.0) > 15.0:
            found.append("unasked")
        if self._asked and asked < 2.0 and boost_kpa > self._onset_kpa + 40.0:
            found.append("no command")
        if mean.get("knock", 0.0) > _KNOCKS:
            found.append("knocks")
        if self._fell("tank_ml", 1.0) > 150.0:
            found.append("tank plunges")
        return found

    def _compared(self, look: _Look, due: dict[str, float]) -> list[str]:
        """Return signs by what the first pull showed."""
        found = []
        for name, word in (("delivered_ml_min", "flow"), ("line_kpa", "line")):
            if name in look.mean and due.get(name, 0.0) > 0.0:
                share = look.mean[name] / due[name]
                if share < _MISSING:
                    found.append(f"{word} low")
                if share > _SURPLUS:
                    found.append(f"{word} high")
        if "boost_kpa" in due and look.mean.get("throttle_pct", 100.0) > 95.0:
            boost_kpa = look.mean.get("boost_kpa", 0.0)
            if boost_kpa > 1.1 * self._most_kpa:
                found.append("boost high")
            if (
                boost_kpa < 0.88 * due["boost_kpa"] and not self._ever
            ):  # later it may be what was asked for
                found.append("boost low")
        leaner = look.mean.get("lambda_ratio", 0.0) - due.get("lambda_ratio", 0.0)
        if leaner > _LEANER and "lambda_ratio" in due:
            found.append("leaner")
        if leaner > _FAR_LEANER:
            found.append("far leaner")
        if -self._fell("intake_c", 1.2) > _HOTTER_K and self._settled(1.4):
            found.append("hotter")
        if look.mean.get("supply_v", 99.0) < due.get("supply_v", 0.0) - 0.8:
            found.append("volts low")
        return found

    def _settled(self, for_s: float) -> bool:
        return self._looks[-1].time_s - self._settled_s > for_s

    def _fell(self, name: str, within_s: float) -> float:
        """Return how far a reading has fallen within a time."""
        then = [one for one in self._looks if one.time_s >= self._looks[-1].time_s - within_s]
        if name not in then[0].mean or name not in then[-1].mean:
            return 0.0
        return then[0].mean[name] - then[-1].mean[name]

    def _jumps(self, name: str) -> bool:
        """Whether a reading was gone, or far off for a moment, more than once lately."""
        lately = [one for one in self._looks if name in one.mean]
        if name != "knock":
            lately = [one for one in lately if one.settled]
        wild = {
            "delivered_ml_min": 120.0,
            "knock": 7.0,
            "intake_c": 15.0,
            "line_kpa": 400.0,
            "supply_v": 3.0,
            "lambda_ratio": 1.5,
            "injector_duty_pct": 40.0,
        }.get(name, inf)
        return sum(one.lost[name] > 0 or one.swing[name] > wild for one in lately) >= 8

    def _has(self, *signs: str) -> bool:
        return any(sign in self._ever for sign in signs)

    def _felt(self) -> bool:
        """Whether the engine felt what spray or its line showed, and not much later."""
        spray = ("flow low", "flow high", "line low", "line high")
        since_s = min((self._ever[sign] for sign in spray if sign in self._ever), default=inf)
        felt = (self._ever.get(sign, inf) for sign in ("knocks", "hotter", "leaner"))
        return any(abs(when_s - since_s) < _TOGETHER_S for when_s in felt)

    def _dangerous(self) -> bool:
        """Whether two readings agree that the engine is in need."""
        engine = self._felt()
        if self._has("no command", "tank plunges", "boost high"):
            return True
        if self._has("flow low", "flow high"):
            return engine or self._has("line low")
        return self._has("line low", "line high") and engine

    def _cut(self, ride: Ride) -> None:
        ride.act(Act.CUT_BOOST)

    def _name_it(self, ride: Ride) -> None:
        ride.call(self._named())

    def _named(self) -> str:
        """Return the call that the signs so far speak for."""
        engine = self._felt()
        line_low = self._has("line low")
        table = (
            (self._has("many jump") and not line_low, "data"),
            (self._has("flow jumps") and not line_low, "flow_sensor"),
            (self._has("one jumps") and not line_low, "other_sensor"),
            (self._has("no command"), "no_command"),
            (self._has("unasked"), "unasked_spray"),
            (self._has("tank plunges"), "tank_or_air"),
            (self._has("boost high"), "engine"),
            (self._has("boost low"), "other_sensor"),
            (self._has("flow high") and (engine or line_low), "split"),
            (self._has("flow high"), "flow_sensor"),
            (self._has("flow low", "line low") and self._has("volts low"), "pump"),
            (self._has("flow low") and line_low, self._pump_side()),
            (self._has("flow low") and engine, self._behind_pump()),
            (self._has("flow low"), "flow_sensor"),
            (line_low and engine, "pump"),
            (self._has("line high") and engine, "clog"),
            (self._has("line low", "line high"), "other_sensor"),
            (self._has("far leaner"), "engine"),
            (self._has("leaner"), "wrong_mix"),
        )
        return next((word for holds, word in table if holds), NOTHING_WRONG)

    def _pump_side(self) -> str:
        """Tell pump, split and air, where flow and line pressure are low."""
        flow = [one.mean.get("delivered_ml_min", 0.0) for one in self._looks][-8:]
        swing = [one.swing.get("delivered_ml_min", 0.0) for one in self._looks][-8:]
        if sum(swing) > 0.25 * sum(flow) and min(flow) > 20.0:
            return "tank_or_air"
        lost_ml = self._fell("tank_ml", 2.0)
        used_ml = sum(flow) / len(flow) / 60.0 * 2.0
        return "split" if lost_ml > used_ml + 12.0 else "pump"

    def _behind_pump(self) -> str:
        """Tell a clog from a pump where only flow and the engine tell."""
        if "line_kpa" in self._names:
            return "clog"
        return "pump" if self._looks[-1].mean.get("delivered_ml_min", 0.0) < 15.0 else "clog"
