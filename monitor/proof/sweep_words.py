"""A sweep in words: its front as a table, and why a point is recommended."""

import textwrap
from collections.abc import Sequence
from math import isfinite
from typing import Any

from monitor.proof.sweep_keys import Setting, SweptKey
from monitor.proof.words import WIDE, ms
from simulator.proof.proportions import quantile
from simulator.proof.results import CalmResult, Proof, RowResult, Verdict
from simulator.proof.sweep import SHARE, Sweep, Tried, late_share

_HEAD = ("met", "pass", "fail", "in 100 h", "near", "late", "harm", "kJ lost")


def reasons(swept: Sweep, keys: Sequence[SweptKey], settings: Sequence[Setting]) -> list[str]:
    """Return why the recommended point is, and which rows it meets, in sentences."""
    point = swept.points[swept.recommended]
    return [
        _why(swept, _named(keys, settings[swept.recommended])),
        *(_row(row) for row in point.rows),
        *(_calm(calm) for calm in point.calms),
    ]


def beside(swept: Sweep, keys: Sequence[SweptKey], settings: Sequence[Setting]) -> list[str]:
    """Return what the recommended point costs against those around it, in sentences."""
    point = swept.points[swept.recommended]
    return [
        f"It has {_costs(point)}.",
        *(
            f"Its neighbour {_named(keys, settings[number])} has {_costs(swept.points[number])}."
            for number in swept.neighbours(swept.recommended)
        ),
        f"The rig as it is has {_costs(swept.as_it_is)}.",
    ]


def judged_again(proof: Proof) -> str:
    """Return what other cars say of it, and why they are asked."""
    return (
        "Chosen among others it looks better on those cars than it is: it is judged again on cars "
        f"that had no part in that, and there the verdict is {proof.verdict.value}."
    )


def as_table(swept: Sweep, keys: Sequence[SweptKey], settings: Sequence[Setting]) -> list[str]:
    """Return the front as lines, with the rig as it is in front of it."""
    order = sorted(swept.front, key=lambda number: swept.points[number].pulls_per_100_h)
    named = [("as it is", swept.as_it_is)]
    for number in order:
        mark = " <-" if number == swept.recommended else ""
        named.append((", ".join(settings[number].values) + mark, swept.points[number]))
    wide = max(len(name) for name, _ in named)
    cells = [_HEAD, *(_cells(point) for _, point in named)]
    wides = [max(len(row[i]) for row in cells) for i in range(len(_HEAD))]
    lines = [
        "  ".join([f"{name:<{wide}}", *(f"{c:>{w}}" for c, w in zip(row, wides, strict=True))])
        for name, row in zip(["", *(name for name, _ in named)], cells, strict=True)
    ]
    drives = swept.as_it_is.pulls
    rest = len(swept.points) - len(swept.front)
    swept_over = "; ".join(f"{key.key} from {key.ends}" for key in keys)
    about = (
        f"{len(swept.points)} points ({swept_over}), each on the same {swept.runs} cars a row and "
        f"{drives.hours:z.1f} h of healthy spraying. Those that no other beats:"
    )
    below = (
        "met: rows, by what was counted; pass, fail: rows decided by so few runs. In 100 h: false "
        "pulls in 100 h of spraying, as counted or, if that is more, as lower peaks of evidence "
        f"tell. The rest is what {100.0 * SHARE:zg} % of runs don't exceed in the worst row: late, "
        f"of the time allowed; knock harm; work lost. {rest} other points are beaten."
    )
    return [*textwrap.wrap(about, WIDE), "", *lines, "", *textwrap.wrap(below, WIDE)]


def as_json(
    swept: Sweep, keys: Sequence[SweptKey], settings: Sequence[Setting], left_out: str, proof: Proof
) -> dict[str, Any]:
    """Return plain JSON types; what never came is null."""
    values = [dict(zip((key.key for key in keys), one.values, strict=True)) for one in settings]
    return {
        "keys": [
            {"key": key.key, "low": key.low, "high": key.high, "unit": key.unit} for key in keys
        ],
        "left_out": left_out or None,
        "runs": swept.runs,
        "as_it_is": _plain(swept.as_it_is),
        "points": [
            {
                "values": told,
                **_plain(point),
                "on_front": number in swept.front,
                "recommended": number == swept.recommended,
            }
            for number, (told, point) in enumerate(zip(values, swept.points, strict=True))
        ],
        "recommended": values[swept.recommended],
        "reasons": [
            *reasons(swept, keys, settings),
            *beside(swept, keys, settings),
            judged_again(proof),
        ],
        "judged_again": proof.as_json(),
    }


