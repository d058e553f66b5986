"""SenML measurements into samples: names onto the rig's channels, units into the channels' own."""

from collections.abc import Iterable
from math import inf, nan
from typing import Final

from monitor.sources.lines.columns import as_own
from monitor.sources.lines.line_checks import OWN_SEQUENCE
from monitor.sources.lines.senml import Measurement, resolve
from monitor.sources.lines.sequence import SequenceCheck
from monitor.sources.lines.strict_numbers import Rejected
from monitor.sources.lines.unit_row import known_unit
from rules.channels import CHANNEL_BY_NAME, NOT_SENT, ROW_NAMES, ROW_WIDTH, Sample, tick
from simulator.rig import ColumnMap, RigFile, quantity_of
from simulator.strict import UNITS, clean

# Units of the SenML registry (RFC 8428, section 12.1; secondary units of RFC 8798) that a channel
# can have: factor and offset to the channel's own unit. What the registry has no unit for (rpm,
# mL/min, psi, degrees Fahrenheit) may be spelt as in a rig. All factors follow from definitions.
REGISTRY: Final[dict[str, dict[str, tuple[float, float]]]] = {
    "pressure": {"Pa": (1.0e-3, 0.0), "hPa": (0.1, 0.0)},
    "temperature": {"Cel": (1.0, 0.0), "K": (1.0, -273.15)},
    "flow": {"m3/s": (6.0e7, 0.0), "l/s": (6.0e4, 0.0)},
    "volume": {"m3": (1.0e6, 0.0), "l": (1000.0, 0.0)},
    "voltage": {"V": (1.0, 0.0), "mV": (1.0e-3, 0.0)},
    "percentage": {"/": (100.0, 0.0), "/100": (1.0, 0.0), "%": (1.0, 0.0)},
    "angle": {"rad": (57.29577951308232, 0.0), "deg": (1.0, 0.0)},
    "rotation": {"1/s": (60.0, 0.0), "Hz": (60.0, 0.0), "1/min": (1.0, 0.0)},
    "plain": {"/": (1.0, 0.0)},
}


class SenmlMapper:
    """Makes samples of SenML packs, by one rig.

    A record's name means a channel where it is, or ends behind a ``:`` or ``/`` in, the column the
    rig gives that channel, or the channel's own name. Other names are passed over. The first full
    name that a channel was read from keeps it: a second device on the wire must not mix its
    readings in.

    A unit the pack states counts, and must be one of the channel's kind; without one, the rig's
    unit for that column does, or the channel's own for its own name.

    Args:
        rig_file: The rig.
        where: How messages call the line or topic.

    Attributes:
        fault: What is wrong with packs that were rejected for their units or names, in words.
        sequence: What the packs' numbers say was lost.
    """

    def __init__(self, rig_file: RigFile, where: str) -> None:
        self._where = where
        self.fault: str | None = None
        # What the rig calls a column goes before our own name for another channel.
        self._by_name = {
            mapped.column: (name, mapped)
            for by in (as_own(rig_file), rig_file)
            for name, mapped in by.columns.items()
        }
        self._owner: dict[str, str] = {}
        self._sequence_name = rig_file.serial.sequence or OWN_SEQUENCE
        self.sequence = SequenceCheck()
        self._picks: dict[tuple[str, str], tuple[int, float, float] | None] = {}

    def samples(self, pack: bytes, now_s: float) -> list[Sample]:
        """Return the samples in a pack, one for each time in it, oldest first.

        Args:
            pack: As ``resolve`` takes it.
            now_s: As there.

        Raises:
            Rejected: As ``resolve`` raises it; or ``unit`` (of another kind, or unknown),
                ``second device``, ``value twice`` (one channel, one time), ``no channel``.
        """
        return self.rows(resolve(pack, now_s))

    def rows(self, measurements: Iterable[Measurement]) -> list[Sample]:
        """Return the samples that measurements, in order of time, make.

        Raises:
            Rejected: See ``samples``.
        """
        samples: list[Sample] = []
        row: list[float] | None = None
        number: float | bool | str | None = None
        for name, time_s, value, unit in measurements:
            if name.endswith(self._sequence_name) and self._is_sequence(name):
                number = value
                continue
            pick = self._pick(name, unit)
            if pick is None:
                continue
            place, factor, offset = pick
            if row is None or row[0] != time_s:
                if row is not None:
                    samples.append(Sample._make(row))
                row = list(tick(time_s))
            if row[place] != NOT_SENT:
                raise Rejected("value twice")
            # Text or a truth value for a channel is a report that is not a number.
            read = value * factor + offset if type(value) is float else nan
            row[place] = read if -inf < read < inf else nan
        if row is None:
            raise Rejected("no channel")
        if number is not None:
            self.sequence.take(number)
        samples.append(Sample._make(row))
        return samples

    def _is_sequence(self, name: str) -> bool:
        return self._sequence_name in (name, short_name(name))

    def _pick(self, name: str, unit: str) -> tuple[int, float, float] | None:
        """Return where a measurement goes and how it converts; None where it goes nowhere."""
        key = (name, unit)
        if key in self._picks:
            return self._picks[key]
        pick = self._find(name, unit)
        if len(self._picks) < 4 * ROW_WIDTH:  # a line may name more than memory should hold
            self._picks[key] = pick
        return pick

    def _find(self, name: str, unit: str) -> tuple[int, float, float] | None:
        found = self._by_name.get(name) or self._by_name.get(short_name(name))
        if found is None:
            return None
        channel, mapped = found
        factor, offset = self._conversion(name, unit, channel, mapped)
        owner = self._owner.setdefault(channel, name)
        if owner != name:
            self.fault = (
                f"{self._where}: found {clean(name)} beside {clean(owner)}, expected one source of "
                f"{channel} (name it in full in the rig's [channels.{channel}] column)"
            )
            raise Rejected("second device")
        return ROW_NAMES.index(channel), factor, offset

    def _conversion(
        self, name: str, unit: str, channel: str, mapped: ColumnMap
    ) -> tuple[float, float]:
        # Adding minus nought changes nothing; nought would take the sign off a minus nought.
        if not unit:
            return mapped.factor, mapped.offset or -0.0
        kind = quantity_of(CHANNEL_BY_NAME[channel])
        linear: tuple[float, float] | None = None
        if kind.KIND == "knock":  # an intensity has no unit to convert to: it must be the rig's
            linear = (1.0, 0.0) if known_unit(unit, "knock") == mapped.unit else None
        elif (linear := REGISTRY[kind.KIND].get(unit)) is None:
            known = known_unit(unit, kind.KIND)
            linear = kind.linear(known) if known in UNITS[kind.KIND] else None
        if linear is None:
            self.fault = (
                f'{self._where}: {clean(name)}: found unit "{clean(unit, 24)}", expected '
                f'{kind.KIND} such as "{next(iter(REGISTRY.get(kind.KIND, {})), mapped.unit)}" '
                f'(SenML) or "{kind.UNIT}" for {channel}'
            )
            raise Rejected("unit")
        # A pressure's only offset is the ambient pressure the rig takes off an absolute column.
        offset = mapped.offset if kind.KIND == "pressure" else linear[1]
        return linear[0], offset or -0.0


def short_name(name: str) -> str:
    """Return the end of a name, behind its last ``:`` and ``/``: the reading without its device."""
    return name.rpartition(":")[2].rpartition("/")[2]
