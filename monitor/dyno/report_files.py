"""A comparison as files: Markdown, a row each engine speed as CSV, JSON; its tables as cells."""

import csv
import io
import json
from collections.abc import Iterator
from math import isfinite
from typing import Any

from monitor.dyno.comparing import Comparison
from monitor.dyno.groups import band_of, mean_of
from monitor.dyno.runs import BESIDE
from monitor.dyno.words import (
    CLOSED,
    as_json,
    basis,
    beside_figures,
    cautions,
    gain_in_words,
    notes,
    result,
    rows_told,
    shown_beside,
    title,
)
from monitor.words.literal import figure
from monitor.words.markdown import literal, table
from monitor.words.times import moment
from monitor.words.units import Units
from simulator.dyno.gain import CONFIDENCE

Table = tuple[list[str], list[list[str]]]


def text_of(found: Comparison, car: str, units: Units, ending: str) -> str:
    """Return a comparison as a file of a kind: ".md", ".csv" or ".json" (both metric)."""
    if ending == ".json":
        return json.dumps(as_json(found, car), allow_nan=False) + "\n"
    if ending == ".csv":
        return _as_csv(found)
    return "\n".join(_as_markdown(found, car, units))


def speed_table(found: Comparison, units: Units) -> Table:
    """Return torque, power and gain at some engine speeds: a head, and a row each."""
    names = [group.name for group in found.groups]
    torque = [units.factor("N m") * mean_of(group.torque_nm) for group in found.groups]
    power_kw = [mean_of(group.power_kw) for group in found.groups]
    per = units.factor("kW")
    head = ["rpm", f"runs ({' / '.join(names)})"]
    head += [f"torque, {units.unit('N m')} ({name})" for name in names]
    head += [f"power, {units.unit('kW')} ({name})" for name in names]
    head += [f"gain in power, {units.unit('kW')} ({100.0 * CONFIDENCE:z.0f} % interval)", "gain, %"]
    rows = []
    for k in rows_told(found):
        one = found.power_gain[k]
        told = "boost differs" if found.boost_differs[k] else gain_in_words(one, units)
        rows.append(
            [
                f"{found.speed_rpm[k]:z.0f}",
                "/".join(str(group.counts[k]) for group in found.groups),
                *(figure(values[k], 0) for values in torque),
                *(figure(per * values[k], 1) for values in power_kw),
                *(told, figure(100.0 * one.value / power_kw[0][k], 1)),
            ]
        )
    return head, rows


def beside_table(found: Comparison, units: Units) -> Table:
    """Return what else was read at these engine speeds; no rows where nothing was."""
    figures = beside_figures(found, units)
    head = ["rpm"]
    head += [
        f"{name} ({group.name})"
        for _, name, _ in shown_beside(found, units)
        for group in found.groups
    ]  # fmt: skip
    rows = [
        [f"{found.speed_rpm[k]:z.0f}", *(one for pairs in figures.values() for one in pairs[row])]
        for row, k in enumerate(rows_told(found))
    ]
    return head, rows if figures else []


def run_table(found: Comparison, units: Units) -> Table:
    """Return the runs that were compared: when, gear, air, what torque is multiplied by."""
    air = [("air outside", "°C", 0), ("barometer", "kPa", 1), ("humidity", "%", 0)]
    head = ["run", "log", "from", "until", "gear", "gear told by"]
    head += [f"{word}, {units.unit(metric)}" for word, metric, _ in air] + ["factor"]
    rows = []
    for group in found.groups:
        for number, (run, factor) in enumerate(zip(group.runs, group.factors, strict=True), 1):
            weather = zip(run.weather, air, strict=True)
            rows.append(
                [
                    *(f"{group.name} {number}", run.log),
                    *(moment(time_s, run.from_s) for time_s in (run.start_s, run.end_s)),
                    "?" if run.gear.number is None else str(run.gear.number),
                    run.gear.why,
                    *(units.figure(value, metric, more) for value, (_, metric, more) in weather),
                    f"{factor:z.3f}",
                ]
            )
    return head, rows


def left_out_table(found: Comparison, units: Units) -> Table:
    """Return the runs that were not compared, and why."""
    rows = [
        [
            one.log,
            *(moment(time_s, one.from_s) for time_s in (one.start_s, one.end_s)),
            units.sentence(one.why),
        ]
        for one in found.left_out
    ]
    return ["log", "from", "until", "left out, because"], rows


def _as_markdown(found: Comparison, car: str, units: Units) -> Iterator[str]:
    yield from (f"# {literal(title(found, car))}", "", CLOSED, "")
    yield from (f"- {literal(line)}" for line in result(found, units))
    yield from (f"- {literal(line)}" for line in basis(found, units))
    yield from (f"- {literal(line)}" for line in cautions(found, units))
    yield from (f"- note: {literal(line)}" for line in notes(found, units))
    yield ""
    yield from table(*speed_table(found, units))
    for heading, (head, rows) in (
        ("Read beside it", beside_table(found, units)),
        ("Runs", run_table(found, units)),
        ("Left out", left_out_table(found, units)),
    ):
        if rows:
            yield from (f"## {heading}", "")
            yield from table(head, rows)


def _as_csv(found: Comparison) -> str:
    """Return a row each engine speed: metric, the unit in each column's name."""
    columns: dict[str, Any] = {"engine_speed_rpm": found.speed_rpm}
    for group in found.groups:
        torque_band, power_band = band_of(group)
        of = f"{group.name}_"
        columns |= {
            f"{of}runs": group.counts,
            f"{of}torque_nm": mean_of(group.torque_nm),
            f"{of}torque_repeatability_nm": torque_band,
            f"{of}power_kw": mean_of(group.power_kw),
            f"{of}power_repeatability_kw": power_band,
            **{f"{of}{name}": mean_of(group.beside[name]) for name in BESIDE},
        }
    for name, gains in (("torque_gain_nm", found.torque_gain), ("power_gain_kw", found.power_gain)):
        columns |= {
            f"{name}": [one.value for one in gains],
            f"{name}_low": [one.low for one in gains],
            f"{name}_high": [one.high for one in gains],
        }
    columns["boost_differs"] = [int(one) for one in found.boost_differs]
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n")  # RFC 4180, section 2.1
    writer.writerow(columns)
    for row in zip(*columns.values(), strict=True):
        writer.writerow([f"{value:z.6g}" if isfinite(value) else "" for value in row])
    return text.getvalue()