def _named(keys: Sequence[SweptKey], setting: Setting) -> str:
    return ", ".join(
        f"{key.key} = {value}" for key, value in zip(keys, setting.values, strict=True)
    )


def _why(swept: Sweep, named: str) -> str:
    unmet = swept.points[swept.recommended].unmet
    if unmet:
        return (
            f"No point on the front meets all rows. {named} lacks least"
            + (f", and is nearest the middle of {len(swept.best)} that do" * (len(swept.best) > 1))
            + f": it does not meet {', '.join(unmet)}."
        )
    return (
        f"{named}: {len(swept.best)} of {len(swept.front)} points on the front meet all rows by "
        "what was counted, and this one is nearest their middle, farthest from where rows fail."
    )


def _row(row: RowResult) -> str:
    asked, n = row.requirement, len(row.begun)
    text = f"{asked.name}: {row.passed} of {n} runs pass, {_verdict(row.verdict)}"
    if isfinite(asked.within_s) and n:
        took = ms(quantile(row.delays_s, SHARE))
        took = "more are never acted on" if took == "no" else f"are acted on within {took} ms"
        text += f"; {100.0 * SHARE:zg} % {took} ({1e3 * asked.within_s:zg} allowed)"
    return f"{text}."


def _calm(calm: CalmResult) -> str:
    text = f"{calm.calm.name}: {calm.count} in {calm.hours:z.1f} h of {calm.calm.of}"
    if calm.extrapolated is not None:
        rate, _, most = calm.extrapolated
        text += f", by its lower peaks {rate:z.2g} in 100 h, at most {most:z.2g}"
    allowed = f"{calm.calm.at_most_per_100_h:zg} allowed"
    return f"{text} ({allowed}), {_verdict(calm.verdict)}."


def _verdict(verdict: Verdict) -> str:
    return "which decides nothing yet" if verdict is Verdict.UNDECIDED else f"a {verdict.value}"


def _costs(point: Tried) -> str:
    parts = [
        f"{point.pulls_per_100_h:z.2g} false pulls in 100 h (evidence came to "
        f"{100.0 * point.near:z.0f} % of the limit)",
        f"{_late(point)} of the time allowed",
    ]
    if point.acted:
        parts += [f"harm {point.harm:z.2g}", f"{point.work_lost_kj:z.0f} kJ lost"]
    text = ", ".join(parts)
    return text + (f", and does not meet {', '.join(point.unmet)}" if point.unmet else "")


def _late(point: Tried) -> str:
    return f"{100.0 * point.late:z.0f} %" if isfinite(point.late) else "more than all"


def _cells(point: Tried) -> tuple[str, ...]:
    verdicts = [row.verdict for row in point.rows] + [calm.verdict for calm in point.calms]
    return (
        f"{len(verdicts) - len(point.unmet)} of {len(verdicts)}",
        f"{verdicts.count(Verdict.PASS)}",
        f"{verdicts.count(Verdict.FAIL)}",
        f"{point.pulls_per_100_h:z.2g}",
        f"{100.0 * point.near:z.0f} %",
        _late(point) if isfinite(point.late) else "never",
        f"{point.harm:z.2g}" if point.acted else "",
        f"{point.work_lost_kj:z.0f}" if point.acted else "",
    )


def _plain(point: Tried) -> dict[str, Any]:
    def finite(value: float) -> float | None:
        return value if isfinite(value) else None

    return {
        "acted": point.acted,
        "unmet": list(point.unmet),
        "false_pulls_per_100_h": point.pulls_per_100_h,
        "false_pulls": point.pulls.as_json(),
        "nearest_false_pull": point.near,
        "late": finite(point.late),
        "harm": point.harm if point.acted else None,
        "work_lost_kj": point.work_lost_kj if point.acted else None,
        "requirements": [
            {
                "name": row.requirement.name,
                "verdict": row.verdict.value,
                "reason": row.reason,
                "runs": len(row.begun),
                "passed": row.passed,
                "share_at_least": row.least,
                "share_at_most": row.most,
                "p95_s": finite(quantile(row.delays_s, SHARE)) if row.begun else None,
                "late": finite(late_share(row)),
            }
            for row in point.rows
        ],
        "calm": [calm.as_json() for calm in point.calms],
    }
